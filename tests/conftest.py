"""For every test: the linear algebra on one thread, as the command line has it; children too.

And nothing is worked out again that an earlier test has worked out of the same files: what a child's sources
compile to, and what a job's plan sees of every fault.
"""

import os
import re
import signal
import subprocess
import sys
import zlib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from tests import children

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

# What a module sets up once, by a fixture of its own or of its folder, or reads once.
SHARES = re.compile(r'scope="module"|\blasting_bench\b|tests\.structure\.sources')

if children.CAN_FORK:
    subprocess.Popen = children.Child  # type: ignore[misc]


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Give tests that share what is costly to one worker, and each of the others to whichever is free.

    Larger groups are begun first.
    """
    from xdist.scheduler import LoadScopeScheduling

    class Sharing(LoadScopeScheduling):  # type: ignore[misc]
        def _split_scope(self, nodeid: str) -> str:
            return group_of(nodeid)

    return Sharing(config, log)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Mix what workers share, alike in each: so tests that wait are beside others that compute.

    Tests of one group stay as they are in their file.
    """
    if hasattr(config, "workerinput"):
        items.sort(key=lambda item: zlib.crc32(group_of(item.nodeid).encode()))


def group_of(nodeid: str) -> str:
    """Names the tests that one worker gets: all of the server, all of a module that shares, or this one."""
    file = nodeid.split("::")[0]
    text = _text_of(file)
    if "tests/records/" in file and ("[postgresql" in nodeid or "postgresql: PostgreSQL" in text):
        return "postgresql"
    return file if SHARES.search(text) else nodeid


@cache
def _text_of(file: str) -> str:
    return (children.ROOT / file).read_text(encoding="utf-8")


@pytest.fixture(scope="session", autouse=True)
def _stem() -> Iterator[None]:
    """Of a worker's children: begun at once, as one of so many tests will ask for it; ends with the tests."""
    if children.CAN_FORK and "PYTEST_XDIST_WORKER" in os.environ:
        children.STEM.begin()
    yield
    children.STEM.close()


@pytest.fixture(scope="session")
def coverage_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where runs of all tests keep what their job's plan sees, whichever records they have.

    Of all workers, too: what is written there is written whole.
    """
    base = tmp_path_factory.getbasetemp()
    place = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "coverage"
    place.mkdir(exist_ok=True)
    return place


@pytest.fixture(autouse=True)
def _coverage_is_worked_out_once(coverage_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a run find what another one of the same job has kept."""
    monkeypatch.setattr("harness.report.run_report.coverage_folder", lambda records: coverage_folder)
