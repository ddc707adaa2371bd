"""A capture that can't be believed is never a plausible number: it is refused, flagged, or covered."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import ReadingError
from harness.measure.captures import examine
from harness.measure.tone import ToneFit, fit_tones
from harness.measure.tones import TonePair, choose_tones
from harness.roles import Capture
from tests.measure.synthetic import SyntheticBench, fit_of, through

TONES = TonePair(hot_hz=980.0, cold_hz=1010.0, duration_s=0.1, samples=4000)
INSTANTS = np.arange(4000) * 0.1 / 4000
RANGE = 0.5


def shoot(
    emf_vrms: tuple[float, float] = (0.6, 0.6), *, seed: int = 1, tones: TonePair = TONES, **how: Any
) -> Capture:
    bench = SyntheticBench(seed, inputs=(1, 2), gain_accuracy=0.0, generator_accuracy=0.0)
    return bench.capture(through(2, 1.0), tones, emf_vrms, {1: RANGE, 2: RANGE}, **how)


def kinds(capture: Capture, fit: ToneFit) -> set[str]:
    return {problem.kind for problem in examine(capture, fit)}


def refused(capture: Capture, fit: ToneFit) -> bool:
    return any(problem.refuses for problem in examine(capture, fit))


def test_a_good_capture_has_no_problem() -> None:
    capture = shoot()
    assert list(examine(capture, fit_of(capture, TONES))) == []


def test_hum_is_said_and_refuses_nothing() -> None:
    capture = shoot(hum_vrms=0.3)
    problems = list(examine(capture, fit_of(capture, TONES)))
    assert {problem.kind for problem in problems} == {"hum"}
    assert not any(problem.refuses for problem in problems)
    assert problems[0].sentence == "input 1 shows 0.3 V RMS of mains hum besides 0.6 V of tone"


def test_an_underfilled_input_is_said() -> None:
    capture = shoot((0.1, 0.6))
    problems = [p for p in examine(capture, fit_of(capture, TONES)) if p.kind == "underfilled"]
    assert [p.input for p in problems] == [1]


def test_silence_is_no_tone_and_no_error() -> None:
    capture = shoot((1e-9, 1e-9))
    assert kinds(capture, fit_of(capture, TONES)) == {"underfilled", "no_tone"}
    assert not refused(capture, fit_of(capture, TONES))


def test_noise_alone_is_rarely_taken_for_a_tone() -> None:
    result = 0
    for seed in range(200):
        capture = shoot((1e-9, 1e-9), seed=seed)
        result += sum(
            p.kind != "no_tone" for p in examine(capture, fit_of(capture, TONES)) if p.kind != "underfilled"
        )
        result += "no_tone" not in kinds(capture, fit_of(capture, TONES))
    assert result <= 8  # 800 tones at 2.2 in a thousand


@pytest.mark.parametrize("above_floor", [6.0, 12.0, 40.0])
def test_a_line_as_noise_makes_one_is_no_signal_beside_a_tone_that_hardly_shows(above_floor: float) -> None:
    """One bin in ten million of noise stands so far out, and a batch of units has thousands of millions."""
    silent = shoot((1e-9, 1e-9))
    fit = fit_of(silent, TONES)
    control_v = (
        5.0 * fit.quiet_v[0] / math.sqrt(len(INSTANTS) / 2)
    )  # 25 times the power of a bin of the noise
    line = control_v * math.sqrt(2) * np.sin(2 * np.pi * 8530.0 * INSTANTS)
    capture = shoot((above_floor * fit.standard[0, 0], 1e-9), added=line[None])
    result = fit_of(capture, TONES)
    assert result.lines_v[0] > 0.03 * abs(result.phasors[0]).max()
    assert [p for p in examine(capture, result) if p.input == 1 and p.kind != "underfilled"] == []


def test_a_record_shorter_than_asked_for_is_refused() -> None:
    whole = shoot()
    short = replace(whole, volts=whole.volts[:, :1000])
    assert refused(short, fit_of(short, TONES))


@settings(max_examples=60, deadline=None, derandomize=True)
@given(over=st.floats(1.02, 20), seed=st.integers(0, 1000))
def test_a_clipped_tone_is_refused_however_slightly_it_clips(over: float, seed: int) -> None:
    capture = shoot((over * 2 / math.sqrt(2), 0.3), seed=seed)
    fit = fit_of(capture, TONES)
    assert capture.clipped[0] > 0
    assert any(p.kind == "clipped" and p.input == 1 and p.refuses for p in examine(capture, fit))


@settings(max_examples=60, deadline=None, derandomize=True)
@given(cut=st.floats(0.3, 0.85), seed=st.integers(0, 1000))
def test_a_tone_clipped_before_the_scope_is_refused(cut: float, seed: int) -> None:
    """An overdriven stage flattens the tone inside the range: no sample stands at the end."""
    peak_v = 0.6 * math.sqrt(2)
    random = np.random.default_rng(seed)
    wave = np.sin(2 * np.pi * TONES.hot_hz * INSTANTS + random.uniform(0, 6))
    capture = shoot((1e-9, 1e-9), seed=seed, added=np.clip(peak_v * wave, -cut * peak_v, cut * peak_v)[None])
    assert refused(capture, fit_of(capture, TONES))


@settings(max_examples=60, deadline=None, derandomize=True)
@given(cycles=st.floats(0.02, 0.7), phase=st.floats(0, 6.28), seed=st.integers(0, 1000))
def test_half_a_cycle_is_refused(cycles: float, phase: float, seed: int) -> None:
    duration_s = cycles / 980.0
    instants = np.linspace(0, duration_s, 4000, endpoint=False)
    noise = 0.015 * np.random.default_rng(seed).normal(size=(2, 4000))
    volts = noise + 0.8 * np.sin(2 * np.pi * 980.0 * instants + phase)
    capture = replace(shoot(), volts=volts, interval_s=duration_s / 4000)
    try:
        fit = fit_of(capture, TONES)
    except ReadingError:
        return
    assert "too_few_cycles" in kinds(capture, fit)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(
    other_hz=st.floats(10, 19_000).filter(lambda hz: abs(hz - 995) > 45),
    level_vrms=st.floats(0.05, 0.6),
    seed=st.integers(0, 1000),
)
def test_a_tone_at_a_wrong_frequency_is_never_a_silent_port(
    other_hz: float, level_vrms: float, seed: int
) -> None:
    """A generator left at another frequency, or a tone folded down by undersampling, in place of ours."""
    wave = level_vrms * math.sqrt(2) * np.sin(2 * np.pi * other_hz * INSTANTS + seed)
    capture = shoot((1e-9, 1e-9), seed=seed, added=wave[None])
    result = kinds(capture, fit_of(capture, TONES))
    assert refused(capture, fit_of(capture, TONES)) or "hum" in result


@settings(max_examples=60, deadline=None, derandomize=True)
@given(part=st.floats(0.1, 0.9), left=st.floats(0.0, 0.8), seed=st.integers(0, 1000))
def test_a_contact_that_opens_during_the_record_is_refused(part: float, left: float, seed: int) -> None:
    gate = np.where(np.arange(4000) < part * 4000, 1.0, left)
    wave = 0.8 * gate * np.sin(2 * np.pi * TONES.hot_hz * INSTANTS + seed)
    capture = shoot((1e-9, 1e-9), seed=seed, added=wave[None])
    assert refused(capture, fit_of(capture, TONES))


@pytest.mark.parametrize("frequency_hz", [99_980.0, 100_010.0, 2e5])
def test_too_few_samples_a_cycle_are_refused(frequency_hz: float) -> None:
    with pytest.raises(ReadingError, match="taken for another one"):
        fit_tones(np.zeros((2, 20_000)), 5e-6, [frequency_hz])


@settings(max_examples=50, deadline=None, derandomize=True)
@given(
    level_vrms=st.floats(1e-5, 1.2),
    volts_per_division=st.sampled_from([0.01, 0.05, 0.1, 0.5, 1.0]),
    noise_divisions=st.sampled_from([0.0, 0.005, 0.03, 0.06]),
    dc_divisions=st.floats(-1, 1),
    frequency_hz=st.sampled_from([20.0, 100.0, 1e3, 1e4, 2e4]),
    seed=st.integers(0, 10_000),
)
def test_a_capture_without_a_refusal_is_right_within_what_it_claims(
    level_vrms: float,
    volts_per_division: float,
    noise_divisions: float,
    dc_divisions: float,
    frequency_hz: float,
    seed: int,
) -> None:
    tones = choose_tones(frequency_hz)
    bench = SyntheticBench(
        seed, inputs=(1, 2), gain_accuracy=0.0, generator_accuracy=0.0, noise_divisions=noise_divisions
    )
    ranges = {1: volts_per_division, 2: 2.0}
    dc_v = dc_divisions * volts_per_division
    capture = bench.capture(through(2, 1.0), tones, (level_vrms, 1.2), ranges, dc_v=dc_v)
    fit = fit_of(capture, tones)
    if refused(capture, fit):
        return
    # 5 standard uncertainties of each part; the level's ends are where a Gaussian is never seen
    assert abs(abs(fit.phasors[0, 0]) - level_vrms) <= 5 * math.sqrt(2) * fit.standard[0, 0]
    assert abs(fit.offset_v[0] - dc_v) <= 6 * fit.offset_standard_v[0]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    fold=st.integers(1, 5),
    off_hz=st.floats(-19_000, 19_000).filter(
        lambda hz: min(abs(abs(hz) - tone) for tone in (980, 1010)) > 30
    ),
    level_vrms=st.floats(0.05, 0.6),
    seed=st.integers(0, 1000),
)
def test_a_tone_from_beyond_half_the_sample_rate_is_never_a_reading(
    fold: int, off_hz: float, level_vrms: float, seed: int
) -> None:
    """Sampled at 40 kHz, it shows at another place in the band: besides our tones, or in place of them."""
    wave = level_vrms * math.sqrt(2) * np.sin(2 * np.pi * (40_000 * fold + off_hz) * INSTANTS + seed)
    capture = shoot((1e-9, 1e-9), seed=seed, added=wave[None])
    result = kinds(capture, fit_of(capture, TONES))
    assert (
        refused(capture, fit_of(capture, TONES)) or "hum" in result or abs(off_hz) < 30
    )  # shows as an offset


@settings(max_examples=60, deadline=None, derandomize=True)
@given(level_vrms=st.floats(0.01, 1.2), dead=st.integers(0, 1), seed=st.integers(0, 10_000))
def test_a_tone_that_is_missing_beside_the_other_is_no_more_than_its_floor(
    level_vrms: float, dead: int, seed: int
) -> None:
    """One output of the generator is dead: its column holds what the uncertainty says, and nothing else."""
    emf_vrms = [level_vrms, level_vrms]
    emf_vrms[dead] = 1e-12
    capture = shoot((emf_vrms[0], emf_vrms[1]), seed=seed)
    fit = fit_of(capture, TONES)
    if not refused(capture, fit):
        assert (np.abs(fit.phasors[:, dead]) <= 5 * math.sqrt(2) * fit.standard[:, dead]).all()


@pytest.mark.parametrize("corner_hz", [30.0, 500.0])
def test_noise_that_rises_to_low_frequencies_and_ends_at_a_high_one_is_no_other_signal(
    corner_hz: float,
) -> None:
    """White noise with 1/f below a corner and two poles at 20 kHz: an amplifier's, and no line in it."""
    samples, rate_hz = 20_000, 200e3
    hz = np.fft.rfftfreq(samples, 1 / rate_hz)
    shape = np.sqrt((1 + corner_hz / np.maximum(hz, 1.0)) / (1 + (hz / 20e3) ** 4))
    wrong = 0
    for seed in range(20):
        random = np.random.default_rng(seed)
        volts = np.fft.irfft(np.fft.rfft(random.normal(0.0, 1e-4, samples)) * shape, samples)
        volts = volts + random.normal(0.0, 1e-6, samples)
        tones = choose_tones(10e3)
        volts = volts + 1.5e-5 * np.sin(2 * np.pi * tones.hot_hz * np.arange(samples) / rate_hz)
        capture = replace(shoot(), inputs=(1,), volts=volts[None], interval_s=1 / rate_hz, clipped=(0,))
        wrong += refused(capture, fit_tones(capture.volts, 1 / rate_hz, tones.frequencies_hz))
    assert wrong == 0


def test_a_tones_own_harmonics_are_no_other_signal_where_they_are_measured() -> None:
    """A clipping amplifier makes 10 % of third harmonic: a reading, and no record to be refused."""
    angle = 2 * np.pi * TONES.hot_hz * INSTANTS
    third = shoot((0.4, 0.0), added=0.04 * math.sqrt(2) * np.sin(3 * angle))
    other = shoot((0.4, 0.0), added=0.04 * math.sqrt(2) * np.sin(2.71 * angle))
    for capture, own in ((third, set()), (other, {"foreign"})):
        fit = fit_tones(capture.volts, capture.interval_s, (TONES.hot_hz,), step_v=capture.step_v)
        found = {problem.kind for problem in examine(capture, fit, of_harmonics=True)}
        assert found - {"underfilled", "no_tone"} == own
        assert "foreign" in kinds(capture, fit)
