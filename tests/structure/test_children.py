"""A child that is forked from the stem is as one that begins with an interpreter of its own."""

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.children import CAN_FORK, Child, Started
from tests.jobs import SWITCHER
from tests.known import known

pytestmark = pytest.mark.skipif(not CAN_FORK, reason="children are forked on Linux alone")
SIMULATOR = [sys.executable, "-m", "simulator", str(SWITCHER)]


@pytest.mark.parametrize("words", [("--version",), ("plan", "no-such-folder"), ("new", "job")])
def test_it_says_the_same_in_its_folder_and_ends_with_the_same_code(
    tmp_path: Path, words: tuple[str, ...]
) -> None:
    ends = []
    for popen in (Started, Child):
        folder = tmp_path / popen.__name__
        folder.mkdir()
        command = [sys.executable, "-m", "harness.cli", *words]
        pipes = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        with popen(command, cwd=folder, **pipes) as process:  # type: ignore[call-overload]
            out, err = process.communicate(timeout=60)
        ends.append((process.returncode, out, err, sorted(path.name for path in folder.iterdir())))
    assert ends[0] == ends[1]


@pytest.mark.parametrize(
    ("end", "code"),
    [
        (lambda process: process.stdin.close(), 0),
        (lambda process: process.send_signal(signal.SIGINT), 0),
        (lambda process: process.kill(), -signal.SIGKILL),
    ],
)
def test_it_lives_until_it_is_ended_as_others_are(
    end: Callable[["subprocess.Popen[str]"], None], code: int
) -> None:
    with Child(SIMULATOR, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert '"ready": true' in known(process.stdout).readline()
        assert process.poll() is None
        assert Path(f"/proc/{process.pid}/stat").read_text().split()[3] != str(os.getpid())  # it was forked
        end(process)
        assert process.wait(20) == code
        assert process.poll() == code


def test_what_asks_for_another_encoding_is_not_forked(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "harness.cli", "--version"]
    with Child(command, env=os.environ | {"LC_ALL": "POSIX"}, stdout=subprocess.DEVNULL) as process:
        assert Path(f"/proc/{process.pid}/stat").read_text().split()[3] == str(os.getpid())
