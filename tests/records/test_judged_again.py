"""A verdict that two measurements did not confirm stays unproven, whatever the limits are."""

from dataclasses import replace
from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.job.job import load_job
from harness.plan.build import build_plan
from harness.reading import Estimate, NotConfirmed, Reading
from harness.records.evidence import judge_again
from harness.records.store import open_records
from tests.cli.commands import switchwalk
from tests.jobs import check_of, job_in
from tests.records.outside_broadcast import ENDED, HEADER


@pytest.mark.parametrize(
    "check", [check_of("polarity", at=["out"]), check_of("gain", at=["out"], between=["-3 dB", "3 dB"])]
)
def test_what_failed_once_and_was_not_measured_again_is_no_verdict(tmp_path: Path, check: str) -> None:
    job = load_job(job_in(tmp_path / "job", check, states=["idle"]))
    plan = build_plan(job, impedances=BenchImpedances())
    planned = plan.readings[0]
    estimate = Estimate(
        value=1.0, standard=0.1, low=0.8, high=1.2, coverage_factor=2.0, floor=False, budget=()
    )
    reading = Reading(
        key=planned.key, unit="", estimate=estimate, expected=None, limit_low=None, limit_high=None,
        verdict="unproven", reason="it failed, and could not be measured again", facts=(NotConfirmed(),),
        acquisitions=(), route="", setup="",
    )  # fmt: skip
    ((_, again),) = judge_again(plan, [reading], sequence=job.sequence).pairs
    assert (again.verdict, again.reason) == ("unproven", reading.reason)


def test_a_run_without_a_reading_is_refused_in_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = job_in(tmp_path / "job", check_of("polarity"), states=["idle"])
    records = tmp_path / "records.sqlite"
    with open_records(records) as store:
        store.finish(
            store.begin(replace(HEADER, files=load_job(job).files)), "stopped", "a lead fell off", ENDED
        )
    printed = switchwalk(
        capsys, "rejudge", "1", "--sequence", str(job / "sequence.toml"), "--records", str(records)
    )
    assert (printed.code, printed.out) == (2, "")
    assert printed.err == "run 1 has no readings, so there is nothing to judge again\n"


def test_what_a_run_did_not_measure_is_told_in_a_line_for_each_check(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = load_job(job_in(tmp_path / "job", check_of("polarity"), check_of("gain", within="1 dB")))
    plan = build_plan(job, impedances=BenchImpedances())
    reading = Reading(
        key=plan.readings[0].key, unit="", estimate=None, expected=None, limit_low=None, limit_high=None,
        verdict="missing", reason="input 1 clipped", facts=(), acquisitions=(), route="", setup="",
    )  # fmt: skip
    records = tmp_path / "records.sqlite"
    with open_records(records) as store:
        run = store.begin(replace(HEADER, files=job.files))
        store.add_readings(run, [reading])
        store.finish(run, "unproven", "stopped early", ENDED)
    printed = switchwalk(
        capsys, "rejudge", "1", "--sequence", str(job.folder / "sequence.toml"), "--records", str(records)
    )
    absent = " ".join(printed.out.split())
    assert absent.count("not measured in this run") == 2
    assert "not measured in this run (Polarity): polarity " in absent
    assert len(printed.out.splitlines()) < 20
    assert len(plan.readings) > 30
