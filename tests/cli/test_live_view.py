"""A run on a real terminal, a pty: what stands on its screen meanwhile, and what is left of it."""

import errno
import sys
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import pytest

from harness.cli.live.plain import Lines, SetupLines
from harness.cli.terminal import shown_progress
from harness.job.fixture import Setup
from harness.job.job import load_job
from harness.job.state import IDLE_STATE
from harness.reading import Verdict
from harness.session.events import ReadingsMade, SetupBegun
from tests.jobs import SWITCHER
from tests.records.outside_broadcast import READING, changed

if sys.platform == "win32":
    pytest.skip("there is no pty", allow_module_level=True)

from harness.circuit.elements import BenchImpedances
from harness.cli.live.view import SURE_S, RouteTexts, TimeRemaining
from harness.job.state import State
from harness.plan.build import build_plan
from harness.plan.states import CHANGE_RECORD_S, record_s
from tests.cli.screen import COLOURS, Screen
from tests.cli.test_batch_at_a_bench import DUMB, Terminal
from tests.wire.standing_bench import ROOT, standing_bench, tiny_job
from tests.wire.test_setups_by_hand import LEFT, hand_job

REAL = {"COLUMNS": "80", "LINES": "24", "TERM": "xterm", "NO_COLOR": "", "LANG": "C.UTF-8", "LC_ALL": ""}


@dataclass(frozen=True, kw_only=True)
class Seen:
    """A run's end, all that the pty carried, and the screen after each piece of it."""

    code: int
    raw: str
    screens: tuple[str, ...]
    screen: Screen

    def all_on_one(self, *words: str) -> bool:
        """Whether all of these stood on the screen at once."""
        return any(all(word in shown for word in words) for shown in self.screens)


def seen_run(folder: Path, environment: Mapping[str, str], *more: str) -> Seen:
    """Slower than life: a state that is over between two drawings is never on the screen."""
    terminal = Terminal(
        "run", str(tiny_job(folder)), "--serial", "OB-0001", "--simulate", "--speed", "0.5",
        "--records", str(folder / "records.sqlite"), *more, environment=environment,
    )  # fmt: skip
    columns, rows = int(environment["COLUMNS"]), int(environment.get("LINES", "24"))
    screen, screens = Screen(columns=columns, rows=rows), list[str]()
    try:
        code = terminal.ended()
    finally:
        terminal.end()
    # A view that is drawn over ends where the cursor goes up; each of them is looked at before that.
    for piece in terminal.raw.replace("\r\x1b[2K", "\0\r\x1b[2K").split("\0"):
        screens.append(screen.text)
        screen.feed(piece)
    return Seen(code=code, raw=terminal.raw, screens=(*screens, screen.text), screen=screen)


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Seen:
    return seen_run(tmp_path_factory.mktemp("faulty"), REAL, "--fault", "K1 never operates")


def test_the_view_holds_state_routes_readings_time_left_and_relay_operations(faulty: Seen) -> None:
    assert faulty.all_on_one(
        "unit     OB-0001, simulated: Tiny",
        "drive left, view input and output",
        "leads    generator on left.in; scope on left.in, left.out",
        "state    loop_a (1 of 3 control lines on)",
        "route    left: in → a_send → pad_a → a_return → out",
        "         right (if driven): in → a_send → pad_a → a_return → out",
        "of 4 acquisitions",
        "time     a",
        "relays   operated so far: K1 ",
    )
    assert faulty.all_on_one(
        "ok       gain left.out in idle (Route and gain)\n",
        " dB, limit -0.6",
        "3 of 8 readings: 3 pass",
    )
    assert faulty.all_on_one(  # at the end, when it was measured again
        "FAIL     gain left.out in loop_a (Route and gain)\n",
        "8 of 8 readings: 7 pass, 1 fail",
    )


def test_the_view_fits_80_columns_by_24_rows(faulty: Seen) -> None:
    views = [shown[shown.index("unit     ") :] for shown in faulty.screens if "unit     " in shown]
    assert views
    assert max(view.count("\n") for view in views) < 24
    assert all("unit     " in view and "relays   " in view for view in views if "state    " in view)
    assert max(len(row) for shown in faulty.screens for row in shown.split("\n")) <= 80


def test_only_what_stays_true_is_left_when_the_run_has_ended(faulty: Seen) -> None:
    left = "\n".join([*faulty.screen.gone, faulty.screen.text])
    assert faulty.code == 1
    assert "FAIL gain left.out in loop_a (Route and gain): " in " ".join(left.split())
    assert "FAIL  unit OB-0001, run 1: " in left
    for label in ("unit     ", "state    ", "route    ", "relays   ", "time     "):
        assert label not in left
    assert faulty.screen.cursor_shown


def test_verdicts_have_a_colour_unless_it_is_declined_and_the_words_in_any_case(
    faulty: Seen, tmp_path: Path
) -> None:
    assert faulty.screen.attributes & COLOURS
    plain = seen_run(tmp_path, REAL | {"NO_COLOR": "1"})
    assert plain.code == 0
    assert not plain.screen.attributes & COLOURS
    assert plain.all_on_one("ok       gain left.out in idle (Route and gain)")


def test_a_wide_terminal_has_each_reading_in_one_line(tmp_path: Path) -> None:
    wide = seen_run(tmp_path, REAL | {"COLUMNS": "120", "LINES": "30"})
    assert wide.all_on_one("ok       gain left.out in idle (Route and gain): -0.4", " dB, limit -0.6")


def test_a_terminal_that_cannot_move_its_cursor_has_plain_lines(tmp_path: Path) -> None:
    dumb = seen_run(tmp_path, DUMB)
    assert "\x1b" not in dumb.raw
    assert "  [1 of 4 acquisitions] idle: 2 of 2 readings pass" in dumb.screens[-1].splitlines()


def test_a_terminal_of_the_plain_locale_is_sent_ascii_alone(tmp_path: Path) -> None:
    plain = seen_run(tmp_path, REAL | {"LC_ALL": "C"})
    assert plain.code == 0
    assert plain.raw.isascii()
    assert plain.all_on_one("route    left: in > a_send > pad_a > a_return > out")
    assert plain.all_on_one(" +/- ", " dB, limit -0.6")


def test_the_view_is_put_away_while_a_person_is_asked(tmp_path: Path) -> None:
    job = hand_job(tmp_path)
    sequence = job / "sequence.toml"
    text = sequence.read_text(encoding="utf-8")
    sequence.write_text(text.replace('["all", "unpowered"]', '["idle", "loop_a"]'), encoding="utf-8")
    made = "Press Enter when it is made. "
    with standing_bench(job) as bench:
        terminal = Terminal(
            "run", str(job), "--serial", "OB-0001", "--bench", str(bench.bench_file),
            "--records", str(tmp_path / "records.sqlite"), environment=REAL,
        )  # fmt: skip
        screen = Screen(columns=80, rows=24)
        fed = 0

        def asked(prompt: str) -> str:
            """What stands on the screen when a person is asked; nothing but the prompt is below."""
            nonlocal fed
            terminal.until(prompt)
            screen.feed(terminal.raw[fed:])
            fed = len(terminal.raw)
            assert screen.rows[screen.row] == prompt
            assert screen.column == len(prompt)
            assert "".join(screen.rows[screen.row + 1 :]).strip() == ""
            assert screen.cursor_shown
            assert "unit     OB-0001" not in screen.text
            return screen.text

        try:
            asked(made)
            bench.by_hand(setup="through reference")
            terminal.types("")
            assert "scope input 1                     ------> left.out hot" in asked(made)
            terminal.types("")  # and nobody has moved a lead
            asked("Press Enter when it is as drawn. ")
            bench.by_hand(setup=LEFT)
            terminal.types("")
            terminal.until("and 1 setup to be made by hand")
            asked(made)
            bench.by_hand(setup=LEFT.replace("left", "right"))
            terminal.types("")
            terminal.until("PASS  unit OB-0001, run 1: 8 pass")
            assert terminal.ended() == 0
        finally:
            terminal.end()


def test_a_channel_that_is_not_driven_shows_the_route_that_it_would_have() -> None:
    job = load_job(ROOT / "sequences" / "source_selector")
    setup = next(one for one in job.fixture.setups if str(one.drive) == "right.source_2")
    shown = RouteTexts(job).of(setup, State(on=("select_low",)))
    assert [(one.channel, one.text, one.driven) for one in shown] == [
        ("left", "source_2 > out", False),
        ("right", "source_2 > out", True),
    ]
    assert [one.text for one in RouteTexts(job).of(setup, State(on=()))] == ["silent at out"] * 2


def test_time_left_is_the_plans_at_first_and_goes_by_the_pace_that_is_seen() -> None:
    job = load_job(ROOT / "sequences" / "two_loop_switcher")
    plan = build_plan(job, impedances=BenchImpedances())
    left = TimeRemaining(plan, settle_s=job.sequence.settle_s)
    whole_s = left.after(0, spent_s=0.0)
    recorded_s = sum(record_s(acquisition) for acquisition in plan.acquisitions) + CHANGE_RECORD_S * len(
        plan.changes
    )
    assert whole_s > recorded_s
    half = len(plan.acquisitions) // 2
    assert left.after(half, spent_s=100.0) == pytest.approx(2 * left.after(half, spent_s=50.0 - SURE_S / 2))
    assert left.after(len(plan.acquisitions) + len(plan.changes), spent_s=100.0) == 0.0


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


class Full(Written):
    """Standard error on a disk that is full, as /dev/full is."""

    def flush(self) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")


@pytest.mark.parametrize("closed", [False, True], ids=["full", "closed"])
def test_progress_that_cannot_be_shown_takes_no_result_away(
    closed: bool, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    err = Full()
    monkeypatch.setattr("sys.stderr", err)
    with shown_progress("plan", "planning", first_s=0.0, every_s=0.01):
        if closed:
            err.close()
        for _ in range(2):
            err.some.clear()
            assert err.some.wait(10)
    print("{}", flush=True)
    assert capfd.readouterr().out == "{}\n"


def test_work_that_is_soon_done_says_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    err = Written()
    monkeypatch.setattr("sys.stderr", err)
    with shown_progress("plan", "planning"):
        pass
    assert err.getvalue() == ""


def test_a_pipe_has_a_line_a_setup_and_one_for_each_reading_that_did_not_pass(
    capsys: pytest.CaptureFixture[str],
) -> None:
    first, second = [setup for setup in load_job(SWITCHER).fixture.setups if not setup.through][:2]

    def readings(setup: Setup, done: int, verdict: Verdict = "pass") -> ReadingsMade:
        made = (changed(READING, setup=setup.name, verdict=verdict),)
        return ReadingsMade(state=IDLE_STATE, done=done, total=4, readings=made)

    with SetupLines() as lines:
        lines(SetupBegun(setup=first, number=1, total=2))
        lines(readings(first, 1))
        lines(readings(first, 2))
        lines(SetupBegun(setup=second, number=2, total=2))
        lines(readings(first, 2))
        lines(readings(second, 3, "fail"))
        lines(readings(second, 4))
    printed = capsys.readouterr().out.splitlines()
    assert [line for line in printed if line.startswith("setup")] == [
        f"setup 1/2: {first.name}: 3 of 3 readings pass",
        f"setup 2/2: {second.name}",
    ]
    assert printed[2].startswith("    FAIL")
    assert printed[-1] == "  1 of 2 readings pass"


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
