"""Spectra of records, and what weights or limits them: windows, weighting networks, a band pass."""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from harness.arrays import Complex, Floats
from harness.errors import ReadingError

MEAN_SQUARE = 3 / 8  # of the window
SPREAD = 35 / 18  # by how much the window raises the variance of a power summed over bins: mean w⁴/(mean w²)²


@dataclass(frozen=True, kw_only=True, eq=False)
class Spectrum:
    """Windowed spectrum of some inputs over some bins, scaled so that its squared magnitude is density.

    frequencies_hz: shape (bins,). values: complex, shape (inputs, bins): |values|² is V²/Hz, one-sided, and
    the product of two inputs' values (one conjugated) their cross density. bin_hz: spacing of the bins; a
    density summed over them times it is V².
    """

    frequencies_hz: Floats
    values: Complex
    bin_hz: float


def take_spectrum(volts: Floats, interval_s: float, *, low_hz: float, high_hz: float) -> Spectrum:
    """Spectrum between two frequencies of every input, its mean taken out.

    volts: shape (inputs, samples). Raises ReadingError for a record that does not hold the band: two periods
    of its lower end, and a sample rate above twice its upper one.
    """
    samples = volts.shape[1]
    duration_s = samples * interval_s
    if not 2 * high_hz * interval_s < 1:
        raise ReadingError(
            f"{1 / interval_s:g} samples a second hold no band up to {high_hz:g} Hz. Take more samples"
        )
    if not low_hz * duration_s >= 2 - 1e-9:
        raise ReadingError(
            f"a record of {duration_s:.3g} s holds no band from {low_hz:g} Hz on. Take at least "
            f"{2 / low_hz:.3g} s"
        )
    if not np.isfinite(volts).all():
        raise ReadingError("the record holds samples that are NaN or infinite")
    whole = np.fft.rfft(volts, axis=1)
    whole[:, 0] = 0.0
    first = int(np.ceil(low_hz * duration_s - 1e-9))
    last = min(
        int(np.floor(high_hz * duration_s + 1e-9)), whole.shape[1] - 2
    )  # the very last has no neighbour
    values = (
        whole[:, first : last + 1] / 2 - (whole[:, first - 1 : last] + whole[:, first + 1 : last + 2]) / 4
    )
    return Spectrum(
        frequencies_hz=np.arange(first, last + 1) / duration_s,
        values=np.asarray(values * np.sqrt(2 * interval_s / (samples * MEAN_SQUARE))),
        bin_hz=1 / duration_s,
    )


Weighting = Literal["none", "A", "bs468"]

A_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)  # IEC 61672-1, annex E (from memory)
BS468_FORWARD = 10 ** (18.2463 / 20)


def a_weighting(frequencies_hz: Floats) -> Floats:
    """Gain of the A-weighting, 1 at 1 kHz: IEC 61672-1, the formula of its poles."""
    return _a_curve(frequencies_hz) / _a_curve(np.asarray([1000.0]))


def bs468_network(frequencies_hz: Floats) -> Complex:
    """Complex gain of the weighting network of ITU-R BS.468-4, magnitude 1 at 1 kHz.

    The usual rational form of the network of the recommendation's figure 1a: one zero at 0 Hz, six poles.
    Within 0.05 dB of its table 1 from 31.5 Hz to 31.5 kHz. The phase is the network's, so that what passes it
    in a record is what would pass the network.
    """
    f = np.asarray(frequencies_hz, dtype=np.float64)  # whole numbers to the sixth power overflow
    even = -4.737338981378384e-24 * f**6 + 2.043828333606125e-15 * f**4 - 1.363894795463638e-7 * f**2 + 1
    odd = 1.306612257412824e-19 * f**5 - 2.118150887518656e-11 * f**3 + 5.559488023498642e-4 * f
    return np.asarray(BS468_FORWARD * 1.246332637532143e-4 * 1j * f / (even + 1j * odd))


def power_weights(weighting: Weighting, frequencies_hz: Floats) -> Floats:
    """Gain squared at each frequency, for weighting a power density."""
    match weighting:
        case "none":
            return np.ones_like(frequencies_hz)
        case "A":
            return a_weighting(frequencies_hz) ** 2
        case "bs468":
            return np.abs(bs468_network(frequencies_hz)) ** 2


def _a_curve(f: Floats) -> Floats:
    p1, p2, p3, p4 = (pole**2 for pole in A_POLES_HZ)
    f2 = np.asarray(f, dtype=np.float64) ** 2
    return np.asarray(p4 * f2**2 / ((f2 + p1) * np.sqrt((f2 + p2) * (f2 + p3)) * (f2 + p4)))


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
def _response(length: int, interval_s: float, low_hz: float, high_hz: float, order: int) -> Complex:
    """At each frequency of a real transform of that length."""
    low, high = np.tan(np.pi * interval_s * np.array([low_hz, high_hz]))
    s = 1j * np.tan(np.pi * interval_s * np.fft.rfftfreq(length, interval_s)[1:])
    prototype = (s**2 + low * high) / (s * (high - low))
    response = np.ones(len(s), dtype=np.complex128)
    for pole in np.exp(1j * np.pi * (2 * np.arange(order) + 1 + order) / (2 * order)):
        response /= prototype - pole
    return np.concatenate([[0.0], response])
