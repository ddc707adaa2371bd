"""Small mistakes at the command line: each is refused in the words of the command, and nothing is written."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from harness.cli.options import RECORDS
from harness.cli.person import tell_new_folder
from tests.cli.commands import switchwalk

ROOT = Path(__file__).parents[2]
JOB = str(ROOT / "sequences" / "two_loop_switcher")


def _new(
    folder: Path, stdin: int | None = None, answers: str | None = None
) -> "subprocess.CompletedProcess[str]":
    arguments = [sys.executable, "-m", "harness.cli", "new", str(folder)]
    return subprocess.run(
        arguments, cwd=ROOT, stdin=stdin, input=answers, capture_output=True, text=True, check=False
    )


def test_new_does_not_ignore_answers_that_are_piped_to_it(tmp_path: Path) -> None:
    done = _new(tmp_path / "job", answers="1\n0\n1\n1\n")
    assert done.returncode == 2
    assert "--channels, --loops, --controls and --relays-per-line" in done.stderr
    assert not (tmp_path / "job").exists()


def test_new_takes_the_defaults_where_nothing_is_piped_to_it(tmp_path: Path) -> None:
    assert _new(tmp_path / "closed", stdin=subprocess.DEVNULL).returncode == 0
    reading, writing = os.pipe()  # as a program has it that leaves its own input open
    assert _new(tmp_path / "silent", stdin=reading).returncode == 0
    os.close(writing)
    os.close(reading)
    assert (tmp_path / "silent" / "module.toml").exists()


@pytest.mark.parametrize("port", ["99999", "-1", "http"])
def test_serve_says_which_ports_there_are(capsys: pytest.CaptureFixture[str], port: str) -> None:
    printed = switchwalk(capsys, "serve", f"--port={port}")
    assert printed.code == 2
    assert f"found {port}; expected a port from 1 to 65535, or 0 for any free one" in printed.err


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("swap.jpg", "expected a name that ends with .png"),
        ("no_folder/swap.png", "there is no folder no_folder"),
        ("folder.png", "is a folder"),
    ],
)
def test_measure_refuses_a_picture_before_it_measures(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    why: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder.png").mkdir()
    printed = switchwalk(capsys, "measure", JOB, "swap", "--simulate", "--png", name)
    assert (printed.code, printed.out) == (2, "")
    assert why in printed.err


def test_a_new_folder_for_records_is_not_made_in_silence(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    for place in (RECORDS, "postgresql://records/tests", str(tmp_path / "records.sqlite")):
        tell_new_folder(place)
    assert capsys.readouterr().err == ""
    tell_new_folder(str(tmp_path / "recrods" / "records.sqlite"))
    assert capsys.readouterr().err == f"{tmp_path / 'recrods'}: a new folder, for new records\n"


def test_a_page_replaces_no_file_of_a_job(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    module = tmp_path / "module.toml"
    module.write_text("[module]\n")
    printed = switchwalk(capsys, "wiring", JOB, "--html", str(module))
    assert printed.code == 2
    assert "is no page or picture; give a file that ends in .html" in " ".join(printed.err.split())
    assert module.read_text() == "[module]\n"


def test_a_file_in_place_of_a_job_is_named_as_one(capsys: pytest.CaptureFixture[str]) -> None:
    printed = switchwalk(capsys, "plan", f"{JOB}/module.toml")
    assert printed.code == 2
    assert "is a file; give the folder that it is in" in " ".join(printed.err.split())
