"""The same jobs give the same plans, and the same captures the same readings, as when these were kept."""

import json
import lzma
import math
import re
from dataclasses import replace
from typing import Any

import pytest

from harness.measure.reference import Reference
from tests.frozen.kept import HERE, JOBS, kept_run
from tests.frozen.made import job_of, noise_readings, plan_rows, planned, reading_rows

WITHIN = 1e-9  # of a number: no rounding of another order of sums is more
OF_CHANGES = ("operate_time", "release_time", "bounce", "gap", "transient")
"""Quantities of then that are found in another way since: what they were is no measure of them."""
NOW: dict[str, tuple[str, ...]] = {"transient": ("click_peak", "click_energy")}
"""Words of then, and which may stand in their place now."""

RENAMED = (
    (r"^idle$", "terminated"),
    (r"\brest\b", "idle"),
    (r"\bkey_([ab])\b", r"pad_\1"),
    (r"^balance$", "leg_gain_difference"),
    (r"^balance_phase$", "leg_phase_error"),
    (r"^channel_match$", "channel_gain_difference"),
    (r"^channel_phase$", "channel_phase_difference"),
    (r"^offset$", "dc_offset"),
    (r"^gap$", "transfer_time"),
    (r"^bounce$", "bounce_time"),
    (r"^capacitance$", "coupling_capacitance"),
    (r"^Leg balance$", "Leg gain difference"),
    (r"^Channel match$", "Channel gain difference"),
    (r"^Direct voltage$", "DC offset"),
    (r"^Bounce$", "Bounce time"),
    (r"^Break before make$", "Transfer time"),
    (r"^Dry contacts$", "Low-level gain"),
    (r"\bscope inputs exchanged$", "scope inputs swapped"),
    (r"\bview output and lines$", "view output and control lines"),
)
"""Words of then, as patterns, and what they became."""


def renamed(word: str) -> str:
    """A word of then as it is now."""
    for pattern, new in RENAMED:
        word, times = re.subn(pattern, new, word)
        if times:
            return word
    return word


def expected(name: str) -> Any:
    return json.loads(lzma.decompress((HERE / f"{name}.json.xz").read_bytes()))


def assert_same(result: Any, wanted: Any, where: str, nothing: float = 1e-20) -> None:
    """nothing: what a number is that is zero but for rounding."""
    match wanted:
        case list():
            assert len(result) == len(wanted), where
            for index, (one, other) in enumerate(zip(result, wanted, strict=True)):
                assert_same(one, other, f"{where}[{index}]", nothing)
        case str():
            assert result in NOW.get(wanted, (renamed(wanted),)), where
        case float() if not math.isfinite(wanted):
            assert result == wanted, where
        case float():
            assert result == pytest.approx(wanted, rel=WITHIN, abs=nothing), where
        case _:
            assert result == wanted, where


@pytest.mark.parametrize("job", JOBS)
def test_a_job_gives_the_plan_that_it_gave(job: str) -> None:
    rows = plan_rows(planned(job_of(job)))
    wanted = expected("plans")[job]
    assert set(rows) == set(wanted)
    changes = len(wanted["acquisitions"][-1])
    wanted["acquisitions"] = [row[:3] if len(row) == changes else row for row in wanted["acquisitions"]]
    for part, these in rows.items():
        assert_same(these, wanted[part], f"{job} {part}", 1e-15)


@pytest.mark.parametrize("job", JOBS)
def test_captures_give_the_readings_that_they_gave(job: str) -> None:
    wanted = [row for row in expected("readings")[job] if row[1] not in OF_CHANGES]
    rows = reading_rows(job)
    assert len(rows) == len(wanted)
    for row, kept in zip(rows, wanted, strict=True):
        # Decibels and degrees of a ratio near 1 end where doubles do; another processor rounds otherwise.
        assert_same(row, kept, f"{job} {kept}", 1e-13 if kept[6] in ("dB", "dBu", "deg") else 1e-20)


def test_a_bench_record_on_another_range_is_not_taken_off_a_units_noise() -> None:
    job = job_of("two_loop_switcher", "sequence_small.toml")
    kept = kept_run("two_loop_switcher")
    reference = Reference.from_dict(kept.result["reference"])
    (bench,) = reference.residuals.noise
    elsewhere = replace(bench, volts_per_division=tuple(2 * each for each in bench.volts_per_division))
    (same, both, other, none) = (
        noise_readings(job, replace(reference, residuals=replace(reference.residuals, noise=records)))
        for records in ((bench,), (elsewhere, bench), (elsewhere,), ())
    )
    assert same == both
    assert len(none) == 6
    assert other == none != same
