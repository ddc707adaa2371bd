"""Custom tests of a unit whose leads are moved by hand: what is said beforehand, and how often they are."""

import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.records.store import open_records
from tests.jobs import ROUTE_AND_GAIN, SWITCHER, job_in
from tests.wire.standing_bench import StandingBench, standing_bench

pytest_plugins = ["pytester"]

LEVELS = """
def test_levels(switchwalk_state, switchwalk_measure):
    assert [one.verdict for one in switchwalk_measure(switchwalk_state)] == ["pass"] * 2
"""
SETUPS = ("through reference", "drive left, probe left output", "drive right, probe right output")
LONGEST_S = 60.0


@pytest.fixture(scope="module")
def standing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, StandingBench]]:
    job = job_in(
        tmp_path_factory.mktemp("by_hand") / "job", ROUTE_AND_GAIN, states=["idle", "loop_a", "swap"]
    )
    shutil.copy(SWITCHER / "by_hand_fixture.toml", job / "fixture.toml")
    with standing_bench(job) as bench:
        yield job, bench


def options(standing: tuple[Path, StandingBench]) -> list[str]:
    job, bench = standing
    place = ["--switchwalk-job", str(job), "--switchwalk-bench", str(bench.bench_file)]
    return [*place, "--switchwalk-serial", "OB-0001", "--rootdir=.", "-p", "no:cacheprovider"]


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is asked for")
def test_each_setup_is_made_once_for_all_states_and_said_beforehand(
    pytester: pytest.Pytester, standing: tuple[Path, StandingBench]
) -> None:
    pytester.makepyfile(test_levels=LEVELS)
    ours, theirs = os.openpty()
    command = [sys.executable, "-m", "pytest", *options(standing)]
    with subprocess.Popen(command, cwd=pytester.path, stdin=theirs, stdout=theirs, stderr=theirs) as process:
        os.close(theirs)
        text, end = "", time.monotonic() + LONGEST_S
        made: list[str] = []
        while time.monotonic() < end:
            try:
                text += os.read(ours, 4096).decode("utf-8", "replace")
            except OSError:  # the other end is closed
                break
            drawn = re.findall(r"Setup '([^']+)':", text)
            if text.count("Press Enter when it is made.") > len(made):
                standing[1].by_hand(setup=drawn[-1])
                made.append(drawn[-1])
                os.write(ours, b"\n")
        assert process.wait(LONGEST_S) == 0, text
    os.close(ours)
    assert tuple(made) == SETUPS
    said = text.index("These tests need leads to be moved by hand, 3 setups:")
    assert said < text.index("Setup '")
    assert "2. drive left, probe left output" in text
    with open_records(pytester.path / "switchwalk-records" / "records.sqlite", read_only=True) as store:
        assert len(store.readings(1)) == 6
        assert [event.kind for event in store.events(1)].count("by hand") == len(SETUPS)


def test_without_a_terminal_it_is_said_that_nobody_can_be_asked(
    pytester: pytest.Pytester, standing: tuple[Path, StandingBench]
) -> None:
    pytester.makepyfile(test_levels=LEVELS)
    done = pytester.runpytest_subprocess(*options(standing))
    assert done.ret == pytest.ExitCode.TESTS_FAILED
    assert "nobody can be asked, and setup 'through reference' needs hands" in " ".join(
        done.stdout.str().split()
    )
    assert standing[1].left_on() == []
