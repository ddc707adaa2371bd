"""What another process works out for a run's report while the run goes on, and how it ends."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.faults.coverage import judge_faults
from harness.job.load import load_job
from harness.plan.build import build_plan
from harness.workbench.beside import Beside
from harness.workbench.described import Described

JOB = Path(__file__).parents[2] / "sequences" / "two_loop_switcher"
USUAL = BenchImpedances()
PATIENCE_S = 60.0

ASKER = """
import time
from harness.workbench.beside import Beside
with Beside() as beside:
    print(beside.process.result(), flush=True)
    time.sleep(600)
"""


@pytest.fixture(scope="module")
def known():
    job = load_job(JOB)
    return Described(job=job, plan=build_plan(job, impedances=USUAL), impedances=USUAL)


def test_the_other_process_finds_what_this_one_would(known):
    with Beside() as beside:
        beside.foresee(known.job, known.plan, USUAL)
        found = beside.coverage()
    assert found == judge_faults(known.job, known.plan, impedances=USUAL)


def test_a_run_takes_what_was_found_beside_it_and_keeps_it(known, tmp_path, monkeypatch):
    def not_again(*_, **__):
        raise AssertionError("worked out once more")

    with known.helped(tmp_path):
        known.beside.coverage()  # only now: the other process is told what to do by its name
        monkeypatch.setattr("harness.faults.coverage.judge_faults", not_again)
        found = known.faults_seen(tmp_path)
    assert len(found) == 270
    monkeypatch.setattr(Beside, "foresee", not_again)
    with known.helped(tmp_path):
        assert known.faults_seen(tmp_path) == found


def test_what_is_given_up_is_worked_out_here(known, tmp_path):
    with known.helped(tmp_path):
        os.kill(known.beside.process.result(), signal.SIGTERM)
        assert len(known.faults_seen(tmp_path)) == 270


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGKILL")
def test_it_ends_with_an_asker_that_is_killed():
    asker = subprocess.Popen([sys.executable, "-c", ASKER], stdout=subprocess.PIPE, text=True)
    other = int(asker.stdout.readline())
    os.kill(asker.pid, signal.SIGKILL)
    asker.wait()
    asker.stdout.close()
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
