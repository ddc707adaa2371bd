"""The window and densities against Harris, scipy and closed forms."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.spectrum import MEAN_SQUARE, SPREAD, take_spectrum


def hann(samples: int) -> NDArray[np.float64]:
    """The periodic window: a half less half a cosine."""
    return 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(samples) / samples)


def test_the_figures_of_the_window_are_those_of_the_tables() -> None:
    """Noise bandwidth 1.5 bins, and 1.4236 dB less half a bin off.

    Closed form: the bandwidth is the mean square over the mean's square, (3/8)/(1/4); half a bin off the
    window's transform is 8/(3 pi) of its middle. Harris, Proc. IEEE 66 (1978), has 1.50 and
    1.42 (from memory).
    """
    w = hann(4096)
    assert np.mean(w**2) == pytest.approx(MEAN_SQUARE, rel=1e-12)
    assert np.mean(w**2) / np.mean(w) ** 2 == pytest.approx(1.5, rel=1e-12)
    assert np.mean(w**4) / np.mean(w**2) ** 2 == pytest.approx(SPREAD, rel=1e-12)
    off_bin = abs(np.sum(w * np.exp(1j * np.pi * np.arange(4096) / 4096))) / np.sum(w)
    assert 20 * math.log10(off_bin) == pytest.approx(-1.4236, abs=6e-5)


@pytest.mark.parametrize("samples", [1023, 1024])
@pytest.mark.parametrize("band_hz", [(20, 400), (20, 2040)])
def test_a_spectrum_is_that_of_the_windowed_record(samples: int, band_hz: tuple[int, int]) -> None:
    """scipy.signal.periodogram, which multiplies the record by the window, as a second opinion."""
    from scipy.signal import periodogram

    record = np.random.default_rng(11).normal(size=(2, samples))
    ours = take_spectrum(record, 1 / 4096, low_hz=band_hz[0], high_hz=band_hz[1])
    centred = record - record.mean(axis=1, keepdims=True)
    hz, theirs = periodogram(centred, 4096, window="hann", detrend=False)
    chosen = (hz >= band_hz[0]) & (hz <= band_hz[1])
    np.testing.assert_allclose(ours.frequencies_hz, hz[chosen])
    np.testing.assert_allclose(np.abs(ours.values) ** 2, theirs[:, chosen], rtol=1e-9, atol=1e-16)


def test_the_density_of_white_noise_is_its_power_over_half_the_sample_rate() -> None:
    record = np.random.default_rng(5).normal(size=(1, 200_000))
    density = np.abs(take_spectrum(record, 1e-5, low_hz=20, high_hz=20_000).values) ** 2
    assert density.mean() == pytest.approx(2e-5, rel=0.02)


@pytest.mark.parametrize("hz", [1000.0, 1003.7])
def test_a_line_keeps_its_power_on_and_between_bins(hz: float) -> None:
    record = 0.3 * np.sqrt(2) * np.sin(2 * np.pi * hz * np.arange(20_000) * 1e-5)[None]
    spectrum = take_spectrum(record, 1e-5, low_hz=500, high_hz=2000)
    assert (np.abs(spectrum.values) ** 2).sum() * spectrum.bin_hz == pytest.approx(0.09, rel=1e-4)


@pytest.mark.parametrize(
    ("samples", "interval_s", "sentence"),
    [(20_000, 1e-4, "Take more samples"), (4000, 1e-5, r"Take at least 0\.1 s")],
)
def test_a_record_that_does_not_hold_the_band_is_refused(
    samples: int, interval_s: float, sentence: str
) -> None:
    with pytest.raises(ReadingError, match=sentence):
        take_spectrum(np.zeros((1, samples)), interval_s, low_hz=20, high_hz=20_000)
