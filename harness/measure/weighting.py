"""How noise is weighted by frequency, as gains by the formulas behind the standards' tables."""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Weighting = Literal["flat", "a", "bs468"]

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
        case "flat":
            return np.ones_like(frequencies_hz)
        case "a":
            return a_weighting(frequencies_hz) ** 2
        case "bs468":
            return np.abs(bs468_network(frequencies_hz)) ** 2


def _a_curve(f: Floats) -> Floats:
    one, two, three, four = (pole**2 for pole in A_POLES_HZ)
    f2 = np.asarray(f, dtype=np.float64) ** 2
    return np.asarray(four * f2**2 / ((f2 + one) * np.sqrt((f2 + two) * (f2 + three)) * (f2 + four)))
