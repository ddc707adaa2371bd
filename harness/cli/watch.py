"""Showing a run while it goes on: a live view on a terminal, plain lines elsewhere."""

import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from types import TracebackType
from typing import TYPE_CHECKING, Protocol, Self

from harness.cli.wrapping import say
from harness.report.words import reading_line
from harness.session.events import Event, HookupBegun, ReadingsMade, Remark
from harness.units import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.cli.live_view import LiveView
    from harness.job.fixture import Hookup
    from harness.job.job import Job
    from harness.plan.model import Plan
    from harness.session.events import Hands


class Watcher(Protocol):
    """Sees a run's events, between its first and its last."""

    def __call__(self, event: Event) -> None:
        """Show an event."""
        ...

    def put_away(self) -> AbstractContextManager[None]:
        """Leave the terminal to a person who is asked something."""
        ...

    def __enter__(self) -> Self: ...
    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...


class Lines:
    """Plain lines: a line a state, and one for each reading that did not pass."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    @contextmanager
    def put_away(self) -> Iterator[None]:
        """Lines stay where they are."""
        yield

    def __call__(self, event: Event) -> None:
        """Print an event."""
        match event:
            case HookupBegun(hookup=hookup, number=number, total=total):
                say(f"hookup {number}/{total}: {hookup.name}" if number else hookup.name)
            case ReadingsMade(state=state, done=done, total=total, readings=readings):
                passed = sum(reading.verdict == "pass" for reading in readings)
                behind = f"[{done:{len(str(total))}d} of {counted(total, 'acquisition')}]"
                say(f"{behind} {state.name}: {passed} of {counted(len(readings), 'reading')} pass", indent=2)
                for reading in readings:
                    if reading.verdict != "pass":
                        say(reading_line(reading), indent=4)
            case Remark(text=text):
                say(text, indent=2)


class HandsWatched:
    """Hands that are asked for something while what is watched is put away."""

    def __init__(self, hands: "Hands", shown: Watcher) -> None:
        self._hands, self._shown = hands, shown

    def make(self, hookup: "Hookup") -> None:
        """Have a hookup made."""
        with self._shown.put_away():
            self._hands.make(hookup)

    def correct(self, hookup: "Hookup", leads: "Sequence[str]", said: str) -> None:
        """Have leads of a hookup seen to."""
        with self._shown.put_away():
            self._hands.correct(hookup, leads, said)


def watcher(job: "Job", plan: "Plan", *, title: str) -> Watcher:
    """A live view where standard output is a terminal that can move its cursor; plain lines elsewhere."""
    return live_view(job, plan, title=title) or Lines()


def live_view(job: "Job", plan: "Plan", *, title: str, told: bool = True) -> "LiveView | None":
    """A live view, where there can be one. told: readings that did not pass are printed and stay."""
    if not sys.stdout.isatty():
        return None
    from rich.console import Console

    from harness.cli.live_view import LiveView

    console = Console()
    if not console.is_terminal or console.is_dumb_terminal:
        return None
    return LiveView(console, job, plan, title=title, told=told)
