"""The search: plugs and loads, then states and views until nothing more is seen, then the cheapest choice.

The 2^n states of n control lines are not weighed one by one. Idle and each line alone come first; then those
in which a signal passes contacts that it has not passed before; then some more that lead it past relays whose
faults are unseen. Of these, only those are weighed that faults stir anything in, the fewest of them: what
stirs nothing is never seen, and most of what no sequence can see stirs nothing anywhere.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from harness.arrays import Flags, Floats, Indices
from harness.compose.at_hand import AtHand
from harness.compose.given import NOTHING_FIXED, NOTHING_MADE, Fixed, Made
from harness.compose.plugs import plug_sets
from harness.compose.routes import SignalWays, Throw, states_to_look_at
from harness.compose.table import Column, CoverTable, subjects
from harness.compose.views import View, Views, drives_of, setups_of, views_of
from harness.errors import JobError, Mistake
from harness.faults.coverage import NOTHING, hard_faults
from harness.faults.effects import FaultSet
from harness.faults.margins import CLEAR, SURE
from harness.faults.suggestions.cheapest import cheapest
from harness.job.fixture import Loopback, Termination
from harness.job.job import MODULE, Job
from harness.job.module import Module
from harness.job.own_faults import own_suspects
from harness.job.state import UNPOWERED_STATE, State, all_states, single_control_states
from harness.measure.tones import choose_tones
from harness.plan import setups as plan_setups
from harness.plan.states import HANDS_S, energised
from harness.quantities.estimates import NO_EVIDENCE

MOST_AT_ONCE = 96  # states that are tried in one round
AT_ONCE = 16  # of those that lead a signal no new way
IDLE_ROUNDS = 2  # without anything new, and the search ends
ALL_UP_TO = 4  # control lines whose states are all tried at once
LARGE = 16  # relays, of a unit of which not every state is weighed for every fault
PORTION = 4  # of its states at once
OTHER_HZ = (20.0, 20e3)  # where parts that depend on frequency show
WELL = 0.5  # of what a fault moves in any state, and the state is as good as that one
NEWS = 0.1  # by which a margin must grow to count as something new
ENOUGH = 10.0  # a margin that counts for no more in the choice of plugs
UNPOWERED_ON = 50  # relays that the supply off counts as, so that idle is chosen before it
SELECTED_S = 0.05  # what a setup made by relays costs beside its captures

Note = Callable[[str], None]


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """The table of the plugs and loads that were chosen, and the columns that see what all of it sees.

    tried: how many states were weighed.
    """

    table: CoverTable
    chosen: tuple[Column, ...]
    tried: int

    @property
    def seen(self) -> frozenset[FaultSet]:
        """The faults that the table sees clearly."""
        rows = np.flatnonzero(self.table.best() >= CLEAR).tolist()
        return frozenset(self.table.faults[row] for row in rows)


class ComposerSearch:
    """A search for what sees as many faults of a module as can be, with few moves, in little time."""

    def __init__(
        self,
        base: Job,
        at_hand: AtHand,
        *,
        fixed: Fixed = NOTHING_FIXED,
        faults: Sequence[FaultSet] | None = None,
        made: Made = NOTHING_MADE,
        executor: Executor | None = None,
        note: Note = lambda text: None,
    ) -> None:
        """Choose loads and plugs. base: the module with its fixture as far as it is settled.

        faults: that are looked for with the fixture as it is; None: every single one, and the module's
        suspects, with the best loads and plugs. made: what costs nothing more. Raises JobError, CircuitError.
        """
        self._at_hand, self._fixed = at_hand, fixed
        self._made = made
        self.stirring: set[FaultSet] = set()  # what has been seen to change anything, however little
        self._module = base.module
        self._is_large = len(base.module.relays) > LARGE
        self._executor, self._note = executor, note
        self._controls = base.module.state_controls
        self._hz = base.sequence.checks[0].tone.frequency_hz
        self._drives = drives_of(base.module, base.sequence.channels)
        if at_hand.selectors and not fixed.through:
            base = _with_swapped_inputs(base)
        self._random = np.random.default_rng(1)
        if faults is None:
            self.table = self._chosen_fixture(base)
        else:
            self.table = self._table(base, faults)
        if faults is None and not self.table.columns:
            message = (
                "no channel has both an input and an output, so that nothing can be driven and viewed; "
                "expected channels that have both"
            )
            raise JobError([Mistake(file=MODULE, key="ports", message=message)])
        self.views = self._views(self.table.base)
        self._states = {state.name: state for state in self._first_states()}

    def fill(self) -> None:
        """Fill the table until nothing more is seen. Raises JobError, CircuitError."""
        if not self.table.columns:
            self._weigh_stirring(self.views.first, self._first_states(), self._unclear())
        self._try_states(self.views.first)
        self._try_frequencies()
        self._try_views()
        self._try_swapped_inputs()

    def weigh_apart(self, faults: Collection[FaultSet]) -> None:
        """Weigh faults again with each view in setups of its own, as a run has it.

        What another pair of inputs brings to the circuit may be all that shows a fault where a leg floats.
        """
        rows = [row for row, fault in enumerate(self.table.faults) if fault in faults]
        columns = list(self.table.columns)
        alike: dict[tuple[View, float], list[Column]] = {}
        for column in columns:
            column.margins[rows] = NO_EVIDENCE
            alike.setdefault((column.view, column.frequency_hz), []).append(column)
        self._note("each view by itself")
        for (view, hz), old in alike.items():
            states = tuple(column.state for column in old)
            new = self.table.weigh((view,), states, wanted=rows, frequency_hz=hz, executor=self._executor)
            for column, apart in zip(old, new, strict=True):
                column.margins[rows] = apart.margins[rows]
        self.table.columns = columns

    def _views(self, base: Job) -> Views:
        closed = [loopback.from_net for loopback in base.fixture.loopbacks.values()]
        return views_of(self._module, self._at_hand.pairs, closed=closed)

    def _first_states(self) -> tuple[State, ...]:
        """Idle, each control line alone, and the supply off; all states of few lines."""
        if self._fixed.states is not None:
            return self._fixed.states[:MOST_AT_ONCE]
        few = len(self._controls) <= ALL_UP_TO
        return (*(all_states if few else single_control_states)(self._controls), UNPOWERED_STATE)

    def _chosen_fixture(self, base: Job) -> CoverTable:
        """Try loads, then plugs, at the outputs; returns the table of the best."""
        fixture = base.fixture
        sets = [fixture.loopbacks]
        if not self._fixed.loopbacks:
            sets = [*plug_sets(self._module, self._at_hand.losses_db, few=self._is_large)]
        loads = [fixture.loads]
        if not self._fixed.loads:
            loads = [_loads(self._module, sets[0], load) for load in self._at_hand.loads]
        tables = [self._first_table(base, load, sets[0]) for load in loads]
        best = max(tables, key=_worth)
        rows = self._open_rows(best) if len(sets) > 1 else []
        for number, plugs in enumerate(sets[1:], start=2):
            if not len(rows):
                break
            self._note(f"plugs {number} of {len(sets)}")
            quick = self._first_table(base, best.base.fixture.loads, plugs, rows)
            if _capped(quick.best()[rows]).sum() > _capped(best.best()[rows]).sum() + NEWS:
                best = max(best, self._first_table(base, best.base.fixture.loads, plugs), key=_worth)
                rows = self._open_rows(best)
        return best

    def _open_rows(self, table: CoverTable) -> list[int]:
        """The faults that other plugs may show: those that are not clear, and stir something."""
        open_rows = np.flatnonzero(table.best() < CLEAR)
        stirred = table.stirred(
            self._views(table.base).first,
            self._first_states(),
            wanted=open_rows.tolist(),
            frequency_hz=self._hz,
        )
        return [int(row) for row in open_rows[stirred.max(axis=1, initial=0.0) > NOTHING]]

    def _first_table(
        self,
        base: Job,
        loads: Mapping[str, Termination],
        plugs: Mapping[str, Loopback],
        rows: Sequence[int] | None = None,
    ) -> CoverTable:
        """Weigh the first states at the outputs; rows: of the faults, None for all."""
        tried = replace(base, fixture=replace(base.fixture, loads=loads, loopbacks=plugs))
        table = self._table(tried, faults_of(tried))
        views, states = self._views(tried).first, self._first_states()
        # Of a large unit further states are weighed for what those before do not show clearly.
        portions = [states]
        if self._is_large:
            portions = [states[:1], *(states[at : at + PORTION] for at in range(1, len(states), PORTION))]
        for portion in portions:
            wanted = np.flatnonzero(table.best() < CLEAR).tolist() if rows is None else rows
            table.weigh(views, portion, wanted=wanted, frequency_hz=self._hz, executor=self._executor)
            if len(portions) > 1:
                seen = int((table.best() >= CLEAR).sum())
                self._note(f"first states, {seen} of {len(table.faults)} faults seen so far")
        return table

    def _table(self, base: Job, faults: Sequence[FaultSet]) -> CoverTable:
        """An empty one."""
        return CoverTable(
            base=base, faults=tuple(faults), drives=self._drives, impedances=self._at_hand.impedances
        )

    def _try_states(self, views: Sequence[View]) -> None:
        """Try more states while faults are unseen and some state shows one."""
        fruitless = 0
        while fruitless < IDLE_ROUNDS and self._fixed.states is None:
            wanted = self._unclear()
            states = self._more_states(wanted)
            if not len(wanted) or not states:
                break
            self._note(f"{len(self._states) + len(states)} states, {self._seen_text()}")
            self._states |= {state.name: state for state in states}
            fruitless = 0 if self._weigh_stirring(views, states, wanted) else fruitless + 1

    def _try_frequencies(self) -> None:
        """Try low and high frequencies in the states there are, if parts of the unit depend on frequency."""
        for hz in self._other_hz:
            if len(wanted := self._unclear()):
                self._note(f"{hz:g} Hz, {self._seen_text()}")
                self._weigh_stirring(self.views.first, self._useful(), wanted, hz=hz)

    def _try_views(self) -> None:
        """Try further views, then more states in those that show something."""
        if self.views.further and len(wanted := self._unclear()):
            self._note(f"further views, {self._seen_text()}")
            new = self._weigh_stirring(self.views.further, self._useful(), wanted)
            if new:
                self._try_states(list(dict.fromkeys(column.view for column in new)))

    @property
    def _other_hz(self) -> tuple[float, ...]:
        """Frequencies at which the unit may behave otherwise."""
        module = self._module
        return OTHER_HZ if module.capacitors or module.inductors or module.transformers else ()

    def _try_swapped_inputs(self) -> None:
        """Try the through setup with swapped inputs as well, if that costs a person a move."""
        wanted, before = self._unclear(), self.table.base
        other = before if self._fixed.through else _with_swapped_inputs(before)
        if len(wanted) and other is not before:
            self._note(f"swapped scope inputs, {self._seen_text()}")
            self.table.base = other
            views = tuple(dict.fromkeys(column.view for column in self.table.columns))
            if not self._weigh_stirring(views, self._useful(), wanted):
                self.table.base = before

    def _weigh_stirring(
        self,
        views: Sequence[View],
        states: Sequence[State],
        wanted: Indices,
        *,
        hz: float | None = None,
    ) -> list[Column]:
        """Weigh faults in the fewest states that they stir anything in, then in others until all is clear."""
        stirred = self.table.stirred(
            views,
            states,
            wanted=wanted.tolist(),
            frequency_hz=hz or self._hz,
            executor=self._executor,
        )
        moved = wanted[stirred.max(axis=1, initial=0.0) > NOTHING]
        self.stirring.update(self.table.faults[row] for row in moved.tolist())
        new: list[Column] = []
        while (chosen := _covering(stirred)) and len(wanted):
            rows = stirred[:, chosen].max(axis=1) > NOTHING
            new += self._weigh(views, [states[number] for number in chosen], wanted[rows], hz=hz)
            stirred[:, chosen] = 0.0
            unclear = self.table.best()[wanted] < CLEAR
            stirred, wanted = stirred[unclear], wanted[unclear]
        return new

    def _weigh(
        self,
        views: Sequence[View],
        states: Sequence[State],
        wanted: Indices,
        *,
        hz: float | None = None,
    ) -> list[Column]:
        """Weigh some faults; keeps, and returns, the columns that see one better than any before."""
        before = self.table.best()
        columns = self.table.weigh(
            views,
            states,
            wanted=wanted.tolist(),
            frequency_hz=hz or self._hz,
            executor=self._executor,
        )
        new = [column for column in columns if (_capped(column.margins) > _capped(before) + NEWS).any()]
        useless = {id(column) for column in columns} - {id(column) for column in new}
        self.table.columns = [column for column in self.table.columns if id(column) not in useless]
        return new

    def _unclear(self) -> Indices:
        """The faults that no column sees clearly."""
        return np.flatnonzero(self.table.best() < CLEAR)

    def _seen_text(self) -> str:
        seen = int((self.table.best() >= CLEAR).sum())
        return f"{seen} of {len(self.table.faults)} faults seen so far"

    def _useful(self) -> list[State]:
        """States that a column has, at most as many as are tried at once; without any, the first ones."""
        states = {column.state.name: column.state for column in self.table.columns} or self._states
        return list(states.values())[:MOST_AT_ONCE]

    def _more_states(self, wanted: Indices) -> list[State]:
        """States that have not been tried: those in which a signal passes what it never passed, and those in
        which it passes contacts that faults are of, in the company of other control lines.
        """
        if len(self._controls) <= ALL_UP_TO:
            return []
        passed: set[Throw] = set()
        for state in self._states.values():
            passed |= self._passed.get(state.name, frozenset())
        made: list[State] = []
        fresh = [state for state in self._every.values() if state.name not in self._states]
        while fresh and len(made) < MOST_AT_ONCE:
            best = max(fresh, key=lambda state: len(self._passed[state.name] - passed))
            if self._passed[best.name] <= passed:
                break
            passed |= self._passed[best.name]
            made.append(best)
            fresh.remove(best)
        if made:
            return made
        poles = self._concerned(wanted)
        worth = {state.name: sum(pole in poles for pole, _ in self._passed[state.name]) for state in fresh}
        draws = dict(zip(worth, self._random.random(len(worth)), strict=True))
        fresh.sort(key=lambda state: (-worth[state.name] / (1 + len(state.on)), draws[state.name]))
        return fresh[:AT_ONCE]

    @cached_property
    def _every(self) -> dict[str, State]:
        """The states that may be tried, by name."""
        return {state.name: state for state in states_to_look_at(self._controls)}

    @cached_property
    def _passed(self) -> dict[str, frozenset[Throw]]:
        """What a signal passes in each of them."""
        base = self.table.base
        routes = SignalWays(base.module, base.fixture, self._drives)
        return {name: routes.passed(state) for name, state in self._every.items()}

    def _concerned(self, wanted: Indices) -> set[str]:
        """The poles of the relays that some faults are of."""
        names = set[str]().union(*(subjects(self.table.faults[row]) for row in wanted))
        return {pole.name for relay in self._module.relays if relay.name in names for pole in relay.poles}

    def found(self) -> Found:
        """The cheapest columns that see what all of the table sees."""
        table = self.table
        needed = np.where(table.best() >= CLEAR, CLEAR, np.maximum(table.best(), SURE))
        open_rows = (table.best() >= SURE) & (table.always < needed)
        if not table.columns:
            return Found(table=table, chosen=(), tried=len(self._states))
        margins = np.stack([column.margins for column in table.columns], axis=1)
        sees: Flags = margins[open_rows] >= needed[open_rows, None]
        costs: dict[Column | View | State, float] = {}
        needs: list[tuple[Column, list[View | State]]] = []
        for column in table.columns:
            costs |= {column: self._own_s(column), column.view: self._moved_s(column.view)}
            costs[column.state] = self._entered_s(column.state)
            needs += [(column, [column.view]), (column, [column.state])]
        wanted = [
            [table.columns[number] for number in np.flatnonzero(pattern)]
            for pattern in np.unique(sees[sees.any(axis=1)], axis=0)
        ]
        chosen, _ = cheapest(costs, needs=needs, wanted=wanted)
        return Found(
            table=table,
            chosen=tuple(column for column in table.columns if column in chosen),
            tried=len(self._states),
        )

    def cost_s(self, columns: Sequence[Column]) -> float:
        """What some columns take together."""
        views, states = {column.view for column in columns}, {column.state for column in columns}
        return (
            sum(map(self._own_s, columns))
            + sum(map(self._moved_s, views))
            + sum(map(self._entered_s, states))
        )

    def _own_s(self, column: Column) -> float:
        """What a column takes by itself."""
        if column.frequency_hz == self._hz and (column.view, column.state) in self._made.columns:
            return 0.0
        record = choose_tones(column.frequency_hz, self.table.base.mains_hz).duration_s
        return max(column.captures, 1) * (self.table.base.settle_s + record)

    def _moved_s(self, view: View) -> float:
        """What it takes to make a view's setups, once for all of its columns."""
        if view in self._made.views:
            return 0.0
        setups = setups_of(self._module, view, self._drives, tuple(self.table.base.fixture.loopbacks))
        if len(self._at_hand.selectors or ()) > len(setups):
            return SELECTED_S * len(setups)
        last, moved_s = setups[0], 0.0
        for setup in setups:
            moved_s += HANDS_S * (plan_setups.lead_moves(last, setup) + 1)
            last = setup
        return moved_s

    def _entered_s(self, state: State) -> float:
        """What it takes to go to a state, and by how much others with fewer relays on are preferred to it."""
        if state in self._made.states:
            return 0.0
        on = sum(energised(relay, state) for relay in self._module.relays)
        return self.table.base.settle_s + 1e-4 * (on + UNPOWERED_ON * (not state.powered))


def faults_of(job: Job) -> tuple[FaultSet, ...]:
    """Every single fault of a job, and its module's suspects."""
    return (*((fault,) for fault in hard_faults(job)), *own_suspects(job))


def _with_swapped_inputs(base: Job) -> Job:
    """The job with a through setup whose scope inputs are swapped; itself if it has one."""
    throughs = [setup for setup in base.fixture.setups if setup.through]
    if any(setup.inputs_swapped for setup in throughs):
        return base
    swapped = replace(throughs[0], name=f"{throughs[0].name}, scope inputs swapped", inputs_swapped=True)
    return replace(base, fixture=replace(base.fixture, setups=(*throughs, swapped)))


def _covering(stirred: Floats) -> list[int]:
    """States in which every fault that stirs anything does so well, by greedy choice.

    stirred: (faults, states).
    """
    most = stirred.max(axis=1, initial=0.0, keepdims=True)
    well = (stirred > NOTHING) & (stirred >= WELL * most)
    chosen: list[int] = []
    while well.any():
        chosen.append(int(well.sum(axis=0).argmax()))
        well = well[~well[:, chosen[-1]]]
    return chosen


def _capped(margins: Floats) -> Floats:
    """Margins, as far as more of them is better, of those that count."""
    return np.where(margins >= SURE, np.minimum(margins, CLEAR), 0.0)


def _worth(table: CoverTable) -> tuple[float, float]:
    """Better is larger: how many faults are seen, then how clearly."""
    best = table.best()
    share = (best >= CLEAR).mean() if len(best) else 1.0
    return float(share), float(np.clip(best, 0.0, ENOUGH).mean())


def _loads(module: Module, loopbacks: Mapping[str, Loopback], load: Termination) -> dict[str, Termination]:
    """A load for each output, and for each send that no plug closes."""
    closed = {loopback.from_net for loopback in loopbacks.values()}
    return {
        port.net: load
        for port in module.ports
        if port.role == "output" or (port.role == "send" and port.net not in closed)
    }
