"""What a command ends with where it can't do its work: never 1, which says that a unit fails."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from harness.cli.app import EXIT_BROKEN_PIPE
from harness.records.store import RunStore, open_records
from tests.cli.commands import exit_code

ROOT = Path(__file__).parents[2]
JOB = ROOT / "sequences" / "two_loop_switcher"


def test_an_error_of_the_program_itself_ends_with_4_and_says_so(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("division by zero")

    records = tmp_path / "records.sqlite"
    with open_records(records):
        pass
    monkeypatch.setattr(RunStore, "verify", broken)
    assert exit_code("verify", "--records", records) == 4
    assert "an error of switchwalk, and says nothing of the unit" in " ".join(capsys.readouterr().err.split())


def test_a_reader_that_has_enough_ends_a_command_as_a_shell_expects() -> None:
    """As `switchwalk table JOB | head -1` does: 128 and SIGPIPE (POSIX.1-2017, XCU 2.8.2)."""
    reading, writing = os.pipe()
    os.close(reading)
    arguments = ["-m", "harness.cli", "table", str(JOB)]
    done = subprocess.run([sys.executable, *arguments], cwd=ROOT, stdout=writing, stderr=subprocess.PIPE)
    os.close(writing)
    assert (done.returncode, done.stderr) in ((EXIT_BROKEN_PIPE, b""), (0, b""))
