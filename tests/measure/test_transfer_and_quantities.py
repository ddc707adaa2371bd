"""From captures to gain, polarity, phase, balance, crosstalk and offsets."""

import cmath
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from harness.errors import ReadingError
from harness.judge import judge
from harness.measure.reference import InputOffset
from harness.measure.through import Shot, tone_reference
from harness.measure.tones import TonePair, choose_tones
from harness.measure.transfer import Transfer, make_transfer, predicted_transfer
from harness.quantities.residual import direct_voltage
from tests.measure.measured import (
    View,
    channel_gain_difference,
    channel_phase_difference,
    crosstalk,
    gain,
    leg_gain,
    leg_gain_difference,
    leg_phase_error,
    near_deg,
    phase,
    polarity,
    response,
)
from tests.measure.synthetic import SyntheticBench, fit_of, through

TONES = TonePair(hot_hz=980.0, cold_hz=1010.0, duration_s=0.1, samples=4000)
EMF = (0.6138, 0.6138)


def turned(magnitude: float, degrees: float) -> complex:
    return cmath.rect(magnitude, math.radians(degrees))


def straight(value: complex, cross: float = 0.0) -> list[list[complex]]:
    return [[value, cross], [cross, value]]


def swapped(value: complex) -> list[list[complex]]:
    return [[0.0, value], [value, 0.0]]


def transfer_of(
    entries: Sequence[Sequence[complex]],
    *,
    prediction: Sequence[Sequence[complex]] | None = None,
    drive_rows: tuple[int, int] | None = None,
    seed: int = 1,
    referenced: bool = True,
    name: str = "a",
    tones: TonePair = TONES,
    **how: Any,
) -> Transfer:
    true = np.array(entries, dtype=np.complex128)
    bench = how.pop("bench", None) or SyntheticBench(seed, inputs=range(1, len(true) + 1))
    ranges = dict.fromkeys(bench.inputs, 0.5)
    reference = None
    if referenced:
        capture = bench.capture(through(len(true)), tones, EMF, ranges)
        shot = Shot(capture=capture, fit=fit_of(capture, tones), emf_vrms=EMF)
        reference = how.pop("reference", None) or tone_reference(
            [shot], [], through_prediction=through(len(true)), identity="r"
        )
    capture = bench.capture(true, tones, EMF, ranges)
    return make_transfer(
        capture,
        fit_of(capture, tones),
        emf_vrms=EMF,
        reference=reference,
        prediction=np.array(true if prediction is None else prediction, dtype=complex),
        drive_rows=drive_rows,
        gain_accuracy=0.03,
        generator_accuracy=0.01,
        acquisition=name,
        **how,
    )


def port(transfer: Transfer, number: int = 0, *, drive: tuple[int, int] | None = None) -> View:
    return View(transfer=transfer, hot=2 * number, cold=2 * number + 1, drive=drive)


def test_a_through_wire_reads_zero_decibels_against_the_reference() -> None:
    estimate = gain(port(transfer_of(straight(0.99995))))
    assert estimate.value == pytest.approx(0.0, abs=0.03)
    assert estimate.standard is not None
    assert estimate.standard < 0.01
    assert estimate.low <= 20 * math.log10(0.99995) <= estimate.high


def test_without_a_reference_the_scope_s_accuracy_stays() -> None:
    estimate = gain(port(transfer_of(straight(0.5), referenced=False)))
    assert estimate.low <= 20 * math.log10(0.5) <= estimate.high
    assert estimate.budget[0].name == "input gain"
    # two inputs of ±3 % averaged, and two outputs of ±1 %: 0.087 hypot(3, 1)/sqrt(3)/sqrt(2) dB per percent
    expected = 20 / math.log(10) * math.hypot(0.03, 0.01) / math.sqrt(6)
    assert estimate.standard == pytest.approx(expected, rel=0.02)


def test_a_leg_s_own_tone_is_free_of_its_input_s_gain_and_the_other_leg_s_is_not() -> None:
    for true in (
        straight(0.9),
        swapped(0.9),
    ):  # of a swapped pair's legs it is opposite: it cancels in the mean
        shares = {line.name: line.standard for line in gain(port(transfer_of(true))).budget}
        assert shares["input gain"] < 0.05 * 20 / math.log(10) * 0.03 * math.sqrt(2 / 3)
    one_leg = leg_gain(transfer_of(swapped(0.9)), 0)
    shares = {line.name: line.standard for line in one_leg.budget}
    assert shares["input gain"] == pytest.approx(20 / math.log(10) * 0.03 * math.sqrt(2 / 3), rel=0.02)


@pytest.mark.parametrize(
    ("true", "sign"),
    [
        (straight(0.9), 1),
        (swapped(0.9), -1),
        (straight(0.9, 0.3), 1),
        ([[0.9, 0], [0.9, 0]], 0),  # one leg broken, floating load: both legs show hot, no differential
        ([[0.9, 0], [0, 0]], 1),  # one leg to ground
        ([[0, 0], [0, 0]], 0),
    ],
    ids=["normal", "inverted", "leaky", "copied leg", "grounded leg", "silent"],
)
@pytest.mark.parametrize(
    "expected", [straight(0.9), swapped(0.9)], ids=["expects normal", "expects inverted"]
)
def test_polarity_is_the_unit_s_whatever_is_expected(
    true: Sequence[Sequence[complex]], sign: int, expected: Sequence[Sequence[complex]]
) -> None:
    assert polarity(port(transfer_of(true, prediction=expected))).value == sign


def test_polarity_of_an_active_unit_needs_the_drive_in_view() -> None:
    blind = transfer_of(straight(-0.9), prediction=straight(0.9), passive=False)
    assert polarity(port(blind)).value == 0
    both = [*straight(0.95), *straight(-0.9)]
    seen = transfer_of(both, prediction=[*straight(0.95), *straight(0.9)], drive_rows=(0, 1), passive=False)
    assert polarity(port(seen, 1)).value == -1


@pytest.mark.parametrize("degrees", [-170.0, -45.0, -1.0, 0.0, 30.0, 179.0])
def test_phase_is_against_the_driven_port_as_it_is_measured(degrees: float) -> None:
    """Closed form: the driven port is 2 degrees behind the e.m.f., whatever the circuit predicts there."""
    both = [*straight(turned(0.95, -2.0)), *straight(turned(0.5, degrees))]
    for predicted_deg in (-2.0, 0.0, 7.0):
        expected = [*straight(turned(0.95, predicted_deg)), *straight(0.5)]
        transfer = transfer_of(both, prediction=expected, drive_rows=(0, 1))
        out, driven = (port(transfer, number, drive=(0, 1)) for number in (1, 0))
        result = near_deg(phase(out), degrees + 2)
        assert result.low <= degrees + 2 <= result.high
        assert result.standard is not None
        assert result.standard < 0.1
        between = near_deg(channel_phase_difference(out, driven), degrees + 2)
        assert between.low <= degrees + 2 <= between.high


def test_phase_is_not_claimed_when_the_drive_is_not_in_view() -> None:
    transfer = transfer_of(straight(turned(0.9, 20.0)))
    assert not transfer.phase_known
    blind = port(transfer)
    for quantity in (phase, leg_phase_error):
        with pytest.raises(ReadingError, match="the driven port is not in view"):
            quantity(blind)
    with pytest.raises(ReadingError, match="the driven port is not in view"):
        channel_phase_difference(blind, blind)


def test_a_drive_that_is_in_view_and_dead_claims_no_phase() -> None:
    transfer = transfer_of([*straight(0.0), *straight(0.5)], drive_rows=(0, 1))
    assert not transfer.phase_known
    assert gain(port(transfer, 1)).value == pytest.approx(-6.02, abs=0.05)


def test_balance_compares_the_legs() -> None:
    true: list[list[complex]] = [[0.95, 0], [0, 0.95], [turned(0.90, 3.0), 0], [0, 0.80]]
    transfer = transfer_of(true, prediction=true, drive_rows=(0, 1))
    level, angle = leg_gain_difference(port(transfer, 1)), leg_phase_error(port(transfer, 1, drive=(0, 1)))
    assert level.low <= 20 * math.log10(0.90 / 0.80) <= level.high
    assert angle.low <= 3.0 <= angle.high


def test_a_dead_leg_is_far_below_the_other() -> None:
    """Behind a winding that floats, a grounded leg changes nothing between the legs: this alone shows it."""
    hot_alone = leg_gain_difference(port(transfer_of([[0.9, 0], [0, 0]])))
    cold_alone = leg_gain_difference(port(transfer_of([[0, 0], [0, 0.9]])))
    assert hot_alone.floor
    assert cold_alone.floor
    assert hot_alone.low > 40
    assert hot_alone.high == math.inf
    assert cold_alone.high < -40
    assert cold_alone.low == -math.inf
    assert {judge(each, -0.5, 0.5) for each in (hot_alone, cold_alone)} == {"fail"}


def test_two_dead_legs_have_no_difference() -> None:
    with pytest.raises(ReadingError, match="a leg shows no signal"):
        leg_gain_difference(port(transfer_of([[0, 0], [0, 0]])))
    dead = transfer_of([[0.95, 0], [0, 0.95], [0.9, 0], [0, 0]], drive_rows=(0, 1))
    with pytest.raises(ReadingError, match="a leg shows no signal"):
        leg_phase_error(port(dead, 1, drive=(0, 1)))


def test_a_copied_leg_is_a_floor_in_the_differential_and_full_size_in_each_leg() -> None:
    transfer = transfer_of([[0.9, 0], [0.9, 0]])
    assert leg_gain(transfer, 1).value == pytest.approx(20 * math.log10(0.9), abs=0.3)
    estimate = gain(port(transfer))
    true_differential = 0.0
    assert estimate.low <= -30
    assert 10 ** (estimate.high / 20) >= true_differential


def test_crosstalk_needs_something_to_compare_with() -> None:
    silent = transfer_of([*straight(0.0), *straight(0.0)])
    with pytest.raises(ReadingError, match="no signal to compare with"):
        crosstalk(port(silent, 1), port(silent, 0))


def test_what_two_acquisitions_share_cancels_in_their_ratio() -> None:
    """The same inputs before and after, with one reference: its noise is no error of the ratio."""
    bench = SyntheticBench(5, inputs=(1, 2))
    ranges = dict.fromkeys(bench.inputs, 0.5)
    capture = bench.capture(through(2), TONES, EMF, ranges)
    shot = Shot(capture=capture, fit=fit_of(capture, TONES), emf_vrms=EMF)
    reference = tone_reference([shot], [], through_prediction=through(2), identity="r")
    left, right = (
        transfer_of(straight(level), bench=bench, reference=reference, name=name)
        for level, name in ((0.9, "left"), (0.92, "right"))
    )
    match = channel_gain_difference(port(right), port(left))
    assert match.low <= 20 * math.log10(0.92 / 0.9) <= match.high
    shares = {line.name: line.standard for line in match.budget}
    assert set(shares) <= {"noise", "through reference", "input gain"}
    assert shares.get("through reference", 0.0) < 0.01 * shares["noise"]
    assert [line.name for line in gain(port(left)).budget][:2] == ["noise", "through reference"]


def test_a_prediction_is_computed_as_a_measurement_is() -> None:
    spreads = np.array([[[0.009, 0], [0, 0.0]], [[0.0, 0], [0, 0.012]]], dtype=complex)
    expected = gain(port(predicted_transfer(np.array(straight(0.9), dtype=complex), spreads, ("R1", "R2"))))
    assert expected.value == pytest.approx(20 * math.log10(0.9))
    assert expected.standard == pytest.approx(20 / math.log(10) * math.hypot(0.009, 0.012) / 2 / 0.9)
    assert [line.name for line in expected.budget] == ["tolerance of parts"]


def test_a_port_predicted_dead_is_a_floor_at_nothing() -> None:
    nothing = np.zeros((2, 2), dtype=complex)
    expected = gain(port(predicted_transfer(nothing, np.zeros((0, 2, 2), dtype=complex))))
    assert expected.floor
    assert expected.value == -math.inf


def test_another_level_than_the_reference_s_brings_in_the_generator() -> None:
    bench = SyntheticBench(5, inputs=(1, 2), generator_accuracy=0.0)
    ranges = dict.fromkeys(bench.inputs, 0.5)
    capture = bench.capture(through(2), TONES, EMF, ranges)
    shot = Shot(capture=capture, fit=fit_of(capture, TONES), emf_vrms=EMF)
    reference = tone_reference([shot], [], through_prediction=through(2), identity="r")
    capture = bench.capture(np.array(straight(0.9)), TONES, (0.3, 0.3), ranges)
    transfer = make_transfer(
        capture,
        fit_of(capture, TONES),
        emf_vrms=(0.3, 0.3),
        reference=reference,
        prediction=np.array(straight(0.9), dtype=complex),
        drive_rows=None,
        gain_accuracy=0.03,
        generator_accuracy=0.01,
        acquisition="half",
    )
    estimate = gain(port(transfer))
    assert estimate.low <= 20 * math.log10(0.9) <= estimate.high
    assert estimate.budget[0].name == "generator level"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"inputs": (1, 3)}, "has inputs"),
        ({"frequencies_hz": (970.0, 1010.0)}, "is of"),
    ],
)
def test_another_bench_s_reference_is_refused(change: dict[str, Any], says: str) -> None:
    bench = SyntheticBench(5, inputs=(1, 2))
    capture = bench.capture(through(2), TONES, EMF, dict.fromkeys(bench.inputs, 0.5))
    shot = Shot(capture=capture, fit=fit_of(capture, TONES), emf_vrms=EMF)
    reference = replace(tone_reference([shot], [], through_prediction=through(2), identity="r"), **change)
    with pytest.raises(ReadingError, match=says):
        transfer_of(straight(0.9), bench=bench, reference=reference)


@pytest.mark.parametrize("zeroed", [True, False])
def test_offsets_are_corrected_by_the_input_s_own_zero(zeroed: bool) -> None:
    bench = SyntheticBench(8, inputs=(1, 2), gain_accuracy=0.02)
    capture = bench.capture(through(2), TONES, (1e-9, 1e-9), {1: 0.01, 2: 0.01}, dc_v=5e-3)
    fit = fit_of(capture, TONES)
    zeros = [
        InputOffset(input=number, volts_per_division=0.01, offset_v=1e-3, standard_v=1e-6) if zeroed else None
        for number in (1, 2)
    ]
    accuracy = {"gain_accuracy": 0.02, "offset_accuracy_v": 3e-3}
    result = direct_voltage(fit, {0: 1.0}, {0: zeros[0]}, **accuracy)
    true = 4e-3 if zeroed else 5e-3
    assert result.low <= true <= result.high
    assert result.budget[0].name == ("input gain" if zeroed else "input offset")
    pair = direct_voltage(fit, {0: 1.0, 1: -1.0}, dict(enumerate(zeros)), **accuracy)
    assert pair.low <= 0.0 <= pair.high


def test_without_a_reference_a_response_has_the_scopes_accuracy_at_both_frequencies() -> None:
    """A data sheet's limit at one frequency says nothing of the error at another: sqrt(2) of one level's."""
    other = choose_tones(10e3)
    at_1_khz, at_10_khz = (
        port(transfer_of(straight(0.5), referenced=False, tones=tones)) for tones in (TONES, other)
    )
    alone = gain(at_1_khz).standard
    assert alone is not None
    assert response(at_10_khz, at_1_khz).standard == pytest.approx(math.sqrt(2) * alone, rel=0.02)


DRIFT = 1e-2  # limits for the next two tests: so large that nothing else counts


def drifted(seed: int, true: Sequence[Sequence[complex]], apart: tuple[float, float]) -> Transfer:
    """A transfer by a reference that was taken before the outputs changed by these fractions."""
    bench = SyntheticBench(seed, inputs=(1, 2), noise_divisions=0.001)
    shot_of = bench.capture(through(2), TONES, EMF, dict.fromkeys(bench.inputs, 0.5))
    shot = Shot(capture=shot_of, fit=fit_of(shot_of, TONES), emf_vrms=EMF)
    reference = tone_reference([shot], [], through_prediction=through(2), identity="r")
    bench.levels = bench.levels * (1 + np.array(apart))
    return transfer_of(true, bench=bench, reference=reference, level_drifts=(DRIFT, DRIFT))


def test_outputs_that_drift_apart_are_in_the_budget_of_what_lives_from_the_legs_ratio() -> None:
    """Closed form: of two limits a, each even, the ratio has √2 a/√3 and the mean of both half of that."""
    transfer = drifted(1, straight(0.9), (0.0, 0.0))
    for estimate, wanted in (
        (leg_gain_difference(port(transfer)), DRIFT * math.sqrt(2 / 3)),
        (gain(port(transfer)), DRIFT / math.sqrt(6)),
    ):
        share = next(line.standard for line in estimate.budget if line.name == "generator drift")
        assert share == pytest.approx(20 / math.log(10) * wanted, rel=0.01)


def test_the_interval_holds_the_truth_when_the_outputs_drift_apart() -> None:
    """Both anywhere within their limits: 95 of 100 for k = 2, and of 200 draws at least 180 (binomial)."""
    draws = np.random.default_rng(3).uniform(-DRIFT, DRIFT, (200, 2))
    held = 0
    for seed, (hot, cold) in enumerate(draws):
        estimate = leg_gain_difference(port(drifted(seed, straight(0.9), (hot, cold))))
        held += estimate.low <= 0.0 <= estimate.high
    assert held >= 180
    assert estimate.standard == pytest.approx(20 / math.log(10) * DRIFT * math.sqrt(2 / 3), rel=0.02)
