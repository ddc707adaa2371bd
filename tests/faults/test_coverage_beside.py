"""What another process works out of a plan's coverage while a run goes on, and how it ends."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.descriptions.load import load_job
from harness.faults.coverage import judge_faults
from harness.plan.build import build_plan
from harness.workbench import beside
from harness.workbench.beside import Beside
from harness.workbench.described import Described

JOB = Path(__file__).parents[2] / "sequences" / "two_loop_switcher"
USUAL = BenchImpedances()
PATIENCE_S = 60.0

ASKER = f"""
import time
from pathlib import Path
from harness.circuit.elements import BenchImpedances
from harness.descriptions.load import load_job
from harness.plan.build import build_plan
from harness.workbench.beside import Beside
job = load_job(Path({str(JOB)!r}))
plan = build_plan(job, impedances=BenchImpedances())
with Beside(job, plan, BenchImpedances()) as beside:
    print(beside._process.pid, flush=True)
    time.sleep(600)
"""


@pytest.fixture(scope="module")
def known():
    job = load_job(JOB)
    return Described(job=job, plan=build_plan(job, impedances=USUAL), impedances=USUAL)


def test_the_other_process_finds_what_this_one_would(known):
    with Beside(known.job, known.plan, USUAL) as beside:
        found = beside.answer()
    assert found == judge_faults(known.job, known.plan, impedances=USUAL)


def test_a_run_takes_what_was_found_beside_it_and_keeps_it(known, tmp_path, monkeypatch):
    def not_again(*_, **__):
        raise AssertionError("worked out once more")

    monkeypatch.setattr("harness.faults.coverage.judge_faults", not_again)
    with known.foreseeing(tmp_path):
        found = known.faults_seen(tmp_path)
    assert len(found) == 270
    monkeypatch.setattr(beside, "Beside", not_again)
    with known.foreseeing(tmp_path):
        assert known.faults_seen(tmp_path) == found


def test_what_is_given_up_is_worked_out_here(known, tmp_path):
    with known.foreseeing(tmp_path):
        known._beside[0]._process.kill()
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
