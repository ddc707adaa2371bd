"""What a bench shows by itself is recorded with its reference, and comes back as it was."""

import json
from pathlib import Path

import numpy as np
import pytest

from harness.circuit.elements import BenchImpedances
from harness.job.job import load_job
from harness.measure.own_noise import OwnNoise
from harness.measure.reference import LIFE_S, BenchResiduals, Reference
from harness.measure.residuals import measure_harmonics, noise, thd
from harness.measure.through import harmonic_drift, noise_drift
from harness.plan.build import build_plan
from harness.roles import Capture, CaptureSetting, InputSetting
from harness.session.through import lacks

INTERVAL_S, SAMPLES, STEP_V = 5e-6, 20_000, 1e-3
JOB = Path(__file__).resolve().parents[2] / "sequences" / "stepped_attenuator"
BENCH = ("generator 1", "scope 1")


def record(seed: int, rms_v: float) -> Capture:
    volts = np.random.default_rng(seed).normal(0.0, rms_v, (2, SAMPLES))
    setting = CaptureSetting(
        inputs={1: InputSetting(volts_per_division=0.01), 2: InputSetting(volts_per_division=0.01)},
        duration_s=INTERVAL_S * SAMPLES,
        samples=SAMPLES,
    )
    return Capture(
        inputs=(1, 2), volts=np.rint(volts / STEP_V) * STEP_V, interval_s=INTERVAL_S,
        full_scale_v=(0.08, 0.08), step_v=(STEP_V, STEP_V), clipped=(0, 0), setting=setting,
    )  # fmt: skip


def distorted(seed: int, third: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    at = np.arange(SAMPLES) * INTERVAL_S
    tone = np.sin(2 * np.pi * 1e3 * at) + third * np.sin(2 * np.pi * 3e3 * at)
    return np.array([tone, -tone]) + np.random.default_rng(seed).normal(0.0, 1e-3, (2, SAMPLES))


def residuals_of(seed: int, *, rms_v: float = 2e-3, third: float = 3e-4) -> BenchResiduals:
    result = measure_harmonics(distorted(seed, third), INTERVAL_S, 1e3, step_v=(STEP_V, STEP_V))
    return BenchResiduals(noise=(OwnNoise.of(record(seed, rms_v)),), harmonics={(1e3, 1.228, 0): (result,)})


def reference(residuals: BenchResiduals) -> Reference:
    return Reference(taken_s=1000.0, instruments=BENCH, tones=(), offsets=(), residuals=residuals)


def kept(one: Reference) -> Reference:
    return Reference.from_dict(json.loads(json.dumps(one.to_dict(), allow_nan=False)))


def test_noise_and_distortion_are_the_same_with_what_was_kept() -> None:
    own = residuals_of(1)
    back = kept(reference(own)).residuals
    (first,), (again,) = own.noise, back.noise
    assert (again.inputs, again.volts_per_division) == ((1, 2), (0.01, 0.01))
    assert again.above_v2_hz == first.above_v2_hz
    seen = record(2, 3e-3)
    one, other, whole = (
        noise(seen.volts, INTERVAL_S, own_volts=volts, own_interval_s=step_s, step_v=(STEP_V, STEP_V))
        for volts, step_s in (
            (first.volts, first.interval_s),
            (again.volts, again.interval_s),
            (record(1, 2e-3).volts, INTERVAL_S),
        )
    )
    for same in (one, whole):  # sixteen bits, and all that lies above 50 kHz left out
        assert other.value == pytest.approx(same.value, rel=1e-4)
        assert other.standard == pytest.approx(same.standard, rel=1e-4)
    unit = measure_harmonics(distorted(3, 1e-3), INTERVAL_S, 1e3, step_v=(STEP_V, STEP_V))
    assert thd(unit, back.harmonics[1e3, 1.228, 0][0]) == thd(unit, own.harmonics[1e3, 1.228, 0][0])


def test_what_was_kept_before_has_none_and_still_reads() -> None:
    old = reference(BenchResiduals()).to_dict()
    del old["bare"]
    assert Reference.from_dict(old).residuals.noise == ()


def test_a_record_of_noise_stays_small() -> None:
    assert len(json.dumps(reference(residuals_of(1)).to_dict())) < 60_000  # bytes of 40,000 samples


@pytest.mark.parametrize("seed", range(5))
def test_drift_of_noise_and_harmonics_is_told_with_what_it_is_worth(seed: int) -> None:
    before = reference(residuals_of(10 + seed))
    louder = reference(residuals_of(20 + seed, rms_v=2.4e-3, third=8e-4))
    (noisier,) = noise_drift(louder, before)
    # 20 log10(2.4/2) and a little less, as half a code of quantisation is in both
    assert noisier.change_db == pytest.approx(1.58, abs=3 * noisier.standard_db + 0.05)
    (other,) = harmonic_drift(louder, before)
    assert other.change == pytest.approx(5e-4, abs=3 * other.standard)
    (same,) = noise_drift(reference(residuals_of(30 + seed)), before)
    assert abs(same.change_db) < 4 * same.standard_db
    (still,) = harmonic_drift(reference(residuals_of(30 + seed)), before)
    assert still.change < 4 * still.standard


@pytest.mark.parametrize(("now_v", "before_v"), [(0.0, 2e-3), (2e-3, 0.0), (0.0, 0.0)])
def test_a_pair_that_shows_no_noise_at_all_is_compared_with_nothing(now_v: float, before_v: float) -> None:
    """Every sample on one code, as on too coarse a range: that has no level in decibels."""
    now, before = (
        reference(BenchResiduals(noise=(OwnNoise.of(record(1, rms_v)),))) for rms_v in (now_v, before_v)
    )
    assert noise_drift(now, before) == ()
    (there,) = noise_drift(
        reference(BenchResiduals(noise=(OwnNoise.of(record(2, 2e-3)),))),
        reference(BenchResiduals(noise=(OwnNoise.of(record(1, 2e-3)),))),
    )
    assert abs(there.change_db) < 4 * there.standard_db


def test_it_is_said_what_a_plan_lacks() -> None:
    plan = build_plan(load_job(JOB), impedances=BenchImpedances())
    assert lacks(BenchResiduals(), plan)
    assert lacks(residuals_of(1), plan)  # another level
    level_vrms = next(
        acquisition.stimulus.level_vrms
        for acquisition in plan.acquisitions
        if acquisition.stimulus.kind == "antiphase"
    )
    whole = residuals_of(1)
    assert not lacks(
        BenchResiduals(noise=whole.noise, harmonics={(1e3, level_vrms, 0): whole.harmonics[1e3, 1.228, 0]}),
        plan,
    )


def test_it_expires_and_is_another_benchs() -> None:
    one = reference(residuals_of(1))
    assert one.serves(1000.0 + LIFE_S, BENCH)
    assert not one.serves(1001.0 + LIFE_S, BENCH)
    assert not one.serves(1001.0, ("generator 1", "scope 2"))
