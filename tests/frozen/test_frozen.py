"""The same jobs give the same plans, and the same captures the same readings, as when these were kept."""

import json
import lzma
import math
from dataclasses import replace
from typing import Any

import pytest

from harness.measure.reference import Reference
from tests.frozen.kept import HERE, JOBS, kept_run
from tests.frozen.made import job_of, noise_readings, plan_rows, planned, reading_rows

WITHIN = 1e-9  # of a number: no rounding of another order of sums is more
NOW: dict[str, tuple[str, ...]] = {"transient": ("click_peak", "click_energy")}
"""Words of then, and which may stand in their place now."""


def expected(name: str) -> Any:
    return json.loads(lzma.decompress((HERE / f"{name}.json.xz").read_bytes()))


def assert_same(found: Any, wanted: Any, where: str, nothing: float = 1e-20) -> None:
    """nothing: what a number is that is zero but for rounding."""
    match wanted:
        case list():
            assert len(found) == len(wanted), where
            for index, (one, other) in enumerate(zip(found, wanted, strict=True)):
                assert_same(one, other, f"{where}[{index}]", nothing)
        case str():
            assert found in NOW.get(wanted, (wanted,)), where
        case float() if not math.isfinite(wanted):
            assert found == wanted, where
        case float():
            assert found == pytest.approx(wanted, rel=WITHIN, abs=nothing), where
        case _:
            assert found == wanted, where


@pytest.mark.parametrize("job", JOBS)
def test_a_job_gives_the_plan_that_it_gave(job: str) -> None:
    rows = plan_rows(planned(job_of(job)))
    wanted = expected("plans")[job]
    assert set(rows) == set(wanted)
    for part, these in rows.items():
        assert_same(these, wanted[part], f"{job} {part}", 1e-15)


@pytest.mark.parametrize("job", JOBS)
def test_captures_give_the_readings_that_they_gave(job: str) -> None:
    assert_same(reading_rows(job), expected("readings")[job], job)


def test_a_bench_record_on_another_range_is_not_taken_off_a_units_noise() -> None:
    job = job_of("two_loop_switcher", "sequence_small.toml")
    kept = kept_run("two_loop_switcher")
    reference = Reference.from_dict(kept.found["reference"])
    bench = reference.bare.noise
    assert bench is not None
    coarser = {
        number: replace(one, volts_per_division=2 * one.volts_per_division)
        for number, one in bench.setting.inputs.items()
    }
    elsewhere = replace(bench, setting=replace(bench.setting, inputs=coarser))
    (same, other, none) = (
        noise_readings(job, replace(reference, bare=replace(reference.bare, noise=record)))
        for record in (bench, elsewhere, None)
    )
    assert len(none) == 6
    assert other == none != same
