"""For every test: the linear algebra on one thread, as the command line has it; children too.

And nothing is worked out again that an earlier test has worked out of the same files: what a child's sources
compile to, and what a job's plan sees of every fault.
"""

import os
import signal
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# Before numpy is imported. Circuits are small; on a busy machine threads make them many times slower.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# A child that has to compile everything first takes a second longer, however often it is started.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
# On a busy machine, how long an example takes to draw says nothing of the test.
settings.register_profile("suite", suppress_health_check=[HealthCheck.too_slow], deadline=None)
settings.load_profile("suite")
# A shell has what it starts in the background ignore Ctrl-C, and children inherit that.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session")
def coverage_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where runs of all tests keep what their job's plan sees, whichever records they have."""
    return tmp_path_factory.mktemp("coverage")


@pytest.fixture(autouse=True)
def _coverage_is_worked_out_once(coverage_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a run find what another one of the same job has kept."""
    monkeypatch.setattr("harness.report.run_report.coverage_folder", lambda records: coverage_folder)
