"""What another process works out for a run's report while the run goes on, and how it ends."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NoReturn

import pytest

from harness.circuit.elements import BenchImpedances
from harness.faults.coverage import hard_faults, judge_faults
from harness.job.job import load_job
from harness.plan.build import build_plan
from harness.records.store import open_records
from harness.report.coverage import KeptCoverage, SecondProcess
from harness.report.run_report import Reporter
from harness.session.planned_job import PlannedJob
from tests.jobs import ROUTE_AND_GAIN, job_in
from tests.known import known

JOB = Path(__file__).parents[2] / "sequences" / "two_loop_switcher"
USUAL = BenchImpedances()
PATIENCE_S = 60.0

ASKER = """
import time
from harness.report.coverage import SecondProcess
with SecondProcess() as helper:
    print(helper.process.result(), flush=True)
    time.sleep(600)
"""


@pytest.fixture(scope="module")
def planned() -> PlannedJob:
    job = load_job(JOB)
    return PlannedJob(job=job, plan=build_plan(job, impedances=USUAL))


@pytest.fixture
def reporter(planned: PlannedJob, tmp_path: Path) -> Iterator[Reporter]:
    with open_records(tmp_path / "records.sqlite") as store:
        yield Reporter(planned, store, tmp_path / "records.sqlite")


def test_the_other_process_finds_what_this_one_would(planned: PlannedJob) -> None:
    with SecondProcess() as helper:
        helper.begin_coverage(planned)
        result = helper.coverage()
    assert result == judge_faults(planned.job, planned.plan, hard_faults(planned.job))


def test_a_run_takes_what_was_found_beside_it_and_keeps_it(
    planned: PlannedJob, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def not_again(*_: object, **__: object) -> NoReturn:
        raise AssertionError("worked out once more")

    with SecondProcess() as helper:
        helper.begin_coverage(planned)
        helper.coverage()  # only now: the other process is told what to do by its name
        monkeypatch.setattr("harness.report.coverage.judge_faults", not_again)
        result = KeptCoverage(planned, tmp_path).get(helper)
    assert len(result) == 270
    assert not KeptCoverage(planned, tmp_path).wants_help
    assert KeptCoverage(planned, tmp_path).get(None) == result


def test_what_is_given_up_is_worked_out_here(planned: PlannedJob, tmp_path: Path) -> None:
    with SecondProcess() as helper:
        helper.begin_coverage(planned)
        os.kill(helper.process.result(), signal.SIGTERM)
        assert len(KeptCoverage(planned, tmp_path).get(helper)) == 270


def test_a_small_job_wants_no_help(tmp_path: Path) -> None:
    small = load_job(job_in(tmp_path / "job", ROUTE_AND_GAIN, states=["idle", "loop_a"]))
    planned = PlannedJob(job=small, plan=build_plan(small, impedances=USUAL))
    coverage = KeptCoverage(planned, tmp_path)
    assert not coverage.wants_help
    assert len(coverage.get(None)) == 270


def test_another_process_helps_a_reporter_where_nothing_is_kept(
    planned: PlannedJob, reporter: Reporter, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[PlannedJob] = []
    monkeypatch.setattr(SecondProcess, "begin_coverage", lambda _, job: asked.append(job))
    monkeypatch.setattr(KeptCoverage, "wants_help", property(lambda _: True))
    with reporter.helped():
        assert asked == [planned]
    monkeypatch.setattr(KeptCoverage, "wants_help", property(lambda _: False))
    with reporter.helped():
        assert asked == [planned]


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGKILL")
def test_it_ends_with_an_asker_that_is_killed() -> None:
    asker = subprocess.Popen([sys.executable, "-c", ASKER], stdout=subprocess.PIPE, text=True)
    other = int(known(asker.stdout).readline())
    os.kill(asker.pid, signal.SIGKILL)
    asker.wait()
    known(asker.stdout).close()
    until_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < until_s and _runs(other):
        time.sleep(0.05)
    assert not _runs(other)


def _runs(process: int) -> bool:
    """Whether a process is there and is no zombie that nobody has taken notice of."""
    try:
        stat = Path(f"/proc/{process}/stat").read_text()
    except OSError:
        return False
    return stat.rpartition(")")[2].split()[0] != "Z"
