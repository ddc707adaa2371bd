"""`switchwalk measure`: one state measured once and shown, and nothing kept of it."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from harness.report.waveforms import text_trace
from tests.cli.commands import Printed, switchwalk

JOB = str(Path(__file__).resolve().parents[2] / "sequences" / "two_loop_switcher")
SETUP = "drive left, view input and output"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("measure")


@pytest.fixture(scope="module")
def measured(folder: Path) -> Printed:
    """One state of a simulated unit, with a picture of it."""
    return _measure(folder, "swap", "--setup", SETUP, "--simulate", "--speed", "20", "--png", "swap.png")


def _measure(folder: Path, *arguments: str) -> Printed:
    """In a process of its own: what a module shares cannot use a test's captured output."""
    done = subprocess.run(
        [sys.executable, "-m", "harness.cli", "measure", JOB, *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )
    return Printed(code=done.returncode, out=done.stdout, err=done.stderr)


def test_it_shows_the_readings_of_its_state_and_setup_alone(measured: Printed) -> None:
    assert measured.code == 0, measured.out + measured.err
    assert "ok gain left.out in swap (" in measured.out
    assert "ok polarity left.out in swap: normal" in measured.out
    assert "right." not in measured.out
    assert "unpowered" not in measured.out
    assert measured.out.splitlines()[-1].startswith("PASS  ")


def test_it_draws_every_viewed_pair_within_eighty_columns(measured: Printed) -> None:
    assert "\nleft.in at 1000 Hz, 1.228 V: hot o, cold x\n" in measured.out
    assert "\nleft.out at 1000 Hz, 1.228 V: hot o, cold x\n" in measured.out
    assert max(map(len, measured.out.splitlines())) <= 80


def test_it_leaves_the_picture_asked_for_and_no_records(measured: Printed, folder: Path) -> None:
    assert measured.code == 0
    assert [path.name for path in folder.iterdir()] == ["swap.png"]
    assert (folder / "swap.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")  # ISO/IEC 15948, 5.2


def test_a_wrong_state_is_refused_with_the_nearest_there_is(capsys: pytest.CaptureFixture[str]) -> None:
    printed = switchwalk(capsys, "measure", JOB, "swop", "--simulate")
    assert printed.code == 2
    assert "no state 'swop' is measured; expected one of 'idle', " in printed.err
    assert "; did you mean 'swap'?" in printed.err


def test_a_wrong_setup_is_refused_with_the_nearest_there_is(capsys: pytest.CaptureFixture[str]) -> None:
    wanted = "drive left, view input and outputs"
    printed = switchwalk(capsys, "measure", JOB, "swap+loop_a", "--setup", wanted, "--simulate")
    assert printed.code == 2
    assert "in state loop_a+swap; expected one of " in printed.err
    assert f"; did you mean {SETUP!r}?" in printed.err


def test_two_legs_are_told_apart_and_scaled_in_volts() -> None:
    hot_v = np.linspace(-2.0, 2.0, 1000)
    lines = text_trace(hot_v, -hot_v, interval_s=1e-6, window_s=1e-3, rows=5, columns=9)
    assert lines == [
        "      +2 V|xx     oo",
        "          | xxx ooo",
        "       0 V|   ***",
        "          | ooo xxx",
        "      -2 V|oo     xx",
        "           0    1 ms",
    ]


def test_no_volts_at_all_lie_on_the_line_of_zero() -> None:
    nothing = np.zeros(100)
    lines = text_trace(nothing, nothing, interval_s=1e-5, window_s=1e-3, rows=3, columns=4)
    assert lines[1] == "       0 V|****"
