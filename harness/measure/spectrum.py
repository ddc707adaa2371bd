"""Power spectral density of a record, through one FFT.

The windows are sums of cosines in periodic (DFT-even) form: multiplying by one is convolving the spectrum
with a handful of coefficients, so no window is ever made and only the bins asked for are weighted.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Window = Literal["rectangular", "hann", "hamming", "blackman_harris", "flat_top"]

# Coefficients, alternating in sign: F. J. Harris, Proc. IEEE 66 (1978), for the first four; the flat top is
# HFT95 of G. Heinzel, A. Ruediger and R. Schilling, "Spectrum and spectral density estimation by the DFT"
# (2002)
COEFFICIENTS: Mapping[Window, tuple[float, ...]] = MappingProxyType(
    {
        "rectangular": (1.0,),
        "hann": (0.5, 0.5),
        "hamming": (0.54, 0.46),
        "blackman_harris": (0.35875, 0.48829, 0.14128, 0.01168),
        "flat_top": (1.0, 1.9383379, 1.3045202, 0.4028270, 0.0350665),
    }
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Spectrum:
    """Windowed spectrum of some inputs over some bins, scaled so that its squared magnitude is density.

    frequencies_hz: shape (bins,). values: complex, shape (inputs, bins): |values|² is V²/Hz, one-sided, and
    the product of two inputs' values (one conjugated) their cross density. bin_hz: spacing of the bins; a
    density summed over them times it is V². resolution_hz: equivalent noise bandwidth of a bin. spread: by
    how much the window raises the variance of a power summed over bins, 1 for the rectangular.
    """

    frequencies_hz: Floats
    values: Complex
    bin_hz: float
    resolution_hz: float
    spread: float

    @property
    def density_v2_per_hz(self) -> Floats:
        """One-sided power spectral density, shape (inputs, bins)."""
        return np.asarray(self.values.real**2 + self.values.imag**2)


def window_samples(window: Window, samples: int) -> Floats:
    """Make the window itself, periodic form; shape (samples,)."""
    angles = 2 * np.pi * np.arange(samples) / samples
    terms = [(-1) ** n * a * np.cos(n * angles) for n, a in enumerate(COEFFICIENTS[window])]
    return np.asarray(np.sum(terms, axis=0))


def noise_bandwidth_bins(window: Window) -> float:
    """Equivalent noise bandwidth in bins: N sum w² / (sum w)² (Harris 1978), the same for every length."""
    return _mean_square(window) / COEFFICIENTS[window][0] ** 2


def take_spectrum(
    volts: Floats, interval_s: float, *, low_hz: float, high_hz: float, window: Window = "hann"
) -> Spectrum:
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
        raise ReadingError("the record holds samples that are no numbers")
    whole = np.fft.rfft(volts, axis=1)
    whole[:, 0] = 0.0
    first = int(np.ceil(low_hz * duration_s - 1e-9))
    last = min(int(np.floor(high_hz * duration_s + 1e-9)), whole.shape[1] - 1)
    values = _windowed(whole, first, last, window, samples)
    scale = np.sqrt(2 * interval_s / (samples * _mean_square(window)))
    return Spectrum(
        frequencies_hz=np.arange(first, last + 1) / duration_s,
        values=np.asarray(values * scale),
        bin_hz=1 / duration_s,
        resolution_hz=noise_bandwidth_bins(window) / duration_s,
        spread=_fourth_moment(window) / _mean_square(window) ** 2,
    )


def _windowed(whole: Complex, first: int, last: int, window: Window, samples: int) -> Complex:
    """Bins first to last of the windowed record: cosines of n cycles bring in the bins n to either side."""
    coefficients = COEFFICIENTS[window]
    values = coefficients[0] * whole[:, first : last + 1]
    for n, coefficient in enumerate(coefficients[1:], start=1):
        half = (-1) ** n * coefficient / 2
        values += half * (
            _bins(whole, first - n, last - n, samples) + _bins(whole, first + n, last + n, samples)
        )
    return values


def _bins(whole: Complex, first: int, last: int, samples: int) -> Complex:
    """Bins of a one-sided spectrum; below zero and above the last they mirror."""
    if first >= 0 and last < whole.shape[1]:
        return whole[:, first : last + 1]
    places = np.arange(first, last + 1)
    mirrored = (places < 0) | (places >= whole.shape[1])
    found = whole[:, np.where(places < 0, -places, np.where(mirrored, samples - places, places))]
    return np.asarray(np.where(mirrored, found.conj(), found))


def _mean_square(window: Window) -> float:
    first, *others = COEFFICIENTS[window]
    return first**2 + sum(a**2 for a in others) / 2


def _fourth_moment(window: Window) -> float:
    """Mean of w⁴: exact from any number of samples above eight cycles of the window's highest cosine."""
    return float(np.mean(window_samples(window, 64) ** 4))
