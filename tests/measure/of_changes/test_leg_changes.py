"""Drops, bounces and times in captures across a change of state; clicks are in test_clicks."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.changes.leg_changes import (
    LegChanges,
    bounce_time,
    drop,
    find_leg_changes,
    switching_time,
)
from harness.measure.sides import Instant, find_edge, state_levels
from harness.reading import Estimate
from tests.measure.changes import INSTANTS, INTERVAL_S, SAMPLES, STEP_V, TONES_HZ, Change, draw, kinds


def seen(change: Change, seed: int = 1, **how: Any) -> tuple[LegChanges, NDArray[np.float64]]:
    volts, line = draw(change, seed, **how)
    return find_leg_changes(volts, INTERVAL_S, TONES_HZ, step_v=(STEP_V, STEP_V), joined=change.copies), line


def covers(estimate: Estimate, true: float, *, more: float = 1.0) -> bool:
    half = more * (estimate.high - estimate.value)
    return abs(estimate.value - true) <= half


@pytest.mark.parametrize("copies", [False, True])
@pytest.mark.parametrize("seed", range(6))
def test_break_before_make_with_a_bounce_is_told(seed: int, copies: bool) -> None:
    change = Change(bounces=[(0.0820, 0.0821)], skew=5e-5, copies=copies)
    result, line = seen(change, seed)
    assert [kinds(leg) for leg in result.legs] == [("drop", "bounce")] * 2
    edge = find_edge(line, INTERVAL_S)
    assert covers(switching_time(result.legs, edge), 0.08185 - 0.08, more=1.5)
    for leg in result.legs:
        assert covers(drop(leg), 0.6e-3, more=1.5)
        assert covers(bounce_time(leg), 0.3e-3, more=1.5)
        assert leg.openings == 1


@pytest.mark.parametrize("seed", range(6))
def test_a_clean_change_over_has_a_drop_and_no_bounce(seed: int) -> None:
    result, _ = seen(Change(), seed)
    for leg in result.legs:
        assert kinds(leg) == ("drop",)
        assert bounce_time(leg).floor
        assert bounce_time(leg).value < 1e-4


def test_make_before_break_shows_no_gap() -> None:
    """No gap: a make-before-break part, or a contact that doesn't move (common practice, no source)."""
    result, _ = seen(Change(opens=0.0812, closes=0.0812, new=0.5))
    for leg in result.legs:
        assert kinds(leg) == ()
        assert drop(leg).floor
        assert leg.arrived is not None
        assert leg.arrived.time_s == pytest.approx(0.0812, abs=5e-5)


def test_a_relay_that_does_not_move_leaves_nothing() -> None:
    result, line = seen(Change(new=1.0, opens=0.0812, closes=0.0812))
    assert result.legs == ()
    with pytest.raises(ReadingError, match="no change of route"):
        switching_time(result.legs, find_edge(line, INTERVAL_S))


def test_a_gap_in_one_leg_only_is_a_pole_that_sticks() -> None:
    volts, _ = draw(Change(new=1.0), 3)
    still, _ = draw(Change(new=1.0, opens=0.0812, closes=0.0812), 3)
    volts[1] = still[1]
    result = find_leg_changes(volts, INTERVAL_S, TONES_HZ, step_v=(STEP_V, STEP_V), joined=False)
    assert [kinds(leg) for leg in result.legs] == [("drop",), ()]
    with pytest.raises(ReadingError, match="a leg shows no change"):
        switching_time(result.legs, Instant(time_s=0.08, standard_s=0.0))


@pytest.mark.parametrize(("old", "new", "instant"), [(0.0, 1.0, 0.0818), (1.0, 0.0, 0.0812)])
def test_a_route_from_or_to_silence_has_a_time_and_no_drop(old: float, new: float, instant: float) -> None:
    result, line = seen(Change(old=old, new=new))
    assert [kinds(leg) for leg in result.legs] == [(), ()]
    operate = switching_time(result.legs, find_edge(line, INTERVAL_S))
    assert covers(operate, instant - 0.08, more=1.5)


def test_a_change_before_its_edge_is_not_its_effect() -> None:
    result, _ = seen(Change())
    with pytest.raises(ReadingError, match="can't be its cause"):
        switching_time(result.legs, Instant(time_s=0.09, standard_s=1e-6))


def test_a_commands_own_instant_serves_with_its_uncertainty() -> None:
    result, _ = seen(Change())
    operate = switching_time(result.legs, Instant(time_s=0.0795, standard_s=5e-4))
    assert operate.standard == pytest.approx(5e-4, rel=0.01)
    assert operate.budget[0].name == "control edge"


def test_an_edge_is_the_instant_of_half_its_amplitude() -> None:
    """IEEE 181's reference levels in closed form: 0.0138 and 5.1848 have 10 % at 0.5309, 90 % at 4.6677."""
    ramp = np.interp(np.arange(1000), [500, 600], [0.0138, 5.1848])
    low, high = state_levels(ramp)
    assert low + 0.1 * (high - low) == pytest.approx(0.5309, abs=1e-5)
    assert low + 0.9 * (high - low) == pytest.approx(4.6677, abs=1e-4)
    edge = find_edge(ramp, 1e-6)
    assert edge.time_s == pytest.approx(550e-6, abs=1e-8)
    assert edge.standard_s < 1e-8


def test_half_way_of_an_rc_edge() -> None:
    """t50 = RC ln 2 = 0.693147 RC: closed form."""
    instants = np.arange(20_000) * 1e-6
    line = np.where(instants < 5e-3, 0.0, 3.3 * (1 - np.exp(-(instants - 5e-3) / 2e-4)))
    assert find_edge(line, 1e-6).time_s == pytest.approx(5e-3 + 2e-4 * math.log(2), abs=2e-7)


@pytest.mark.parametrize("time_constant_s", [2e-6, 3e-5, 2e-4])
@pytest.mark.parametrize("noise_codes", [0.1, 0.5])
def test_an_edge_in_few_codes_is_as_uncertain_as_noise_and_codes_make_it(
    time_constant_s: float, noise_codes: float
) -> None:
    """Exponential edges of 64 codes, anywhere between samples: half way at RC ln 2, closed form."""
    interval_s, random, off = 2e-6, np.random.default_rng(3), []
    instants = np.arange(20_000) * interval_s
    for draw_number in range(100):
        start_s = 2e-2 + random.uniform(0, interval_s)
        passed = 1 - np.exp(-np.maximum(instants - start_s, 0) / time_constant_s)
        line = 64 * (passed if draw_number % 2 else 1 - passed) + random.uniform(-0.5, 0.5)
        edge = find_edge(np.round(line + noise_codes * random.normal(size=20_000)), interval_s, step_v=1.0)
        off.append((edge.time_s - start_s - time_constant_s * math.log(2)) / edge.standard_s)
    assert np.mean(np.abs(off) < 2) >= 0.89  # of 95 %, four standard deviations in a hundred draws
    if noise_codes > 0.3:  # with less, the codes' own errors are taken as noise, and the edge averages them
        assert np.sqrt(np.mean(np.square(off))) > 0.6


def test_a_line_that_does_not_change_is_said() -> None:
    with pytest.raises(ReadingError, match="does not change"):
        find_edge(0.02 * np.random.default_rng(1).normal(size=1000), 1e-6)


def test_a_change_too_near_the_records_end_is_refused() -> None:
    with pytest.raises(ReadingError, match="Arm a longer record"):
        seen(Change(edge=0.0005, opens=0.0006, closes=0.0009))


def test_a_side_that_is_not_steady_is_refused() -> None:
    beating = 0.2 * np.sin(2 * np.pi * 3333 * INSTANTS)
    with pytest.raises(ReadingError, match="is not steady"):
        seen(Change(), added=beating)


def test_a_change_that_noise_nearly_hides_is_found() -> None:
    """Tones of 0.36 V become 0.11 V beside 50 mV of noise, which hides where: no fit holds both sides."""
    change = Change(closes=0.0812 + 0.148e-3, new=0.3)
    result, _ = seen(change, 2850, amplitude_v=0.3637, noise_v=0.05, offset_v=0.1138)
    for leg in result.legs:
        assert leg.arrived is not None
        assert abs(leg.arrived.time_s - change.closes) < 5 * leg.arrived.standard_s
        assert drop(leg).floor or covers(drop(leg), 0.148e-3, more=2.5)


def test_two_changes_in_one_record_are_not_one() -> None:
    """A gap, then the tone of the new route for 40 ms, then a second gap: an unsteady stretch between two."""
    change = Change(bounces=[(0.1200, 0.1210)])
    result, _ = seen(change)
    assert all(leg.openings == 1 for leg in result.legs)
    assert all(bounce_time(leg).value == pytest.approx(0.1210 - 0.0818, abs=1e-4) for leg in result.legs)


@settings(max_examples=40, deadline=None)
@given(
    gap_s=st.floats(1e-4, 3e-3),
    level=st.floats(0.2, 1.2),
    new=st.sampled_from([0.3, 0.9, 1.0, 1.1]),
    noise_v=st.sampled_from([0.004, 0.02, 0.05]),
    copies=st.booleans(),
    offset_v=st.floats(-0.3, 0.3),
    seed=st.integers(0, 10_000),
)
def test_a_gap_is_measured_but_never_wrong(
    gap_s: float, level: float, new: float, noise_v: float, copies: bool, offset_v: float, seed: int
) -> None:
    """No plausible wrong number: inside 5 standard uncertainties, or a floor."""
    change = Change(closes=0.0812 + gap_s, new=new, copies=copies)
    result, _ = seen(change, seed, amplitude_v=level, noise_v=noise_v, offset_v=offset_v)
    for leg in result.legs:
        estimate = drop(leg)
        if estimate.floor:
            assert gap_s <= 1.5 * estimate.value
        else:
            assert covers(estimate, gap_s, more=2.5)


def test_a_gap_that_was_once_a_third_too_long_is_not_claimed_to_one_percent() -> None:
    """Two tones of 0.2 V, a pair with a floating load, 20 mV of noise: 2.03 ms was read as 2.70 ± 0.02."""
    change = Change(closes=0.0812 + 2.03e-3, new=0.9, copies=True)
    result, _ = seen(change, 108, amplitude_v=0.2, noise_v=0.02, offset_v=0.1016)
    for leg in result.legs:
        assert covers(drop(leg), 2.03e-3, more=1.5)


@settings(max_examples=25, deadline=None)
@given(
    noise_v=st.sampled_from([0.0, 0.004, 0.02, 0.06]), level=st.floats(0.0, 1.2), seed=st.integers(0, 10_000)
)
def test_noise_makes_no_change(noise_v: float, level: float, seed: int) -> None:
    still = Change(new=1.0, opens=0.08, closes=0.08)
    result, _ = seen(still, seed, amplitude_v=level, noise_v=noise_v)
    assert result.legs == ()


def test_a_record_that_is_no_number_is_refused() -> None:
    volts = np.full((2, SAMPLES), np.nan)
    with pytest.raises(ReadingError, match="NaN or infinite"):
        find_leg_changes(volts, INTERVAL_S, TONES_HZ, step_v=(STEP_V, STEP_V), joined=False)
