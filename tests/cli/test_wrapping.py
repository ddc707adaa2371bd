"""Lines that a person reads: wrapped at a terminal, whole for a program; letters that every terminal has."""

import subprocess
import sys

import pytest

from harness.cli.terminal import as_shown
from harness.units import counted
from tests.wire.standing_bench import ROOT

NO_JOB = ("plan", "no-such-folder-of-a-job-anywhere-here")


def test_an_error_is_whole_for_a_program_that_reads_it() -> None:
    ended = subprocess.run(
        [sys.executable, "-m", "harness.cli", *NO_JOB], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert ended.returncode == 2
    (line,) = ended.stderr.splitlines()
    assert len(line) > 80


@pytest.mark.skipif(sys.platform == "win32", reason="there is no pty")
@pytest.mark.parametrize("columns", [60, 80])
def test_an_error_is_wrapped_at_the_width_of_the_terminal(columns: int) -> None:
    from tests.cli.test_batch_at_a_bench import DUMB, Terminal

    terminal = Terminal(*NO_JOB, environment=DUMB | {"COLUMNS": str(columns)})
    try:
        assert terminal.ended() == 2
    finally:
        terminal.end()
    lines = terminal.seen.splitlines()
    assert len(lines) > 1
    assert max(map(len, lines)) <= columns


def test_a_letter_that_a_terminal_has_not_is_written_otherwise() -> None:
    assert as_shown("2 ± 1 µV → 3", "utf-8") == "2 ± 1 µV → 3"
    assert as_shown("2 ± 1 µV", "latin-1") == "2 ± 1 µV"
    assert as_shown("2 ± 1 µV → 3", "ascii") == "2 +/- 1 uV > 3"


def test_one_of_a_thing_has_no_plural() -> None:
    assert [counted(count, "line") for count in (0, 1, 2)] == ["0 lines", "1 line", "2 lines"]
    assert counted(2, "batch", "batches") == "2 batches"
