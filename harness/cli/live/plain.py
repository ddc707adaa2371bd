"""A run in plain lines: a line a state on a terminal, a line a setup in a file or a pipe, or one line that is
written over.
"""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Self

from harness.cli.terminal import WIDTH, say
from harness.report.words import reading_line
from harness.session.events import Event, ReadingsMade, Remark, SetupBegun, StateBegun
from harness.units import counted


class Watcher:
    """Shows a run's events to a person. A context manager around the run; this one shows nothing."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def __call__(self, event: Event) -> None:
        """Show an event."""

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Leave the terminal to a person who is asked something."""
        yield


class Lines(Watcher):
    """For a terminal that can't move its cursor: a line a state, and one for each reading that did not pass.

    The readings of a setup's last state come when the next setup has begun, so its heading waits for them.
    """

    def __init__(self) -> None:
        self._heading, self._setup = "", ""

    def __exit__(self, *_: object) -> None:
        self._say_heading()

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Say which setup a person is asked for."""
        self._say_heading()
        yield

    def _say_heading(self) -> None:
        if self._heading:
            say(self._heading)
        self._heading = ""

    def __call__(self, event: Event) -> None:
        """Print an event."""
        match event:
            case SetupBegun(setup=setup, number=number, total=total):
                self._say_heading()
                self._setup = setup.name
                self._heading = f"setup {number}/{total}: {setup.name}" if number else setup.name
            case ReadingsMade(state=state, done=done, total=total, readings=readings):
                if any(reading.setup == self._setup for reading in readings) or not readings:
                    self._say_heading()
                passed = sum(reading.verdict == "pass" for reading in readings)
                behind = f"[{done:{len(str(total))}d} of {counted(total, 'acquisition')}]"
                result = f": {passed} of {counted(len(readings), 'reading')} pass" if readings else ""
                say(f"{behind} {state.name}{result}", indent=2)
                for reading in readings:
                    if reading.verdict != "pass":
                        say(reading_line(reading), indent=4)
            case Remark(text=text):
                self._say_heading()
                say(text, indent=2)


@dataclass
class _Tally:
    """What a setup has come to so far; headed: whether its heading is printed already."""

    setup: str
    heading: str
    headed: bool = False
    readings: int = 0
    passed: int = 0

    def head(self) -> None:
        """Print the heading, if it is not there yet."""
        if not self.headed:
            say(self.heading)
        self.headed = True

    def close(self) -> None:
        """Print what the setup came to, behind its heading or below it."""
        result = f"{self.passed} of {counted(self.readings, 'reading')} pass" if self.readings else ""
        if not self.headed:
            say(f"{self.heading}: {result}" if result else self.heading)
        elif result:
            say(result, indent=2)


class SetupLines(Watcher):
    """For a file or a pipe: a line a setup, and one for each reading that did not pass.

    The readings of a setup's last state come when the next setup has begun, so its line waits for them.
    """

    def __init__(self) -> None:
        self._open: list[_Tally] = []  # the setup that is being measured, before it the one that may go on

    def __exit__(self, *_: object) -> None:
        self._close_all_but(0)

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Say which setup a person is asked for."""
        self._close_all_but(1)
        for tally in self._open:
            tally.head()
        yield

    def _close_all_but(self, count: int) -> None:
        while len(self._open) > count:
            self._open.pop(0).close()

    def __call__(self, event: Event) -> None:
        """Print or count an event."""
        match event:
            case SetupBegun(setup=setup, number=number, total=total):
                self._close_all_but(1)
                heading = f"setup {number}/{total}: {setup.name}" if number else setup.name
                self._open.append(_Tally(setup=setup.name, heading=heading))
            case ReadingsMade(readings=readings) if self._open:
                if not readings or any(reading.setup == self._open[-1].setup for reading in readings):
                    self._close_all_but(1)
                tally = self._open[0]
                tally.readings += len(readings)
                tally.passed += sum(reading.verdict == "pass" for reading in readings)
                for reading in readings:
                    if reading.verdict != "pass":
                        tally.head()
                        say(reading_line(reading), indent=4)
            case Remark(text=text):
                self._close_all_but(1)
                for tally in self._open:
                    tally.head()
                say(text, indent=2)


class OneLine(Watcher):
    """One line that is written over while a unit is tested; nothing if standard error is no terminal."""

    def __init__(self, serial: str) -> None:
        self._serial, self._shown = serial, sys.stderr.isatty()

    def __exit__(self, *_: object) -> None:
        self._write("")

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Clear the line."""
        self._write("")
        yield

    def __call__(self, event: Event) -> None:
        """Show how far the run is."""
        match event:
            case SetupBegun(setup=setup):
                self._write(f"{self._serial}: {setup.name}")
            case StateBegun(state=state, done=done, total=total):
                self._write(f"{self._serial}: {done} of {total}, {state.name}")

    def _write(self, text: str) -> None:
        if self._shown:
            sys.stderr.write(f"\r{text[: WIDTH - 1]:<{WIDTH - 1}}" + ("\r" if not text else ""))
            sys.stderr.flush()
