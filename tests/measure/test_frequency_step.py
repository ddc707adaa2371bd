"""A record has two tones, and a reading is of one frequency: closed form of coupling capacitors."""

import math
from dataclasses import replace

import numpy as np
import pytest

from harness.arrays import Complex
from harness.measure.frequency_step import at_one_frequency
from harness.measure.tones import choose_tones
from harness.measure.transfer import Transfer, predicted_transfer
from tests.measure.measured import View, common_mode_rejection, gain, phase
from tests.measure.test_transfer_and_quantities import transfer_of

OHM, FARADS, TOLERANCE = 10e3, 2.2e-6, 0.05  # of each leg: a corner at 7.2 Hz
LAG = 0.02  # of the driven port against the e.m.f. at 20 Hz, growing with frequency


def passed(hz: float, farads: float) -> complex:
    """First-order high pass, V/V."""
    x = 2j * math.pi * hz * OHM * farads
    return x / (1 + x)


def legs(tones_hz: tuple[float, float], farads: tuple[float, float]) -> Complex:
    """Driven port, then the port behind the capacitors: (4, 2), column k at frequency k."""
    values = np.zeros((4, 2), dtype=complex)
    for k, (hz, each) in enumerate(zip(tones_hz, farads, strict=True)):
        values[k, k] = np.exp(-1j * LAG * hz / 20)
        values[2 + k, k] = values[k, k] * passed(hz, each)
    return values


def predicted(tones_hz: tuple[float, float]) -> Transfer:
    """With the tolerance of either capacitor, by the difference of two circuits."""
    step = FARADS * TOLERANCE / math.sqrt(3)
    good = legs(tones_hz, (FARADS, FARADS))
    spreads = [
        legs(tones_hz, (FARADS + step, FARADS)) - good,
        legs(tones_hz, (FARADS, FARADS + step)) - good,
    ]
    return predicted_transfer(good, np.array(spreads), ("C1.hot", "C1.cold"))


def stepped(measured: Transfer, hz: float) -> Transfer:
    tones_hz = choose_tones(hz).frequencies_hz
    return at_one_frequency(
        measured,
        at_tones=predicted(tones_hz),
        at_one=predicted((hz, hz)),
        tones_hz=tones_hz,
        frequency_hz=hz,
        acquisition="a",
    )


def read(hz: float, farads: tuple[float, float]) -> Transfer:
    """By a scope of eight bits."""
    tones = replace(choose_tones(hz), samples=4000)
    measured = transfer_of(
        legs(tones.frequencies_hz, farads).tolist(),
        prediction=predicted(tones.frequencies_hz).values.tolist(),
        drive_rows=(0, 1),
        tones=tones,
    )
    return stepped(measured, hz)


def read_exactly(hz: float, farads: tuple[float, float]) -> Transfer:
    """By a bench without noise; each column's phase is that predicted at the driven port."""
    tones_hz = choose_tones(hz).frequencies_hz
    values = legs(tones_hz, farads)
    exact = Transfer(values=values, components=(), phase_known=True, polarity_known=True, anchors=(0, 1))
    return stepped(exact, hz)


def out(transfer: Transfer) -> View:
    return View(transfer=transfer, hot=2, cold=3, drive=(0, 1))


@pytest.mark.parametrize("hz", [20.0, 50.0, 200.0, 1000.0])
@pytest.mark.parametrize("farads", [(FARADS, FARADS), (1.04 * FARADS, 0.97 * FARADS)])
def test_level_and_phase_are_those_at_the_frequency_asked_for(hz: float, farads: tuple[float, float]) -> None:
    true = (passed(hz, farads[0]) + passed(hz, farads[1])) / 2
    view = out(read(hz, farads))
    level, angle = gain(view), phase(view)
    assert level.low <= 20 * math.log10(abs(true)) <= level.high
    assert level.high - level.low < 0.06
    assert angle.low <= math.degrees(np.angle(true)) <= angle.high
    assert angle.high - angle.low < 0.4


def test_the_tolerance_of_a_capacitor_is_in_the_step() -> None:
    """At 20 Hz the hot tone is at 18: 5 % of the capacitors moves the step by 0.01 dB."""
    lines = {line.name: line.standard for line in gain(out(read(20.0, (FARADS, FARADS)))).budget}
    change = [
        (passed(20, each) / passed(18, each) + 1) / (passed(20, FARADS) / passed(18, FARADS) + 1)
        for each in (FARADS, FARADS * (1 + TOLERANCE / math.sqrt(3)))
    ]
    closed_form = 20 * math.log10(abs(change[0] / change[1]))
    assert lines["tolerance of parts"] == pytest.approx(abs(closed_form), rel=0.1)


@pytest.mark.parametrize("unlike", [1e-4, 1e-3, 0.02])
def test_what_changes_between_the_two_tones_is_no_conversion(unlike: float) -> None:
    """Two capacitors alike convert nothing; unlike ones what the difference of the legs is."""
    farads = (FARADS * (1 + unlike / 2), FARADS * (1 - unlike / 2))
    hot, cold = (passed(200.0, each) for each in farads)
    true = 20 * math.log10(abs((hot + cold) / 2 / (hot - cold)))
    result = common_mode_rejection(out(read_exactly(200.0, farads)))
    assert result.low <= true <= result.high


def test_a_unit_unlike_its_prediction_makes_the_step_unsure() -> None:
    """A capacitor of a tenth changes far more from 18 to 20 Hz than a good one does."""
    farads = (FARADS / 10, FARADS / 10)
    view = out(read(20.0, farads))
    level = gain(view)
    true = 20 * math.log10(abs(passed(20.0, farads[0])))
    assert any(line.name == "frequency" for line in level.budget)
    assert level.low <= true <= level.high


def test_what_the_circuit_does_not_know_is_between_flat_and_rising() -> None:
    tones = (18.0, 20.0)
    nothing = predicted_transfer(np.zeros((2, 2), dtype=complex), np.zeros((0, 2, 2), dtype=complex))
    flat = replace(nothing, values=np.array([[1e-3, 0], [0, 1e-3]], dtype=complex), made="measured")
    made = at_one_frequency(
        flat, at_tones=nothing, at_one=nothing, tones_hz=tones, frequency_hz=20.0, acquisition="a"
    )
    level = gain(View(transfer=made, hot=0, cold=1))
    rising_db = 20 * math.log10((20 / 18 + 1) / 2)
    assert level.low == pytest.approx(-60.0, abs=0.025)
    assert level.high == pytest.approx(-60.0 + rising_db, abs=0.025)


def test_what_a_load_brings_to_both_legs_alike_does_not_widen_what_is_between_them() -> None:
    """Two legs at 1 % and a hundredth of that between them, of contacts with a third more than predicted."""
    hz, tones = 1000.0, (980.0, 1010.0)

    def coupled(hot_hz: float, cold_hz: float, farads: float) -> Complex:
        hot, cold = (2j * math.pi * each * 1e6 * farads for each in (hot_hz, cold_hz))
        return np.array([[hot * 1.005, cold * 0.995], [hot * 0.995, cold * 1.005]])

    def dressed(values: Complex) -> Transfer:
        return predicted_transfer(values, np.zeros((0, 2, 2), dtype=complex))

    true = replace(dressed(coupled(*tones, 4e-12)), made="measured")
    made = at_one_frequency(
        true,
        at_tones=dressed(coupled(*tones, 3e-12)),
        at_one=dressed(coupled(hz, hz, 3e-12)),
        tones_hz=tones,
        frequency_hz=hz,
        acquisition="a",
    )
    level = gain(View(transfer=made, hot=0, cold=1))
    expected = 20 * math.log10(2 * math.pi * hz * 1e6 * 4e-12 * 0.01)
    assert level.low <= expected <= level.high
    assert level.high - level.low < 0.2
