"""What would see the faults that a sequence cannot: columns of the composer's table that the sequence lacks.

The search is the composer's, for these faults alone. What the sequence makes already costs nothing in it. It
is made with the fixture as it is, then with other plugs, then with heavier loads.
"""

from collections.abc import Collection, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np

from harness.circuit.elements import BenchImpedances
from harness.compose.at_hand import AtHand
from harness.compose.given import Fixed, Made
from harness.compose.plugs import plug_sets
from harness.compose.search import ComposerSearch
from harness.compose.table import Column, CoverTable, suggested_check
from harness.compose.views import View, drives_of, setups_of, views_of
from harness.errors import SwitchwalkError
from harness.faults.contact_levels import heavier_loads
from harness.faults.effects import FaultSet, suspect_name
from harness.faults.margins import CLEAR, weigh_margins
from harness.job.faults import Fault
from harness.job.fixture import PortName
from harness.job.job import Job
from harness.job.sequence import Check, Tone
from harness.job.state import State
from harness.plan.build import trial_plan
from harness.plan.states import HANDS_S
from harness.quantities.quantity import AnyQuantity
from harness.quantities.registry import SUGGESTED
from harness.quantities.tolerance import TOLERANCE

LOADS_OHM = (600.0, 20.0)
USUAL_TONE = Tone(frequency_hz=1e3, level_vrms=1.228)
CHANNELS = tuple(range(1, 100))  # of a switchboard that makes setups: as many as are needed


@dataclass(frozen=True, kw_only=True)
class Addition:
    """An addition worth making: which more faults it sees, and what it costs in time, once a unit."""

    description: str
    sees: tuple[str, ...]
    cost_s: float


def cheapest_additions(
    job: Job, unseen: Sequence[Fault], *, impedances: BenchImpedances, executor: Executor | None = None
) -> tuple[Addition, ...]:
    """Choose additions until nothing more would see what is unseen: those first that see most.

    Other plugs come first if more is seen with them than as it is; heavier loads come last, for what changes
    anything without them.
    """
    left: list[FaultSet] = [(fault,) for fault in unseen]
    chosen: list[Addition] = []
    stirring: set[FaultSet] = set()

    def by_loads() -> Iterator[_Search]:
        for change in _loads(job):
            if wanted := [fault_set for fault_set in left if fault_set in stirring]:
                yield _Search(change, wanted, impedances, executor)

    by_plugs = [_Search(change, left, impedances, executor) for change in _plugs(job)] if left else []
    for search in chain(sorted(by_plugs, key=lambda each: -len(each.seen)), by_loads()):
        stirring |= search.stirring
        made = search.additions(left)
        names = {name for addition in made for name in addition.sees}
        left = [fault_set for fault_set in left if suspect_name(fault_set) not in names]
        chosen += made
    return tuple(chosen)


@dataclass(frozen=True, kw_only=True)
class _Change:
    """Another fixture for the same unit. words: "" for the job's own; again: the same once more.

    hands_s: what a person spends on it.
    """

    words: str
    again: str
    job: Job
    hands_s: float = 0.0

    def with_it(self, words: str, *, first: bool) -> str:
        """An addition to it. first: it has not been named before."""
        if not self.words:
            return words
        return f"{self.words}, and with it {words}" if first else f"{self.again}, {words}"


def _plugs(job: Job) -> Iterator[_Change]:
    """As it is; and with coded plugs, as the composer begins with, in place of those alike in every leg."""
    yield _Change(words="", again="", job=job)
    coded = {(one.from_net, one.to_net): one for one in next(plug_sets(job.module, (), few=True)).values()}
    alike = [
        loopback
        for loopback in job.fixture.loopbacks.values()
        if loopback.legs is None and (loopback.from_net, loopback.to_net) in coded
    ]
    if not alike:
        return
    other = {
        loopback.name: replace(loopback, legs=coded[loopback.from_net, loopback.to_net].legs, pad_db=None)
        for loopback in alike
    }
    yield _Change(
        words="coded plugs, different in every leg, instead of "
        f"{', '.join(loopback.name for loopback in alike)} (`switchwalk compose` chooses them)",
        again="with these plugs",
        job=replace(job, fixture=replace(job.fixture, loopbacks={**job.fixture.loopbacks, **other})),
    )


def _loads(job: Job) -> Iterator[_Change]:
    """Once more with heavier loads."""
    for ohm in LOADS_OHM:
        if loads := heavier_loads(job, ohm):
            yield _Change(
                words=f"{ohm:g} ohm across {', '.join(loads)}",
                again="with that load",
                job=replace(job, fixture=replace(job.fixture, loads=loads)),
                hands_s=HANDS_S * len(job.sequence.channels),
            )


class _Search:
    """A search for some faults with one fixture. seen: names of those that it finds a way to see.

    stirring: those that change anything at a pin.
    """

    def __init__(
        self,
        change: _Change,
        faults: Sequence[FaultSet],
        impedances: BenchImpedances,
        executor: Executor | None,
    ) -> None:
        job = change.job
        self._change, self._impedances, self._executor = change, impedances, executor
        self._search: ComposerSearch | None = None
        self._made = Made()
        self.seen: frozenset[str] = frozenset()
        self.stirring: frozenset[FaultSet] = frozenset()
        at_hand = AtHand(
            scope_inputs=2 * max((len(setup.view) for setup in job.fixture.setups), default=1),
            selectors=CHANNELS if all(each.select is not None for each in job.fixture.setups) else (),
            impedances=impedances,
            bench=job.bench,
        )
        try:
            self._made = _made(job, at_hand)
            search = ComposerSearch(
                _base(job),
                at_hand,
                fixed=Fixed(through=True),
                faults=faults,
                made=self._made,
                executor=executor,
            )
            search.fill()
        except SwitchwalkError:  # nothing can be composed with this fixture
            return
        self._search, self.stirring = search, frozenset(search.stirring)
        self.seen = frozenset(map(suspect_name, search.found().seen))

    def additions(self, wanted: Sequence[FaultSet]) -> list[Addition]:
        """The columns that see some of these faults, those that need the same words as one."""
        search, change = self._search, self._change
        if search is None or not self.seen:
            return []
        table, chosen = search.table, list(search.found().chosen)
        left = {row for row, fault_set in enumerate(table.faults) if fault_set in wanted}
        groups: dict[str, list[tuple[Column, set[int]]]] = {}
        while left and chosen:
            column = max(chosen, key=lambda each: (len(_seen_by(each, left)), -search.cost_s([each])))
            rows = _seen_by(column, left)
            chosen.remove(column)
            if rows:
                left -= rows
                groups.setdefault(self._words(table, column, sorted(rows)), []).append((column, rows))
        result: list[Addition] = []
        for words, its in groups.items():
            new = [column.state.name for column, _ in its if column.state not in change.job.sequence.states]
            states = f"{'state' if len(new) == 1 else 'states'} {', '.join(new)}: " if new else ""
            result.append(
                Addition(
                    description=change.with_it(f"{states}{words}", first=not result),
                    sees=tuple(suspect_name(table.faults[row]) for _, rows in its for row in sorted(rows)),
                    cost_s=search.cost_s([column for column, _ in its]) + (0 if result else change.hands_s),
                )
            )
        return result

    def _words(self, table: CoverTable, column: Column, rows: Sequence[int]) -> str:
        """The fewest checks of a column that see some faults."""
        job = table.trial((column.view,), (column.state,), column.frequency_hz)
        plan = trial_plan(job, impedances=self._impedances)
        made = weigh_margins(job, plan, [table.faults[row] for row in rows], executor=self._executor)
        left = np.ones(len(rows), dtype=bool)
        words: list[str] = []
        while left.any() and len(made.readings):
            seen = np.minimum(made.of_readings[left], CLEAR)
            best = made.readings[int(seen.sum(axis=0).argmax())]
            its = [number for number, each in enumerate(made.readings) if each.key.check == best.key.check]
            sees = (made.of_readings[:, its] >= np.minimum(made.best, CLEAR)[:, None]).any(axis=1)
            check = next(check for check in job.sequence.checks if check.name == best.key.check)
            words.append(_check_words(self._change.job, check, best.quantity, column.state))
            if not (left & sees).any():
                break
            left &= ~sees
        where = "" if column.view in self._made.views else f", in new setups that {column.view.words}"
        return " and ".join(dict.fromkeys(words)) + where


def _seen_by(column: Column, left: Collection[int]) -> set[int]:
    return {row for row in left if column.margins[row] >= CLEAR}


def _base(job: Job) -> Job:
    """The job without setups and checks of its own, but for those that carry its tone and its reference."""
    tone = next((check.tone for check in job.sequence.checks if check.quantity.takes_tone), USUAL_TONE)
    quantity = next(each for each, _ in SUGGESTED if each.judges_silent_ports)
    throughs = tuple(setup for setup in job.fixture.setups if setup.through)
    return replace(
        job,
        fixture=replace(job.fixture, setups=throughs),
        sequence=replace(job.sequence, states=(), checks=(suggested_check(quantity, None, (), tone),)),
    )


def _made(job: Job, at_hand: AtHand) -> Made:
    """What a job's sequence makes already."""
    drives = drives_of(job.module, job.sequence.channels)
    closed = [loopback.from_net for loopback in job.fixture.loopbacks.values()]
    every = views_of(job.module, at_hand.pairs, closed=closed)
    views = [view for view in (*every.first, *every.further) if _is_made(job, view, drives)]
    columns = {
        (view, state)
        for view in views
        for state in job.sequence.states
        for check in job.sequence.checks
        if check.covers(state) and set(view.nets) <= set(check.at)
    }
    return Made(views=frozenset(views), states=frozenset(job.sequence.states), columns=frozenset(columns))


def _is_made(job: Job, view: View, drives: Sequence[PortName]) -> bool:
    """Whether a job has setups that view as much, for every input."""
    return all(
        any(
            setup.drive == wanted.drive and set(wanted.view) <= set(setup.view)
            for setup in job.fixture.setups
            if not setup.inputs_swapped
        )
        for wanted in setups_of(job.module, view, drives, ())
    )


def _check_words(job: Job, check: Check, read: AnyQuantity, state: State) -> str:
    """A check of a column as a person would write it: the job's own with another limit, or a new one.

    read: the quantity that sees the fault, which may be another one that is read at silent ports.
    """
    limit = f'{check.limit.kind} "{TOLERANCE}"' if check.limit is not None else ""
    if read != check.quantity:
        limit = f'silent_ports_below = "{TOLERANCE}"'
    own = next(
        (
            each
            for each in job.sequence.checks
            if each.quantity == check.quantity
            and set(check.at) <= set(each.at)
            and each.tone.frequency_hz == check.tone.frequency_hz
            and (each.covers(state) or state not in job.sequence.states)
        ),
        None,
    )
    words = (
        f'"{own.name}"'
        if own
        else " at ".join([check.quantity.spoken, *([" and ".join(check.at)] if check.at else [])])
    )
    usual_hz = _base(job).sequence.checks[0].tone.frequency_hz
    at_hz = f" at {check.tone.frequency_hz:g} Hz" if check.tone.frequency_hz != usual_hz else ""
    return f"{words}{at_hz} {limit}".rstrip()
