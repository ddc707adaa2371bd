"""Noise that comes out of a unit reaches both legs of a pair: what is between them is not root two of one."""

from math import sqrt

import numpy as np
import pytest

from harness.arrays import Complex, Floats
from harness.measure.budget import propagate
from harness.measure.clock import EXACT_CLOCK
from harness.measure.tone import ToneFit, fit_tones
from harness.measure.transfer import make_transfer
from harness.roles import Capture, CaptureSetting, InputSetting

SAMPLES, INTERVAL_S = 20_000, 5e-6
TONES_HZ = (9_980.0, 10_010.0)
NOISE_V = 1e-3
TRUE = np.array([[0.2, 0.0], [0.0, 0.2]]) + 0j  # of what either output gives: a straight pair
DRAWS = 150


def record(random: np.random.Generator, *, together: float, own: float) -> Floats:
    """A pair with a tone a leg, noise of each, and noise of both; together: its share in the cold leg."""
    time_s = (np.arange(SAMPLES) - (SAMPLES - 1) / 2) * INTERVAL_S
    tones = np.stack([0.2 * sqrt(2) * np.cos(2 * np.pi * hz * time_s) for hz in TONES_HZ])
    shared = NOISE_V * random.standard_normal(SAMPLES)
    return np.asarray(
        tones + np.stack([shared, together * shared]) + own * NOISE_V * random.standard_normal((2, SAMPLES))
    )


def between(values: Complex) -> Floats:
    """The pair's level for an antiphase drive, real: half of what either leg shows less the other."""
    legs = values.real[..., 0, :] - values.real[..., 1, :]
    return np.asarray((legs[..., 0] - legs[..., 1]) / 2)


def stated(fit: ToneFit, volts: Floats) -> tuple[float, float]:
    """The level, and its standard uncertainty by noise."""
    setting = CaptureSetting(
        inputs={number: InputSetting(volts_per_division=0.1) for number in (1, 2)},
        duration_s=SAMPLES * INTERVAL_S,
        samples=SAMPLES,
    )
    capture = Capture(
        inputs=(1, 2),
        volts=volts,
        interval_s=INTERVAL_S,
        full_scale_v=(0.8, 0.8),
        step_v=(0.0, 0.0),
        clipped=(0, 0),
        setting=setting,
    )
    transfer = make_transfer(
        capture,
        fit,
        emf_vrms=(1.0, 1.0),
        prediction=TRUE,
        drive_rows=(0, 1),
        reference=None,
        gain_accuracy=0.0,
        generator_accuracy=0.0,
        acquisition="drawn",
    )
    result = propagate(between, transfer.values, transfer.components)
    assert result.standard is not None
    return result.value, result.standard


@pytest.mark.parametrize(
    ("together", "own", "correlation"),
    [(-1.0, 0.0, -1.0), (1.0, 0.0, 1.0), (0.0, 1.0, 0.0), (-0.5, 0.5, -1 / sqrt(2.5))],
    ids=["opposite", "alike", "own", "both"],
)
def test_a_level_is_as_unsure_as_the_noise_between_its_legs(
    together: float, own: float, correlation: float
) -> None:
    """Closed form: variances of sums, and of phasors of white noise, sigma^2 / N for each part."""
    random = np.random.default_rng(7)
    off, claims, found = [], [], []
    for _ in range(DRAWS):
        volts = record(random, together=together, own=own)
        fit = fit_tones(volts, INTERVAL_S, TONES_HZ, clock=EXACT_CLOCK)
        value, standard = stated(fit, volts)
        off.append(value - 0.2)
        claims.append(standard)
        found.append(complex(fit.correlation[0]).real)
    assert np.mean(found) == pytest.approx(correlation, abs=0.03)
    variance = (1 - together) ** 2 + 2 * own**2  # of hot less cold, of each tone; half of two of these
    wanted = NOISE_V * sqrt(variance * 2 / SAMPLES) / 2
    assert np.mean(claims) == pytest.approx(wanted, rel=0.05, abs=2e-7)
    # chi-squared of 150: the root of its mean is within 18 % in 998 of 1000 draws
    assert np.sqrt(np.mean(np.square(off))) == pytest.approx(wanted, rel=0.18, abs=2e-7)
