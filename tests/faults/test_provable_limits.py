"""Which limits a bench can't prove, and which it makes wide: said before any unit is touched."""

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.faults.provable import Obstacle, computed_limits, tight_limits, tight_sentences
from harness.job.job import Job, load_job
from harness.plan.build import build_plan
from harness.plan.model import Plan
from tests.cli.commands import switchwalk
from tests.jobs import check_of, edit, insert_switch, job_in, sequence
from tests.known import known

BENCH = BenchImpedances()


def insert(folder: Path, *checks: str) -> tuple[Job, Plan]:
    job = insert_switch(folder)
    (job / "sequence.toml").write_text(
        sequence(*checks, states=["idle"], channels=["left"]), encoding="utf-8"
    )
    read = load_job(job)
    return read, build_plan(read, impedances=BENCH)


def test_without_a_through_reference_the_inputs_gains_are_in_the_way(tmp_path: Path) -> None:
    """Closed form: each of two gains is within ±2 %, so k = 2 of their ratio is 2 √2 · 0.02/√3."""
    job, plan = insert(tmp_path, check_of("leg_gain_difference", within="0.2 dB"))
    assert tight_limits(job, plan) == ()
    (tight,) = tight_limits(job, replace(plan, through=None))
    obstacle = known(tight.obstacle)
    gains = 2 * math.sqrt(2) * 0.02 / math.sqrt(3)
    assert (obstacle.line, obstacle.helps[:19]) == ("input gain", "a through reference")
    assert obstacle.expanded == pytest.approx(20 * math.log10(1 + gains), rel=1e-3)
    assert tight.margin < 1
    (sentence,) = tight_sentences([tight])
    assert sentence.startswith(
        "Leg gain difference, within 0.20 dB, leg gain difference at left.out, idle: input gain ± 0.28 dB; "
        "without it ± 0.14 dB. What helps: a through reference"
    )


def test_parts_of_wide_tolerance_are_in_the_way(tmp_path: Path) -> None:
    """Closed form: two loads of 5 kohm within 20 % behind 50 ohm each: 1 % of their change is seen."""
    assert tight_limits(*insert(tmp_path, check_of("gain", within="0.02 dB"))) == ()
    edit(tmp_path / "fixture.toml", 'legs = "5 kohm"', 'legs = "5 kohm", tolerance = "20 %"')
    job = load_job(tmp_path)
    plan = build_plan(job, impedances=BENCH)
    (tight,) = tight_limits(job, plan)
    obstacle = known(tight.obstacle)
    assert obstacle.line == "tolerance of parts"
    # k √2 (of the prediction as well) · 20 lg(1 + 0.0099 · 0.2/√3 · √½)
    assert obstacle.expanded == pytest.approx(
        2 * math.sqrt(2) * 8.686 * 0.0099 * 0.2 / math.sqrt(6), rel=0.02
    )
    assert "closer tolerance" in obstacle.helps


def test_a_limit_from_the_tolerance_is_never_called_tight(tmp_path: Path) -> None:
    job, plan = insert(tmp_path, check_of("leg_gain_difference", within="tolerance"))
    alone = replace(plan, through=None)
    assert tight_limits(job, alone) == ()
    (computed,) = computed_limits(job, alone)
    assert known(computed.obstacle).line == "input gain"
    assert known(computed.alone.high) < known(computed.limit.high) / 2


def test_what_a_bench_without_errors_would_need_is_the_parts_alone(tmp_path: Path) -> None:
    job, plan = insert(tmp_path, check_of("gain", within="tolerance"))
    edit(tmp_path / "fixture.toml", 'legs = "5 kohm"', 'legs = "5 kohm", tolerance = "20 %"')
    wide = load_job(tmp_path)
    (computed,) = computed_limits(wide, build_plan(wide, impedances=BENCH))
    assert computed.obstacle is None
    (of_bench,) = computed_limits(job, plan)
    assert known(of_bench.obstacle).line == "noise"


@pytest.mark.parametrize(
    ("obstacle", "words"),
    [
        (
            Obstacle(line="input gain", expanded=0.18, rest=0.02, unit="dB", is_level=False, helps=""),
            "input gain ± 0.18 dB; without it ± 0.02 dB",
        ),
        (
            Obstacle(line="noise", expanded=-98.25, rest=-110.0, unit="dB", is_level=True, helps="a drum"),
            "noise as of -98.25 dB; without it as of -110.00 dB. What helps: a drum",
        ),
        (
            Obstacle(line="supply's meter", expanded=1e-3, rest=0.0, unit="A", is_level=False, helps=""),
            "supply's meter ± 1 mA",
        ),
    ],
)
def test_an_obstacle_in_words(obstacle: Obstacle, words: str) -> None:
    assert str(obstacle) == words


def test_plan_prints_both_before_any_unit_is_touched(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = job_in(
        tmp_path / "job",
        check_of("gain", within="tolerance"),
        check_of("leg_gain_difference", within="0.01 dB"),
        check_of("crosstalk", below="tolerance"),
        states=("idle", "loop_a"),
    )
    printed = switchwalk(capsys, "plan", str(job))
    text = " ".join(printed.out.split())
    assert "Limits from the tolerance of parts: Gain: ± 0.0" in text
    assert "Crosstalk: below -" in text
    assert "not be proven to keep on this bench: Leg gain difference, within 0.010 dB, leg gain" in text
    data = json.loads(switchwalk(capsys, "plan", str(job), "--json").out)
    assert {each["check"] for each in data["limits"]} == {"Gain", "Crosstalk"}
    assert {each["check"] for each in data["tight"]} == {"Leg gain difference"}
    gain = next(each for each in data["limits"] if each["check"] == "Gain")
    assert gain["low"] < gain["alone"]["low"] < gain["alone"]["high"] < gain["high"]


def test_a_ratio_of_gains_that_is_not_known_asks_for_a_swapped_through_setup(tmp_path: Path) -> None:
    """A load between the legs brings each source to both inputs, where the gains' ratio counts in full."""
    job = insert_switch(tmp_path)
    (job / "sequence.toml").write_text(
        sequence(check_of("leg_gain_difference", within="0.1 dB"), states=["idle"], channels=["left"]),
        encoding="utf-8",
    )
    edit(job / "fixture.toml", 'legs = "5 kohm"', 'across = "100 ohm", tolerance = "0 %"')
    read = load_job(job)
    plan = build_plan(read, impedances=replace(BENCH, source_tolerance=0.0))
    (tight,) = tight_limits(read, plan)
    obstacle = known(tight.obstacle)
    assert (obstacle.line, obstacle.helps[:26]) == ("input gain", "a second [[setup]] with th")
    assert plan.through is not None
    known_ratio = replace(plan, swapped_through=replace(plan.through, inputs_swapped=True))
    assert tight_limits(read, known_ratio) == ()
