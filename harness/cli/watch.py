"""Showing a run while it goes on: a live view on a terminal, plain lines elsewhere."""

import time
from types import TracebackType
from typing import TYPE_CHECKING, Protocol, Self

import typer

from harness.cli.lines import say
from harness.reading import Reading
from harness.report.words import describe
from harness.runner.events import Event, HookupBegun, ReadingsMade, Remark, StateBegun

if TYPE_CHECKING:
    from rich.console import Console, Group

MARKS = {"pass": "ok", "fail": "FAIL", "unproven": "UNPROVEN", "missing": "MISSING"}


class Watcher(Protocol):
    """Sees a run's events, between its first and its last."""

    def __call__(self, event: Event) -> None:
        """Show an event."""
        ...

    def __enter__(self) -> Self: ...
    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...


def reading_line(reading: Reading) -> str:
    """One reading in a line: `FAIL gain left.out in loop_a: -0.44 ± 0.01 dB, limit -4.79 to -4.39 dB`."""
    words = describe(reading)
    place = " ".join(filter(None, (reading.quantity.replace("_", " "), reading.where)))
    limit = f", limit {words.limit}" if words.limit else ""
    expected = f", expected {words.expected}" if reading.unit == "" and words.expected else ""
    reason = f" ({reading.reason})" if reading.reason else ""
    return f"{MARKS[reading.verdict]} {place} in {reading.state}: {words.value}{expected or limit}{reason}"


class Lines:
    """Plain lines: a line a state, and one for each reading that did not pass."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    def __call__(self, event: Event) -> None:
        """Print an event."""
        match event:
            case HookupBegun(hookup=hookup, number=number, total=total):
                say(f"hookup {number}/{total}: {hookup.name}" if number else hookup.name)
            case ReadingsMade(state=state, done=done, total=total, readings=readings):
                passed = sum(reading.verdict == "pass" for reading in readings)
                typer.echo(f"  [{done:4d}/{total}] {state.name}: {passed} of {len(readings)} readings pass")
                for reading in readings:
                    if reading.verdict != "pass":
                        say(reading_line(reading), indent=4)
            case Remark(text=text):
                say(text, indent=2)


class Live:
    """A view that is drawn over and over: hookup, state, progress, time left, last readings."""

    SHOWN = 8

    def __init__(self, console: "Console") -> None:
        from rich.live import Live as RichLive

        self._console = console
        self._live = RichLive(console=console, refresh_per_second=8, transient=True)
        self._hookup = ""
        self._state = ""
        self._done, self._total = 0, 1
        self._counts = dict.fromkeys(MARKS, 0)
        self._last: list[Reading] = []
        self._begun_s = time.monotonic()

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    def __call__(self, event: Event) -> None:
        """Take an event and draw."""
        match event:
            case HookupBegun(hookup=hookup, number=number, total=total):
                self._hookup = f"{number}/{total} {hookup.name}" if number else hookup.name
                if hookup.select is None:
                    self._live.stop()  # a person is asked now, and types: nothing may be drawn over that
            case StateBegun(state=state, done=done, total=total):
                self._state, self._done, self._total = state.name, done, total
                self._live.start()
            case ReadingsMade(readings=readings):
                for reading in readings:
                    self._counts[reading.verdict] += 1
                    if reading.verdict != "pass":
                        self._console.print(reading_line(reading), markup=False, highlight=False)
                self._last = [*self._last, *readings][-self.SHOWN :]
            case Remark(text=text):
                self._console.print(text, markup=False, highlight=False)
        self._live.update(self._view())

    def _view(self) -> "Group":
        from rich.columns import Columns
        from rich.console import Group
        from rich.progress_bar import ProgressBar
        from rich.text import Text

        spent_s = time.monotonic() - self._begun_s
        left = f"about {spent_s * (self._total / self._done - 1):.0f} s left" if self._done > 2 else ""
        counts = ", ".join(f"{count} {verdict}" for verdict, count in self._counts.items() if count)
        lines = [Text(reading_line(reading), no_wrap=True, overflow="ellipsis") for reading in self._last]
        return Group(
            Text(f"hookup {self._hookup}"),
            Text(f"state  {self._state}"),
            Columns([ProgressBar(total=self._total, completed=self._done, width=60)]),
            Text(f"{self._done}/{self._total} acquisitions  {left}"),
            Text(counts),
            *lines,
        )


def watcher() -> Watcher:
    """A live view where standard output is a terminal, plain lines where it is not."""
    from rich.console import Console

    console = Console()
    return Live(console) if console.is_terminal else Lines()
