"""Power spectral density of a record through a Hann window, by one FFT.

A Hann window in its periodic (DFT-even) form is a constant less one cosine (F. J. Harris, Proc. IEEE 66,
1978). To multiply by it is to take from each bin the mean of its two neighbours and to halve what is left, so
that no window is ever made, and only the bins asked for are weighted.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

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

    @property
    def density_v2_per_hz(self) -> Floats:
        """One-sided power spectral density, shape (inputs, bins)."""
        return np.asarray(self.values.real**2 + self.values.imag**2)


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
        raise ReadingError("the record holds samples that are no numbers")
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
