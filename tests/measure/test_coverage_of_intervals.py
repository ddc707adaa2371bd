"""Whether the true value lies inside the expanded interval as often as it should: every error redrawn.

Each draw is another bench (gains of every input and range, levels, clocks), a through reference with its
ladder, then one capture of a unit, ranged input by input. k = 2 should cover 95.45 %.
"""

import math

import numpy as np
import pytest

from harness.measure.quantities import (
    View,
    balance,
    channel_match,
    crosstalk,
    gain,
    leg_gain,
)
from harness.measure.through import Shot, tone_reference
from harness.measure.tones import TonePair
from harness.measure.transfer import make_transfer
from tests.measure.synthetic import SyntheticBench, fit_of, through

DRAWS = 1000
TONES = TonePair(hot_hz=980.0, cold_hz=1010.0, duration_s=0.1, samples=500)
DRIVE = (0.6138, 0.6138)  # +4 dBu, half of it on each leg
DRIVE_RANGE, FINER = 0.5, (0.01,)  # volts per division: a ladder of one rung
TRUE = np.array(
    [[0.951, 0.012], [0.008, 0.933], [2.4e-4j, 0.6e-4j], [0.4e-4j, 1.4e-4j]]
)  # left.out driven, right.out hearing it by stray capacitance
OTHER = np.array([[0.1e-4j, 0], [0, 0.2e-4j], [0.944, 0.004], [0.006, 0.949]])  # right.out driven
PREDICTION = np.array([[0.94, 0], [0, 0.94], [1e-4j, 0], [0, 1e-4j]])


def decibels(ratio):
    return 20 * math.log10(abs(ratio))


def differential(h, hot):
    return ((h[hot, 0] - h[hot + 1, 0]) - (h[hot, 1] - h[hot + 1, 1])) / 2


def everywhere(bench, volts_per_division):
    return dict.fromkeys(bench.inputs, volts_per_division)


def take_reference(bench):
    def shot(emf_vrms, volts_per_division):
        capture = bench.capture(
            through(4), TONES, (emf_vrms, emf_vrms), everywhere(bench, volts_per_division)
        )
        return Shot(capture=capture, fit=fit_of(capture, TONES), emf_vrms=(emf_vrms, emf_vrms))

    ladder, coarser = [], DRIVE_RANGE
    for finer in FINER:
        level = 0.7 * 4 * finer / math.sqrt(2)
        ladder += [shot(level, coarser), shot(level, finer)]
        coarser = finer
    return tone_reference(
        [shot(DRIVE[0], DRIVE_RANGE)], ladder, through_prediction=through(4), identity="reference"
    )


def measure(bench, reference, true, prediction, name):
    driven = 0 if abs(true[0, 0]) > abs(true[2, 0]) else 2
    ranges = {
        number: DRIVE_RANGE if row in (driven, driven + 1) else FINER[-1]
        for row, number in enumerate(bench.inputs)
    }
    capture = bench.capture(true, TONES, DRIVE, ranges)
    return make_transfer(
        capture,
        fit_of(capture, TONES),
        emf_vrms=DRIVE,
        reference=reference,
        prediction=prediction,
        drive_rows=None,
        gain_accuracy=bench.gain_accuracy,
        generator_accuracy=0.01,
        acquisition=name,
    )


@pytest.fixture(scope="module")
def readings():
    """For each quantity: its true value and the estimates of a thousand draws."""
    found = {name: [] for name in ("gain", "leg gain", "balance", "crosstalk", "channel match", "isolation")}
    for seed in range(DRAWS):
        bench = SyntheticBench(seed)
        reference = take_reference(bench)
        one = measure(bench, reference, TRUE, PREDICTION, "one")
        two = measure(bench, reference, OTHER, PREDICTION[[2, 3, 0, 1]], "two")
        left, quiet = View(transfer=one, hot=0, cold=1), View(transfer=one, hot=2, cold=3)
        right = View(transfer=two, hot=2, cold=3)
        found["gain"].append(gain(left))
        found["leg gain"].append(leg_gain(one, 0))
        found["balance"].append(balance(left))
        found["crosstalk"].append(crosstalk(quiet, left))
        found["isolation"].append(gain(quiet))
        found["channel match"].append(channel_match(right, left))
    return found


TRUTH = {
    "gain": decibels(differential(TRUE, 0)),
    "leg gain": decibels(TRUE[0, 0] - TRUE[0, 1]),
    "balance": decibels((TRUE[0, 0] - TRUE[0, 1]) / (TRUE[1, 0] - TRUE[1, 1])),
    "crosstalk": decibels(differential(TRUE, 2) / differential(TRUE, 0)),
    "isolation": decibels(differential(TRUE, 2)),
    "channel match": decibels(differential(OTHER, 2) / differential(TRUE, 0)),
}


@pytest.mark.parametrize("quantity", TRUTH)
def test_the_true_value_lies_in_the_interval_as_often_as_claimed(readings, quantity):
    inside = [estimate.low <= TRUTH[quantity] <= estimate.high for estimate in readings[quantity]]
    assert 0.93 <= np.mean(inside) <= 0.975, f"{quantity}: {np.mean(inside):.3f}"


@pytest.mark.parametrize("quantity", TRUTH)
def test_no_reading_is_off_on_average(readings, quantity):
    errors = np.array([estimate.value - TRUTH[quantity] for estimate in readings[quantity]])
    assert abs(errors.mean()) <= 4 * errors.std() / math.sqrt(DRAWS) + 0.02 * errors.std()


@pytest.mark.parametrize("level", [0.0, 2e-5, 8e-5])
def test_a_floor_is_rarely_claimed_too_low(level):
    """A quiet port near the noise: what is said to lie below X does, 97.5 times in a hundred or more."""
    true = TRUE.copy()
    true[2:] = [[level * 1j, -level * 1j], [0, 0]]
    bench = SyntheticBench(1)
    reference = take_reference(bench)
    wrong = 0
    for draw in range(200):
        transfer = measure(bench, reference, true, PREDICTION, f"draw {draw}")
        wrong += gain(View(transfer=transfer, hot=2, cold=3)).high < (decibels(level) if level else -math.inf)
    assert wrong <= 200 * 0.045  # 2.3 % expected for a level well above the floor, less below
