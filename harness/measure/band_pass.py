"""A Butterworth band-pass, causal as a meter's: its response over frequency, by the bilinear transform.

From memory; a test holds it against scipy.signal, which has the same and takes 1.4 s to be imported. That
would stand between two records of a run; in a thread, while the bench is measured, it still makes a run of
fifty seconds 0.6 to 0.8 s longer (measured).
"""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

DECAYED = 25.0  # time constants after which nothing is left: e to the -25 is 1e-11


def band_pass(volts: Floats, interval_s: float, low_hz: float, high_hz: float, order: int) -> Floats:
    """Pass samples, shape (…, samples), through a band of `order` poles at either end, from rest."""
    samples = volts.shape[-1]
    slowest_per_s = 2 * math.pi * low_hz * math.sin(math.pi / (2 * order))
    length = _transformed(samples + math.ceil(DECAYED / (slowest_per_s * interval_s)))
    passed = np.fft.rfft(volts, length) * _response(length, interval_s, low_hz, high_hz, order)
    return np.asarray(np.fft.irfft(passed, length)[..., :samples])


def _transformed(samples: int) -> int:
    """A length that is transformed quickly: no less than so many samples, and little more."""
    step = 1 << max(samples.bit_length() - 4, 0)
    return -(-samples // step) * step


@lru_cache(maxsize=4)
def _response(
    length: int, interval_s: float, low_hz: float, high_hz: float, order: int
) -> NDArray[np.complex128]:
    """At each frequency of a real transform of that length."""
    low, high = np.tan(np.pi * interval_s * np.array([low_hz, high_hz]))
    s = 1j * np.tan(np.pi * interval_s * np.fft.rfftfreq(length, interval_s)[1:])
    prototype = (s**2 + low * high) / (s * (high - low))
    response = np.ones(len(s), dtype=np.complex128)
    for pole in np.exp(1j * np.pi * (2 * np.arange(order) + 1 + order) / (2 * order)):
        response /= prototype - pole
    return np.concatenate([[0.0], response])
