"""Clicks: peak, energy and duration against closed forms and ngspice's transient of a coupling capacitor."""

import math
import subprocess
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from harness.errors import ReadingError
from harness.measure.changes.leg_changes import (
    Excess,
    LegChanges,
    band_limited,
    excess_of,
    find_leg_changes,
    measure_click,
)
from harness.measure.spectrum import band_pass
from harness.reading import Estimate
from tests.circuit.spice import ngspice
from tests.measure.changes import INSTANTS, INTERVAL_S, SAMPLES, STEP_V, TONES_HZ, Change, draw, kinds

FINE_STEP_V = 1e-4
EDGE_S = 0.0812


def silence(seed: int, added: float | NDArray[np.float64], *, noise_v: float = 2e-4) -> LegChanges:
    """Two silent legs with something on the hot one."""
    volts = noise_v * np.random.default_rng(seed).normal(size=(2, SAMPLES))
    volts[0] += added
    volts = np.round(volts / FINE_STEP_V) * FINE_STEP_V
    return find_leg_changes(volts, INTERVAL_S, (), step_v=(FINE_STEP_V, FINE_STEP_V), joined=False)


def decay(peak_v: float, time_s: float, start_s: float = EDGE_S) -> NDArray[np.float64]:
    since = INSTANTS - start_s
    return np.where(since >= 0, peak_v * np.exp(-np.maximum(since, 0) / time_s), 0.0)


def inside(estimate: Estimate, true: float, more: float = 1.5) -> bool:
    return abs(estimate.value - true) <= more * (estimate.high - estimate.value)


@pytest.mark.parametrize(("peak_v", "time_s"), [(0.1, 1e-3), (0.05, 3e-4), (0.5, 2e-3), (-0.1, 1e-3)])
def test_a_step_through_a_coupling_capacitor(peak_v: float, time_s: float) -> None:
    """dV into RC: energy dV² RC/2, and RC ln 10 = 2.302585 RC down to a tenth of the peak: closed forms."""
    result = measure_click(excess_of(silence(1, decay(peak_v, time_s)), {0: 1.0}, step_v=FINE_STEP_V))
    assert result.peak_v.value == pytest.approx(abs(peak_v), rel=0.02)
    assert inside(result.energy_v2s, peak_v**2 * time_s / 2, more=2)
    assert result.duration_s.value == pytest.approx(math.log(10) * time_s, rel=0.02)


def test_ngspices_transient_of_a_coupling_capacitor_is_measured_as_it_is(tmp_path: Path) -> None:
    """A 0.1 V step through 100 nF into 10 kohm, as ngspice has it."""
    deck = [
        "* a step through a coupling capacitor",
        "V1 in 0 PULSE(0 0.1 81.2m 1u 1u 1 2)",
        "C1 in out 100n",
        "R1 out 0 10k",
        ".control",
        "set noaskquit",
        "tran 10u 200m 0 10u",
        "wrdata out.data v(out)",
        "quit 0",
        ".endc",
        ".end",
    ]
    (tmp_path / "step.cir").write_text("\n".join(deck))
    subprocess.run(
        [ngspice(), "-b", tmp_path / "step.cir"], capture_output=True, timeout=60, cwd=tmp_path, check=True
    )
    time_s, volts = np.loadtxt(tmp_path / "out.data").T
    result = measure_click(
        excess_of(silence(2, np.interp(INSTANTS, time_s, volts)), {0: 1.0}, step_v=FINE_STEP_V)
    )
    assert result.peak_v.value == pytest.approx(volts.max(), rel=0.01)
    assert result.energy_v2s.value == pytest.approx(np.trapezoid(volts**2, time_s), rel=0.01)
    assert result.duration_s.value == pytest.approx(math.log(10) * 1e-3, rel=0.02)


def test_silence_has_no_click_and_says_below_what() -> None:
    result = measure_click(excess_of(silence(3, 0.0), {0: 1.0}, step_v=FINE_STEP_V))
    assert result.peak_v.floor
    assert result.energy_v2s.floor
    assert result.duration_s.floor
    assert result.peak_v.value < 8 * 2e-4


def small_click(random: np.random.Generator) -> NDArray[np.float64]:
    """Two exponentials, as a coil's pulse comes through a stray capacitance."""
    fall_s, rise_s = random.uniform(3e-4, 1.5e-3), random.uniform(3e-5, 1.2e-4)
    peak_v = random.uniform(2e-3, 8e-3)
    since = np.maximum(INSTANTS - EDGE_S - random.uniform(0, 1e-5), 0)
    volts = np.exp(-since / fall_s) - np.exp(-since / rise_s)
    return np.asarray(peak_v / volts.max() * volts)


@pytest.mark.parametrize("band", ["full", "audio"])
def test_small_clicks_have_their_peak_energy_and_duration_by_scipy(band: str) -> None:
    """3 to 15 times the noise; to 22 kHz as scipy.signal.sosfilt has it, sample after sample."""
    random, off = np.random.default_rng(21), []
    for seed in range(24):
        volts = small_click(random)
        excess = excess_of(silence(seed, volts, noise_v=5e-4), {0: 1.0}, step_v=FINE_STEP_V)
        if band == "audio":
            excess = band_limited(excess)
            sections = butter(3, (22.0, 22e3), "bandpass", fs=1 / INTERVAL_S, output="sos")
            volts = sosfilt(sections, volts)
        result = measure_click(excess)
        peak_v = float(np.abs(volts).max())
        long = np.flatnonzero(np.abs(volts) > 0.1 * peak_v)
        truths = (peak_v, float(np.sum(volts**2)) * INTERVAL_S, (long[-1] - long[0]) * INTERVAL_S)
        figures = (result.peak_v, result.energy_v2s, result.duration_s)
        off += [
            not estimate.low <= true <= estimate.high for estimate, true in zip(figures, truths, strict=True)
        ]
    assert sum(off) <= 9  # of 72 at 95 %: less than one chance in a hundred of more


@pytest.mark.parametrize("samples", [1, 2, 5, 20])
@pytest.mark.parametrize("times_the_noise", [6, 10, 30, 300])
def test_a_short_spike_has_a_duration_or_a_bound_of_one(samples: int, times_the_noise: int) -> None:
    first = round(EDGE_S / INTERVAL_S)
    spike = np.zeros(SAMPLES)
    spike[first : first + samples] = times_the_noise * 5e-4
    result = measure_click(excess_of(silence(5, spike, noise_v=5e-4), {0: 1.0}, step_v=FINE_STEP_V))
    duration = result.duration_s
    assert duration.high >= (samples - 1) * INTERVAL_S
    if not duration.floor:
        assert duration.low <= (samples + 1) * INTERVAL_S


def test_a_click_on_both_legs_alike_is_none_of_the_pair() -> None:
    volts = 2e-4 * np.random.default_rng(4).normal(size=(2, SAMPLES)) + decay(0.1, 1e-3)
    result = find_leg_changes(volts, INTERVAL_S, (), step_v=(FINE_STEP_V, FINE_STEP_V), joined=False)
    assert not measure_click(excess_of(result, {1: 1.0}, step_v=FINE_STEP_V)).peak_v.floor
    assert measure_click(excess_of(result, {0: 1.0, 1: -1.0}, step_v=FINE_STEP_V)).peak_v.floor


def test_a_drop_of_the_tone_is_no_click() -> None:
    """The missing tone is a discontinuity of the programme, told as a drop; nothing is left over it."""
    volts, _ = draw(Change(bounces=[(0.0820, 0.0821)]), 5)
    result = find_leg_changes(volts, INTERVAL_S, TONES_HZ, step_v=(STEP_V, STEP_V), joined=False)
    assert [kinds(leg) for leg in result.legs] == [("drop", "bounce")] * 2
    for leg in (0, 1):
        assert measure_click(excess_of(result, {leg: 1.0}, step_v=STEP_V)).peak_v.floor


def test_a_click_beside_a_drop_is_told_from_it() -> None:
    volts, _ = draw(Change(), 6, added=np.stack([decay(1.0, 1e-4, 0.0830), 0 * INSTANTS]))
    result = find_leg_changes(volts, INTERVAL_S, TONES_HZ, step_v=(STEP_V, STEP_V), joined=False)
    assert "drop" in kinds(result.legs[0])
    assert kinds(result.legs[1]) == ("drop",)
    click = measure_click(excess_of(result, {0: 1.0}, step_v=STEP_V))
    assert click.peak_v.value == pytest.approx(1.0, rel=0.08)
    assert measure_click(excess_of(result, {1: 1.0}, step_v=STEP_V)).peak_v.floor


def test_the_band_limit_takes_what_nobody_hears() -> None:
    """A 10 µs spike of 0.5 V has most of its energy over 22 kHz; a 1 ms decay has most of it under."""
    spike = np.where((EDGE_S <= INSTANTS) & (EDGE_S + 1e-5 > INSTANTS), 0.5, 0.0)
    short = excess_of(silence(7, spike), {0: 1.0}, step_v=FINE_STEP_V)
    ratio = measure_click(band_limited(short)).energy_v2s.value / measure_click(short).energy_v2s.value
    # a rectangle of 10 µs: its energy under 22 kHz is 2 T f of the whole, less what sinc² takes: 0.40
    assert ratio == pytest.approx(0.41, abs=0.05)
    long = excess_of(silence(8, decay(0.5, 1e-3)), {0: 1.0}, step_v=FINE_STEP_V)
    kept = measure_click(band_limited(long)).energy_v2s.value / measure_click(long).energy_v2s.value
    # Lorentzian: (2/pi) atan(w RC) between 22 Hz and 22 kHz is 0.907; the low end's order takes a little more
    assert kept == pytest.approx(0.90, abs=0.03)


@pytest.mark.parametrize("interval_s", [2e-6, 1.7e-5])
@pytest.mark.parametrize("samples", [63, 64, 100_000])
def test_the_band_pass_is_that_of_scipy(samples: int, interval_s: float) -> None:
    """As scipy works it out, sample after sample, in sections of second order."""
    volts = np.random.default_rng(samples).normal(size=(2, samples))
    sections = butter(3, (22.0, 22e3), "bandpass", fs=1 / interval_s, output="sos")
    result = band_pass(volts, interval_s, 22.0, 22e3, 3)
    assert result == pytest.approx(sosfilt(sections, volts), abs=1e-9)


def test_a_coarse_record_has_no_band_to_22_khz() -> None:
    volts = 1e-3 * np.random.default_rng(9).normal(size=(1, 4000))
    result = find_leg_changes(volts, 2e-5, (), step_v=(1e-4,), joined=False)
    with pytest.raises(ReadingError, match="no band up to"):
        band_limited(excess_of(result, {0: 1.0}, step_v=1e-4))


def test_the_inputs_gain_is_in_the_peak_once_and_in_the_energy_twice() -> None:
    excess = excess_of(silence(1, decay(0.1, 1e-3)), {0: 1.0}, step_v=FINE_STEP_V)
    result = measure_click(excess, gain_standard=0.02)
    assert result.peak_v.standard == pytest.approx(0.02 * result.peak_v.value, rel=0.02)
    assert result.energy_v2s.standard == pytest.approx(0.04 * result.energy_v2s.value, rel=0.02)


def pair(
    seed: int, hot: NDArray[np.float64], cold: NDArray[np.float64], *, gains: tuple[float, float] = (1.0, 1.0)
) -> Excess:
    """What is left of a silent pair with something on each leg, each seen through a gain of its own."""
    volts = 2e-4 * np.random.default_rng(seed).normal(size=(2, SAMPLES))
    volts += np.stack([gains[0] * hot, gains[1] * cold])
    result = find_leg_changes(volts, INTERVAL_S, (), step_v=(FINE_STEP_V, FINE_STEP_V), joined=False)
    return excess_of(result, {0: 1.0, 1: -1.0}, step_v=FINE_STEP_V)


def gain_share(estimate: Estimate) -> float:
    return next(line.standard for line in estimate.budget if line.name == "input gain")


def test_gains_of_two_inputs_that_share_a_click_add_as_their_squares() -> None:
    """Half of it on each leg, in antiphase: V sqrt(2) g/2, and E sqrt(2) g (JCGM 100:2008, 5.1.2)."""
    click = decay(0.1, 1e-3)
    result = measure_click(pair(11, click / 2, -click / 2), gain_standard=0.02)
    assert gain_share(result.peak_v) == pytest.approx(0.02 / math.sqrt(2) * result.peak_v.value, rel=0.02)
    energy = result.energy_v2s
    assert gain_share(energy) == pytest.approx(math.sqrt(2) * 0.02 * energy.value, rel=0.02)


@pytest.mark.parametrize("band", ["full", "audio"])
def test_a_click_that_both_legs_share_is_warned_of_by_the_inputs_gains(band: str) -> None:
    """0.5 V on both legs and 5 mV between them: inputs that differ by 1 % make another 5 mV of it."""
    shared, between = decay(0.5, 1e-3), decay(5e-3, 1e-3)
    true, seen = pair(12, between, 0 * shared), pair(12, shared + between, shared, gains=(1.01, 1.0))
    if band == "audio":
        true, seen = band_limited(true), band_limited(seen)
    clean, result = measure_click(true), measure_click(seen, gain_standard=0.01)
    assert result.peak_v.value > 1.8 * clean.peak_v.value
    assert result.peak_v.low <= clean.peak_v.value <= result.peak_v.high
    assert result.energy_v2s.low <= clean.energy_v2s.value <= result.energy_v2s.high


def test_gains_that_hide_a_click_are_in_the_bound_below_which_it_lies() -> None:
    """5 mV between the legs, which inputs of 1 % difference take away again: no click is seen."""
    shared = decay(0.5, 1e-3)
    result = measure_click(pair(13, 1.01 * shared, shared, gains=(1 / 1.01, 1.0)), gain_standard=0.01)
    assert result.peak_v.floor
    assert result.peak_v.value > 5e-3


def test_scipys_transient_of_a_coupling_capacitor_is_measured_as_it_is() -> None:
    """A pulse of 0.1 V, 50 us to rise and 3 ms long, through 100 nF into 10 kohm: scipy.signal.lsim."""
    from scipy.signal import lsim

    time_s = np.arange(0, 0.2, 1e-6)
    pulse = np.interp(time_s, [EDGE_S, EDGE_S + 5e-5, EDGE_S + 3e-3, EDGE_S + 3.05e-3], [0, 0.1, 0.1, 0])
    _, volts, _ = lsim(([1e-3, 0], [1e-3, 1]), pulse, time_s)
    result = measure_click(
        excess_of(silence(3, np.interp(INSTANTS, time_s, volts)), {0: 1.0}, step_v=FINE_STEP_V)
    )
    assert result.peak_v.value == pytest.approx(np.abs(volts).max(), rel=0.01)
    assert result.energy_v2s.value == pytest.approx(np.trapezoid(volts**2, time_s), rel=0.01)
    loud = time_s[np.abs(volts) > np.abs(volts).max() / 10]
    assert result.duration_s.value == pytest.approx(loud[-1] - loud[0], rel=0.02)
