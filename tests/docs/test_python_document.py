"""What docs/python.md shows is run: its ten lines, its test file, and its first line of pytest."""

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from harness.records.store import open_records
from tests.cli.commands import switchwalk
from tests.docs.test_documented_commands import NEW, OF_THE_TUTORIAL, ROOT, SHORT

PAGE = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")
TEN_LINES, TEST_FILE = re.findall(r"^```python\n(.*?)^```", PAGE, flags=re.MULTILINE | re.DOTALL)
ON_SIMULATED, ON_BENCH = re.findall(r"^pytest .+$", PAGE, flags=re.MULTILINE)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Path:
    """The tutorial's job, its sequence cut to a few checks and states."""
    monkeypatch.chdir(tmp_path)
    assert switchwalk(capsys, *shlex.split(NEW)[1:]).code == 0
    (tmp_path / OF_THE_TUTORIAL / "sequence.toml").write_text(SHORT, encoding="utf-8")
    return tmp_path


def _python(folder: Path, *arguments: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=150,
    )


def test_the_ten_lines_are_no_more_and_test_a_unit(folder: Path) -> None:
    assert len([line for line in TEN_LINES.splitlines() if line.strip()]) <= 10
    done = _python(folder, "-c", TEN_LINES)
    assert done.returncode == 0, done.stderr
    message = done.stdout
    assert "pass Route and gain loop_1 right.loop_1_send" in message
    assert re.search(r" -?\d+\.\d+ ± \d\.\d+ dB ", message), message
    report = re.search(r"^pass (\S+\.html)$", message, flags=re.MULTILINE)
    assert report is not None, message
    assert (folder / report[1]).exists()
    with open_records(folder / "switchwalk-records" / "records.sqlite", read_only=True) as store:
        passed = store.run(1).verdicts["pass"]
        assert store.passed("OB-0003", store.run(1).header.part, simulated=True) is not None
    assert re.search(rf"^pass +{passed}$", message, flags=re.MULTILINE), message


def test_the_test_file_passes_on_a_simulated_unit(folder: Path) -> None:
    (folder / "test_levels.py").write_text(TEST_FILE, encoding="utf-8")
    done = _python(folder, "-m", *shlex.split(ON_SIMULATED), "-p", "no:cacheprovider")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "PASS  unit OB-0004, run 1: 5 tests of a part of the sequence passed" in done.stdout


def test_the_line_for_a_real_bench_differs_by_the_bench_file_and_the_unit_alone(folder: Path) -> None:
    assert shlex.split(ON_BENCH)[:4] == shlex.split(ON_SIMULATED)[:4]
    assert (folder / shlex.split(ON_BENCH)[5]).exists()
