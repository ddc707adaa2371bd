"""A run on a terminal while it goes on: state, route, last readings, relay operations, time remaining.

A thread of its own draws it at most four times a second, and computes it only then. Readings that did not
pass, and every remark, are printed above it and stay. On a terminal that cannot move its cursor, and without
a terminal, plain lines are printed instead.
"""

import sys
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import accumulate
from typing import Self

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from harness.circuit.routes import SILENT, route
from harness.cli.live.plain import Lines, OneLine, SetupLines, Watcher
from harness.cli.terminal import (
    TIED,
    Stopping,
    as_shown,
    duration,
    fitted,
    output_may_be_gone,
    wrapped,
)
from harness.errors import CircuitError
from harness.job.fixture import PortName, Setup
from harness.job.job import Job
from harness.job.state import State
from harness.plan.model import Plan
from harness.plan.pulses import held
from harness.plan.states import CHANGE_RECORD_S, looks_s, record_s
from harness.reading import Reading
from harness.records.store import RunStore
from harness.report.words import MARKS, reading_line, reading_name, value_text
from harness.session.events import Event, Hands, Observer, ReadingsMade, Remark, SetupBegun, StateBegun
from harness.session.open_bench import OpenBench
from harness.session.request.header import RunRequest
from harness.session.unit_run import RunResult, run_one_of_many
from harness.units import counted

DRAWN_HZ = 4.0
LABEL = 9  # columns of a line's label
MOST_READINGS = 6
WIDE = 110  # columns from which a reading has one line; below it has two
STYLES = {"pass": "green", "fail": "bold red", "unproven": "yellow", "missing": "magenta"}
MOST_PORTS = 2  # of each channel: a view has twenty-odd lines
SURE_S = 5.0  # at a run's beginning, when the planned time counts more than the measured pace


class LiveView(Watcher):
    """Watches a run, drawing over what it drew before.

    title: the unit. shows_readings: whether readings that did not pass are printed above the view.
    """

    def __init__(self, console: Console, job: Job, plan: Plan, *, title: str, shows_readings: bool) -> None:
        self._console, self._job, self._title, self._shows_readings = console, job, title, shows_readings
        self._readings = plan.count
        board_settle_s = job.bench.settle_s if job.bench else 0.0
        self._remaining = TimeRemaining(plan, settle_s=job.sequence.settle_s + board_settle_s)
        self._routes = RouteTexts(job)
        self._by_hand = [visit.setup.select is None for visit in plan.visits]
        self._begun: tuple[SetupBegun | None, StateBegun | None] = None, None  # replaced as a whole
        self._counts = Counter(dict.fromkeys(MARKS, 0))
        self._last: tuple[Reading, ...] = ()
        self._done, self._total = 0, 0
        self._begun_s: float | None = None
        self._paused_s = 0.0
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

    def __exit__(self, *_: object) -> None:
        self._live.stop()

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Draw nothing while a person is asked and types; the question stands where the view was."""
        self._live.stop()
        from_s = time.monotonic()
        yield
        self._paused_s += time.monotonic() - from_s if self._begun_s is not None else 0.0
        self._live.start()

    def __call__(self, event: Event) -> None:
        """Take an event in; it is drawn when a drawing is due."""
        match event:
            case SetupBegun():
                self._begun = event, None
            case StateBegun(done=done, total=total):
                if self._begun_s is None:
                    self._begun_s = time.monotonic()
                self._begun = self._begun[0], event
                self._done, self._total = done, total
            case ReadingsMade(readings=readings):
                self._last = (*self._last, *readings)[-MOST_READINGS:]
                self._counts.update(reading.verdict for reading in readings)
                for reading in readings:
                    if self._shows_readings and reading.verdict != "pass":
                        self._above(reading_line(reading))
            case Remark(text=text):
                self._above(text)

    def _above(self, text: str) -> None:
        for line in wrapped(as_shown(text, self._console.encoding), self._console.width):
            self._console.print(line, markup=False, highlight=False, soft_wrap=True)

    def _view(self) -> Group:
        (visit, begun), width = self._begun, self._console.width
        head = [*self._heading(visit), *self._state(visit, begun)]
        foot = [*self._progress(width), *self._operations(begun, width)]
        room = self._console.height - 1 - len(head) - len(foot) - 2
        return Group(*head, *self._last_readings(room, width), *foot)

    def _line(self, label: str, text: str, style: str = "") -> Text:
        shown = as_shown(text, self._console.encoding)
        line = Text(f"{label:<{LABEL}}", style="dim", no_wrap=True, overflow="crop")
        line.append(fitted(shown, self._console.width - LABEL), style=style or "not dim")
        return line

    def _heading(self, visit: SetupBegun | None) -> list[Text]:
        lines = [self._line("unit", self._title, "bold not dim")]
        if visit is None:
            return [*lines, self._line("setup", "none yet: the bench is looked at")]
        setup, which = visit.setup, f"{visit.number} of {visit.total}: " if visit.number else ""
        leads = "generator straight on the scope"
        if setup.drive is not None:
            leads = f"generator on {setup.drive}; scope on {', '.join(map(str, setup.view))}"
        return [*lines, self._line("setup", f"{which}{setup.name}"), self._line("leads", leads)]

    def _state(self, visit: SetupBegun | None, begun: StateBegun | None) -> list[Text]:
        if begun is None or visit is None:
            return []
        state, controls = begun.state, len(self._job.module.control_names)
        on = f"{len(held(self._job.module, state)) or 'none'} of {counted(controls, 'control line')} on"
        text = f"{state.name} ({on if state.powered else 'relay supply off'})"
        text += f"; {begun.doing}" if begun.doing else ""
        routes: list[str] = []
        for way in self._routes.of(visit.setup, state):
            lead = f"{way.channel}{'' if way.driven else ' (if driven)'}: "
            shown = as_shown(lead + way.text.replace(" > ", " → "), self._console.encoding)
            routes += wrapped(shown, self._console.width - LABEL)
        return [self._line("state", text, "bold not dim"), *self._block("route", routes)]

    def _block(self, label: str, lines: Sequence[str]) -> list[Text]:
        """Lines of which the first has a label."""
        return [self._line("" if index else label, line) for index, line in enumerate(lines)]

    def _last_readings(self, room: int, width: int) -> list[Text]:
        """As many of the newest readings as fit, the newest last, between two empty lines."""
        each = 1 if width >= WIDE else 2
        count = min(max(room // each, 1), MOST_READINGS)
        lines = [self._line("", "")]
        for reading in self._last[-count:]:
            style = STYLES[reading.verdict]
            mark, what, value = MARKS[reading.verdict], reading_name(reading), value_text(reading)
            if each == 1:
                lines.append(self._marked(mark, style, f"{what}: {value}"))
            else:
                lines += [self._marked(mark, style, what), self._line("", f"  {value}")]
        return [*lines, self._line("", "")]

    def _marked(self, mark: str, style: str, text: str) -> Text:
        line = self._line(mark, text)
        line.stylize(f"not dim {style}", 0, len(mark))
        return line

    def _progress(self, width: int) -> list[Text]:
        counts = ", ".join(f"{count} {verdict}" for verdict, count in self._counts.items() if count)
        readings = f"{self._counts.total()} of {counted(self._readings, 'reading')}"
        acquisitions = f"{self._done} of {self._total} acquisitions, " if self._total else ""
        full = round((width - LABEL) * self._done / self._total) if self._total else 0
        return [
            self._line("done", "#" * full + "." * (width - LABEL - full)),
            self._line("", acquisitions + readings + (f": {counts}" if counts else "")),
            self._line("time", self._time_remaining()),
        ]

    def _time_remaining(self) -> str:
        visit, _ = self._begun
        hands = sum(self._by_hand[0 if visit is None else visit.number :])
        more = f", and {counted(hands, 'setup')} to be made by hand" if hands else ""
        if self._begun_s is None:
            duration_s = self._remaining.after(0, spent_s=0.0)
            return f"about {duration(duration_s)} once the bench is proven{more}"
        spent_s = time.monotonic() - self._begun_s - self._paused_s
        remaining_s = self._remaining.after(self._done, spent_s=spent_s)
        shown = f"about {duration(remaining_s)}" if remaining_s >= 1.0 else "a moment"
        return f"{shown} remaining{more}"

    def _operations(self, begun: StateBegun | None, width: int) -> list[Text]:
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
        return self._block("relays", lines)


@dataclass(frozen=True, kw_only=True)
class ShownRoute:
    """One way through the unit. driven: whether the generator is on this channel now."""

    channel: str
    text: str
    driven: bool


class RouteTexts:
    """The ways to the ports of a setup; each is computed when it is first asked for, and once."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._known: dict[tuple[PortName, tuple[str, ...], State, PortName], str] = {}

    def of(self, setup: Setup, state: State) -> tuple[ShownRoute, ...]:
        """By channel: to the ports that the setup views, as it is driven or would be."""
        if setup.drive is None:
            return ()
        return tuple(
            ShownRoute(
                channel=channel, text=self._text(twin, state, port), driven=channel == setup.drive.channel
            )
            for channel in self._job.module.channels
            if (twin := self._twin(setup, channel)) is not None
            for port in self._ports(setup, channel)
        )

    def _twin(self, setup: Setup, channel: str) -> Setup | None:
        """The setup itself for the channel that it drives; for another one the first that is its like."""
        if setup.drive is None or setup.drive.channel == channel:
            return setup
        net = setup.drive.net
        return next(
            (
                other
                for other in self._job.fixture.setups
                if other.drive is not None
                and (other.drive.channel, other.drive.net) == (channel, net)
                and other.loopbacks == setup.loopbacks
            ),
            None,
        )

    def _ports(self, setup: Setup, channel: str) -> list[PortName]:
        """The viewed ports besides the driven one, by name, in this channel."""
        driven = "" if setup.drive is None else setup.drive.net
        nets = list(dict.fromkeys(port.net for port in setup.view if port.net != driven))
        if not nets:
            outputs = (port for port in self._job.module.ports if port.role == "output")
            nets = [port.net for port in outputs if port.is_in(channel)]
        return [PortName(channel=channel, net=net) for net in nets[:MOST_PORTS]]

    def _text(self, setup: Setup, state: State, port: PortName) -> str:
        if setup.drive is None:
            return SILENT
        key = setup.drive, setup.loopbacks, state, port
        if key not in self._known:
            try:
                text = route(self._job.module, self._job.fixture, setup, state, port)
            except CircuitError as error:
                text = str(error)
            self._known[key] = f"{text} at {port.net}" if text == SILENT else text
        return self._known[key]


class TimeRemaining:
    """The planned time of each acquisition, and of what comes before it."""

    def __init__(self, plan: Plan, *, settle_s: float) -> None:
        self._behind_s = (0.0, *accumulate(_planned_s(plan, settle_s)))

    def after(self, done: int, *, spent_s: float) -> float:
        """Seconds remaining after so many acquisitions in so many seconds, moving leads not counted."""
        behind_s = self._behind_s[min(done, len(self._behind_s) - 1)]
        pace = (spent_s + SURE_S) / (behind_s + SURE_S)
        return (self._behind_s[-1] - behind_s) * pace


def _planned_s(plan: Plan, settle_s: float) -> list[float]:
    """Of each acquisition in its order: settling and recording, and the operating of lines before it."""
    planned: list[float] = []
    waiting_s = 0.0
    for visit in plan.visits:
        waiting_s += looks_s(visit.cycles, settle_s)
        for state in visit.states:
            waiting_s += settle_s
            for acquisition in state.acquisitions:
                planned.append(waiting_s + record_s(acquisition))
                waiting_s = 0.0
        for _ in visit.changes:
            planned.append(waiting_s + CHANGE_RECORD_S)
            waiting_s = 0.0
    return planned


class HandsWatched:
    """Hands that are asked for something while the view is paused."""

    def __init__(self, hands: Hands, shown: Watcher) -> None:
        self._hands, self._shown = hands, shown

    def make(self, setup: Setup) -> None:
        """Have a setup made."""
        with self._shown.paused():
            self._hands.make(setup)

    def correct(self, setup: Setup, leads: Sequence[str], message: str) -> None:
        """Have leads of a setup corrected."""
        with self._shown.paused():
            self._hands.correct(setup, leads, message)


def live_or_lines(bench: OpenBench, serial: str, plan: Plan | None = None) -> Watcher:
    """A live view if standard output is a terminal that can move its cursor; on another a line for each
    state, and in a file or a pipe one for each setup.

    plan: what is left to do of the job's.
    """
    title = f"{serial}{', simulated' if bench.simulated else ''}: {bench.job.sequence.name}"
    return _live_view(bench, title, plan=plan, shows_readings=True) or (
        Lines() if sys.stdout.isatty() else SetupLines()
    )


def _live_view(
    bench: OpenBench, title: str, *, plan: Plan | None = None, shows_readings: bool
) -> LiveView | None:
    if not sys.stdout.isatty():
        return None
    console = Console()
    if not console.is_terminal or console.is_dumb_terminal:
        return None
    return LiveView(
        console, bench.job, plan or bench.planned.plan, title=title, shows_readings=shows_readings
    )


@contextmanager
def watched(bench: OpenBench, stopping: Stopping, shown: Watcher | None) -> Iterator[tuple[Observer, Hands]]:
    """An observer of a run's events, and the hands that move its leads; the run stops if a signal came.

    shown: None to show nothing. A run whose output can no longer be written (a closed pipe, a full disk)
    goes on unseen, and its verdict is recorded.
    """
    if shown is None:
        yield lambda _: stopping.check(), bench.hands
        return

    def show(event: Event) -> None:
        stopping.check()
        with output_may_be_gone():
            shown(event)

    ask = bench.ask

    def ask_paused(text: str) -> None:
        with shown.paused():
            ask(text)

    bench.ask = ask_paused
    shown.__enter__()
    try:
        yield show, HandsWatched(bench.hands, shown)
    finally:
        bench.ask = ask
        with suppress(OSError):  # a lost terminal must not hide why the run ended
            shown.__exit__(None, None, None)


def run_watched(
    bench: OpenBench, store: RunStore, request: RunRequest, stopping: Stopping, *, quiet: bool
) -> RunResult:
    """Run a unit of several, shown in a live view or one line, without its readings; quiet: not shown."""
    shown: Watcher | None = None
    if not quiet:
        title = f"{request.serial}: {bench.job.sequence.name}"
        plan = request.plan_of(bench.planned.plan)
        shown = _live_view(bench, title, plan=plan, shows_readings=False) or OneLine(request.serial)
    with watched(bench, stopping, shown) as (observe, hands):
        return run_one_of_many(bench, store, request, hands=hands, observe=observe)
