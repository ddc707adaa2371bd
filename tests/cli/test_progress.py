"""What a person sees of work that takes long: lines in a pipe, in the order in which things were done."""

import threading
from io import StringIO

import pytest

from harness.cli.live_view import Lines
from harness.cli.terminal import shown_progress
from harness.job.fixture import Setup
from harness.job.job import load_job
from harness.job.state import IDLE_STATE
from harness.session.events import ReadingsMade, SetupBegun
from tests.jobs import SWITCHER
from tests.records.outside_broadcast import READING, changed


class Written(StringIO):
    """Standard error in a pipe; `some` is set when something has come."""

    def __init__(self) -> None:
        super().__init__()
        self.some = threading.Event()

    def write(self, text: str) -> int:
        self.some.set()
        return super().write(text)


def test_work_that_takes_long_says_which_step_it_is_at(monkeypatch: pytest.MonkeyPatch) -> None:
    err = Written()
    monkeypatch.setattr("sys.stderr", err)
    with shown_progress("coverage", "planning", "weighing", first_s=0.0, every_s=0.01) as progress:
        progress.next_step()
        for _ in range(2):  # the first may have been on its way
            err.some.clear()
            assert err.some.wait(10)
    assert err.getvalue().splitlines()[-1] == "coverage: step 2 of 2, weighing; 0 s so far"


def test_work_that_is_soon_done_says_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    err = Written()
    monkeypatch.setattr("sys.stderr", err)
    with shown_progress("plan", "planning"):
        pass
    assert err.getvalue() == ""


def test_the_last_readings_of_a_setup_stand_under_its_own_heading(capsys: pytest.CaptureFixture[str]) -> None:
    """They come after the next setup has begun, as they are computed meanwhile."""
    first, second = [setup for setup in load_job(SWITCHER).fixture.setups if not setup.through][:2]

    def readings(setup: Setup, done: int) -> ReadingsMade:
        made = (changed(READING, setup=setup.name),)
        return ReadingsMade(state=IDLE_STATE, done=done, total=2, readings=made)

    with Lines() as lines:
        lines(SetupBegun(setup=first, number=1, total=2))
        lines(readings(first, 1))
        lines(SetupBegun(setup=second, number=2, total=2))
        lines(readings(first, 1))
        lines(readings(second, 2))
    assert [line.split(":")[0] for line in capsys.readouterr().out.splitlines()] == [
        "setup 1/2", "  [1 of 2 acquisitions] idle", "  [1 of 2 acquisitions] idle",
        "setup 2/2", "  [2 of 2 acquisitions] idle",
    ]  # fmt: skip
