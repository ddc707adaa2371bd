"""Which tones, which ranges."""

import math
from dataclasses import replace
from fractions import Fraction
from typing import Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import UsageError
from harness.measure.captures import cut, next_range, pick_range
from harness.measure.through import ladder_rungs
from harness.measure.tone import fit_tones
from harness.measure.tones import Stimulus, TonePair, choose_tones, is_mains
from tests.measure.synthetic import SyntheticBench, through

RANGES = tuple(m * 10.0**e for e in range(-3, 1) for m in (1, 2, 5))  # 1 mV to 5 V a division


def test_one_kilohertz_is_98_and_101_cycles_in_a_tenth_of_a_second() -> None:
    assert choose_tones(1e3) == TonePair(hot_hz=980.0, cold_hz=1010.0, duration_s=0.1, samples=32_000)


@settings(deadline=None, derandomize=True)
@given(st.floats(8.0, 1e5))
def test_every_pair_keeps_legs_and_mains_apart(frequency_hz: float) -> None:
    tones = choose_tones(frequency_hz)
    duration = Fraction(round(10 * tones.duration_s), 10)
    counts = [Fraction(hz).limit_denominator(1000) * duration for hz in tones.frequencies_hz]
    assert all(count.denominator == 1 for count in counts)
    assert all((mains * duration).denominator == 1 for mains in (50, 60))
    assert (counts[1] - counts[0]) % 2 == 1
    assert min(counts) >= 7
    for hz in tones.frequencies_hz:
        assert math.remainder(hz, 50) != 0
        assert math.remainder(hz, 60) != 0
        assert abs(hz / frequency_hz - 1) <= 0.1 + 1e-9
        assert tones.samples >= 5 * hz * tones.duration_s


@settings(deadline=None, derandomize=True)
@given(st.floats(8.0, 1e5), st.sampled_from([50, 60]))
def test_where_the_mains_is_known_a_record_is_shorter_and_keeps_legs_and_mains_apart(
    frequency_hz: float, mains_hz: int
) -> None:
    """Whole cycles of tones and mains in one record: closed form. Of a single period of the mains every count
    is a harmonic; standards count those up to the 40th (IEC 61000-3-2, from memory).
    """
    tones, usual = choose_tones(frequency_hz, (mains_hz,)), choose_tones(frequency_hz)
    assert tones.duration_s <= usual.duration_s
    duration = Fraction(tones.duration_s).limit_denominator(300)
    counts = [Fraction(hz * tones.duration_s).limit_denominator(1000) for hz in tones.frequencies_hz]
    assert all(count.denominator == 1 for count in counts)
    assert (mains_hz * duration).denominator == 1
    assert any(count % 2 for count in counts)
    assert counts[0] < counts[1]
    periods = mains_hz * duration
    furthest = 0.1 if tones.duration_s >= 0.1 else 0.05 if periods > 1 else 0.025
    for hz, count in zip(tones.frequencies_hz, counts, strict=True):
        assert count > 40 if periods == 1 else (count / duration) % mains_hz != 0
        assert abs(hz / frequency_hz - 1) <= furthest + 1e-9
    if frequency_hz >= 2500:
        assert periods == 1


@pytest.mark.parametrize(
    ("mains_hz", "tones"),
    [
        ((50,), TonePair(hot_hz=975.0, cold_hz=1025.0, duration_s=0.04, samples=32_000)),
        ((60,), TonePair(hot_hz=980.0, cold_hz=1000.0, duration_s=0.05, samples=32_000)),
        ((50, 60), TonePair(hot_hz=980.0, cold_hz=1010.0, duration_s=0.1, samples=32_000)),
    ],
)
def test_a_pair_and_silence_are_recorded_for_a_few_periods_of_a_known_mains(
    mains_hz: tuple[int, ...], tones: TonePair
) -> None:
    assert Stimulus(kind="pair", frequency_hz=1e3, mains_hz=mains_hz).tones == tones
    assert Stimulus(kind="silence", mains_hz=mains_hz).tones == tones


def test_what_a_scope_records_beyond_the_time_that_was_asked_for_is_cut_off() -> None:
    """Closed form: hum of 50 Hz is orthogonal to both tones over 40 ms, and not over 50 ms."""
    tones = TonePair(hot_hz=975.0, cold_hz=1025.0, duration_s=0.05, samples=40_000)
    bench = SyntheticBench(3)
    capture = bench.capture(through(4), tones, (0.0, 0.0), dict.fromkeys(bench.inputs, 0.1))
    hum_v = 1e-3 * np.sin(2 * np.pi * 50 * capture.interval_s * np.arange(40_000) + 0.3)
    capture = replace(capture, volts=np.tile(hum_v, (4, 1)))
    leaked_v = [
        float(abs(fit_tones(each.volts, each.interval_s, tones.frequencies_hz).phasors).max())
        for each in (capture, cut(capture, 0.04))
    ]
    assert leaked_v[0] > 1e-6
    assert leaked_v[1] < 1e-12
    assert cut(capture, 0.05) is capture


@pytest.mark.parametrize("kind", ["terminated", "antiphase"])
def test_a_spectrum_is_recorded_as_long_where_the_mains_is_known(
    kind: Literal["terminated", "antiphase"],
) -> None:
    long, known = (Stimulus(kind=kind, frequency_hz=1e3, mains_hz=mains) for mains in ((50, 60), (50,)))
    assert known.tones == long.tones
    assert known == long  # the records of runs find it, whatever its bench


@pytest.mark.parametrize("frequency_hz", [0.0, -1.0, math.nan, math.inf, 1e7])
def test_no_pair_for_what_is_no_tone(frequency_hz: float) -> None:
    with pytest.raises(UsageError, match="1 Hz to 1 MHz"):
        choose_tones(frequency_hz)


@pytest.mark.parametrize(
    ("frequency_hz", "mains"),
    [(50.0, True), (60.0, True), (150.0, True), (53.0, True), (57.0, True), (137.0, False), (1000.0, False)],
)
def test_a_line_of_the_mains_is_told_as_well_as_a_tenth_of_a_second_can(
    frequency_hz: float, mains: bool
) -> None:
    assert is_mains(frequency_hz, 0.1) == mains


@settings(deadline=None, derandomize=True)
@given(peak_v=st.floats(0, 15))
def test_a_range_holds_the_signal_and_the_next_finer_would_not(peak_v: float) -> None:
    picked = pick_range(peak_v, RANGES, 8)
    assert 2 * peak_v <= 0.8 * 8 * picked
    index = RANGES.index(picked)
    if index:
        assert 2 * peak_v > 0.8 * 8 * RANGES[index - 1]


@pytest.mark.parametrize("emf_vrms", [1e-6, 1e-3, 0.03, 0.6, 5.0])
@pytest.mark.parametrize("start", [RANGES[0], 0.1, RANGES[-1]])
def test_ranging_settles_wherever_it_starts(emf_vrms: float, start: float) -> None:
    bench = SyntheticBench(11)
    tones = TonePair(hot_hz=980.0, cold_hz=1010.0, duration_s=0.1, samples=2000)
    ranges = dict.fromkeys(bench.inputs, start)
    transfer = through(4)
    transfer[2:] = 0  # inputs 3 and 4 are silent
    for _ in range(8):
        capture = bench.capture(transfer, tones, (emf_vrms, emf_vrms), ranges)
        ranging = next_range(capture, RANGES, 8)
        if ranging.settled:
            break
        ranges = dict(ranging.volts_per_division)
    assert ranging.settled
    assert ranges[3] == ranges[4] == RANGES[0]
    peak_v = math.sqrt(2) * emf_vrms
    fill = 2 * peak_v / (8 * ranges[1])
    assert capture.clipped[0] == 0
    assert ranges[1] == RANGES[0] or 0.25 <= fill <= 0.95


def test_an_overdriven_scope_settles_at_its_coarsest() -> None:
    bench = SyntheticBench(1)
    tones = TonePair(hot_hz=980.0, cold_hz=1010.0, duration_s=0.1, samples=2000)
    capture = bench.capture(through(4), tones, (50.0, 50.0), dict.fromkeys(bench.inputs, 5.0))
    assert next_range(capture, RANGES, 8).settled
    assert min(capture.clipped) > 0


def test_a_ladder_goes_down_range_by_range_as_far_as_the_generator_can() -> None:
    rungs = ladder_rungs(0.05, RANGES, 8, least_peak_v=2e-3)
    assert [rung.finer_v_per_division for rung in rungs] == pytest.approx([0.02, 0.01, 0.005, 0.002, 0.001])
    assert [rung.coarser_v_per_division for rung in rungs] == pytest.approx([0.05, 0.02, 0.01, 0.005, 0.002])
    assert all(0.6 <= 2 * rung.peak_v / (8 * rung.finer_v_per_division) <= 0.8 for rung in rungs)
    assert len(ladder_rungs(0.05, RANGES, 8, least_peak_v=5e-3)) == 4
    assert np.all([rung.peak_v >= 5e-3 for rung in ladder_rungs(0.05, RANGES, 8, least_peak_v=5e-3)])


@pytest.mark.parametrize("frequency_hz", [20.0, 100.0, 1e3, 3e3, 10e3, 20e3])
def test_the_fewest_samples_fold_no_low_harmonic_onto_a_tone(frequency_hz: float) -> None:
    """Closed form: of n samples a line of c cycles looks like one of |c - n m|, for some whole m."""
    stimulus = Stimulus(kind="pair", frequency_hz=frequency_hz, level_vrms=1.0)
    tones, fewest = stimulus.tones, stimulus.fewest_samples
    assert fewest <= tones.samples
    cycles = [round(hz * tones.duration_s) for hz in tones.frequencies_hz]
    for harmonic in range(2, 19):
        for count in cycles:
            folded = abs(harmonic * count - fewest * round(harmonic * count / fewest))
            assert folded not in cycles


@pytest.mark.parametrize("kind", ["terminated", "antiphase"])
def test_a_spectrum_needs_every_sample(kind: Literal["terminated", "antiphase"]) -> None:
    stimulus = Stimulus(kind=kind, frequency_hz=1e3, level_vrms=1.0)
    assert stimulus.fewest_samples == stimulus.tones.samples
