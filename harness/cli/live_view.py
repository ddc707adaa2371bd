"""A run on a terminal while it goes on: state, route, last readings, relay operations, time left.

It is drawn at most four times a second by a thread of its own, and nothing of it is computed for a drawing
that does not happen. What did not pass, and every remark, is printed above it and stays.
"""

import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from types import TracebackType
from typing import TYPE_CHECKING, Self

from harness.cli.live_routes import Routes
from harness.cli.time_left import TimeLeft
from harness.cli.wrapping import as_shown, duration, fitted, wrapped
from harness.report.words import MARKS, place_words, reading_line, value_words
from harness.session.events import Event, HookupBegun, ReadingsMade, Remark, StateBegun
from harness.units import counted

if TYPE_CHECKING:
    from rich.console import Console, Group
    from rich.text import Text

    from harness.job.fixture import Hookup
    from harness.job.job import Job
    from harness.plan.model import Plan
    from harness.reading import Reading

DRAWN_HZ = 4.0
LABEL = 9  # columns before what a line says
MOST_READINGS = 6
WIDE = 110  # columns from which a reading has one line; below it has two
TIED = "\N{NO-BREAK SPACE}"  # where no line may be broken
STYLES = {"pass": "green", "fail": "bold red", "unproven": "yellow", "missing": "magenta"}


@dataclass(frozen=True, kw_only=True)
class _Place:
    """Where a run is: the hookup, and what a StateBegun said."""

    hookup: "Hookup | None" = None
    number: int = 0
    hookups: int = 0
    begun: StateBegun | None = None


class LiveView:
    """Watches a run, drawing over what it drew before.

    title: the unit. told: whether readings that did not pass are printed above the view.
    """

    def __init__(
        self, console: "Console", job: "Job", plan: "Plan", *, title: str, told: bool = True
    ) -> None:
        from rich.live import Live

        self._console, self._job, self._title, self._told = console, job, title, told
        self._readings = plan.count
        board_settle_s = job.bench.switchboard.settle_s if job.bench else 0.0
        self._left = TimeLeft(plan, settle_s=job.sequence.settle_s + board_settle_s)
        self._routes = Routes(job)
        self._by_hand = [visit.hookup.select is None for visit in plan.visits]
        self._place = _Place()
        self._counts = dict.fromkeys(MARKS, 0)
        self._last: tuple[Reading, ...] = ()
        self._done, self._total = 0, 0
        self._begun_s: float | None = None
        self._put_away_s = 0.0
        self._live = Live(
            console=console,
            refresh_per_second=DRAWN_HZ,
            transient=True,
            redirect_stderr=sys.stderr.isatty(),
            get_renderable=self._view,
        )

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    @contextmanager
    def put_away(self) -> Iterator[None]:
        """Draw nothing while a person is asked and types; what is asked stands where the view was."""
        self._live.stop()
        from_s = time.monotonic()
        yield
        self._put_away_s += time.monotonic() - from_s if self._begun_s is not None else 0.0
        self._live.start()

    def __call__(self, event: Event) -> None:
        """Take an event in; it is drawn when a drawing is due."""
        match event:
            case HookupBegun(hookup=hookup, number=number, total=total):
                self._place = _Place(hookup=hookup, number=number, hookups=total)
            case StateBegun(done=done, total=total):
                if self._begun_s is None:
                    self._begun_s = time.monotonic()
                place = self._place
                self._place = _Place(
                    hookup=place.hookup, number=place.number, hookups=place.hookups, begun=event
                )
                self._done, self._total = done, total
            case ReadingsMade(readings=readings):
                self._last = (*self._last, *readings)[-MOST_READINGS:]
                for reading in readings:
                    self._counts[reading.verdict] += 1
                for reading in readings:
                    if self._told and reading.verdict != "pass":
                        self._above(reading_line(reading))
            case Remark(text=text):
                self._above(text)

    def _above(self, text: str) -> None:
        for line in wrapped(as_shown(text, self._console.encoding), self._console.width):
            self._console.print(line, markup=False, highlight=False, soft_wrap=True)

    def _view(self) -> "Group":
        from rich.console import Group

        place, width = self._place, self._console.width
        head = [*self._heading(place), *self._state(place)]
        foot = [*self._progress(width), *self._operations(place.begun, width)]
        room = self._console.height - 1 - len(head) - len(foot) - 2
        return Group(*head, *self._last_readings(room, width), *foot)

    def _line(self, label: str, text: str, style: str = "") -> "Text":
        from rich.text import Text

        shown = as_shown(text, self._console.encoding)
        line = Text(f"{label:<{LABEL}}", style="dim", no_wrap=True, overflow="crop")
        line.append(fitted(shown, self._console.width - LABEL), style=style or "not dim")
        return line

    def _heading(self, place: _Place) -> "list[Text]":
        lines = [self._line("unit", self._title, "bold not dim")]
        if place.hookup is None:
            return [*lines, self._line("hookup", "none yet: the bench is looked at")]
        which = f"{place.number} of {place.hookups}: " if place.number else ""
        lines.append(self._line("hookup", f"{which}{place.hookup.name}"))
        if place.hookup.drive is None:
            return [*lines, self._line("leads", "generator straight on the scope")]
        views = ", ".join(map(str, place.hookup.view))
        return [*lines, self._line("leads", f"generator on {place.hookup.drive}; scope on {views}")]

    def _state(self, place: _Place) -> "list[Text]":
        begun = place.begun
        if begun is None or place.hookup is None:
            return []
        state, lines_there = begun.state, len(self._job.module.line_names)
        on = f"{len(state.on) or 'none'} of {counted(lines_there, 'line')} on"
        words = f"{state.name} ({on if state.powered else 'relay supply off'})"
        if begun.doing:
            words += f"; {begun.doing}"
        lines = [self._line("state", words, "bold not dim")]
        label = "route"
        width = self._console.width - LABEL
        for shown in self._routes.of(place.hookup, state):
            lead = f"{shown.channel}{'' if shown.driven else ' (if driven)'}: "
            text = as_shown(lead + shown.words.replace(" > ", " → "), self._console.encoding)
            for line in wrapped(text, width):
                lines.append(self._line(label, line))
                label = ""
        return lines

    def _last_readings(self, room: int, width: int) -> "list[Text]":
        """The newest readings that there is room for, the newest last, and an empty line around them."""
        each = 1 if width >= WIDE else 2
        count = min(max(room // each, 1), MOST_READINGS)
        lines = [self._line("", "")]
        for reading in self._last[-count:]:
            style = STYLES[reading.verdict]
            mark, where, value = MARKS[reading.verdict], place_words(reading), value_words(reading)
            if each == 1:
                text = f"{where}: {value}"
                lines.append(self._marked(mark, style, text))
            else:
                lines += [self._marked(mark, style, where), self._line("", f"  {value}")]
        return [*lines, self._line("", "")]

    def _marked(self, mark: str, style: str, text: str) -> "Text":
        line = self._line(mark, text)
        line.stylize(f"not dim {style}", 0, len(mark))
        return line

    def _progress(self, width: int) -> "list[Text]":
        made = sum(self._counts.values())
        counts = ", ".join(f"{count} {verdict}" for verdict, count in self._counts.items() if count)
        bar = self._bar(width - LABEL)
        said = f"{made} of {counted(self._readings, 'reading')}" + (f": {counts}" if counts else "")
        return [
            self._line("done", bar),
            self._line("", f"{self._done} of {self._total} acquisitions, {said}" if self._total else said),
            self._line("left", self._time_left()),
        ]

    def _bar(self, width: int) -> str:
        full = round(width * self._done / self._total) if self._total else 0
        return "#" * full + "." * (width - full)

    def _time_left(self) -> str:
        hands = sum(self._by_hand[self._place.number :])
        more = f", and {counted(hands, 'hookup')} to be made by hand" if hands else ""
        if self._begun_s is None:
            return f"about {duration(self._left.after(0, spent_s=0.0))} when the bench is proven{more}"
        spent_s = time.monotonic() - self._begun_s - self._put_away_s
        left_s = self._left.after(self._done, spent_s=spent_s)
        return f"about {duration(left_s)}{more}" if left_s >= 1.0 else f"a moment{more}"

    def _operations(self, begun: StateBegun | None, width: int) -> "list[Text]":
        made: Mapping[str, int] = {} if begun is None else begun.operations
        if not made:
            return []
        text = ", ".join(f"{relay}{TIED}{count}" for relay, count in made.items())
        lines = wrapped(f"operated so far: {text}", width - LABEL)
        if len(lines) > 2:
            most = max(made, key=lambda relay: made[relay])
            lines = [
                f"{counted(sum(made.values()), 'operation')} of {len(made)} so far, {most} most: {made[most]}"
            ]
        return [
            self._line("relays" if not index else "", line.replace(TIED, " "))
            for index, line in enumerate(lines)
        ]
