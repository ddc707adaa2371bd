"""The search: plugs and loads, then states and views until nothing more is seen, then the cheapest choice.

The 2^n states of n control lines are not tried one by one. Idle and each line alone come first, then pairs;
after that one line more or less than a state that saw something new, and some at random.
"""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from harness.arrays import Flags, Floats, Indices
from harness.compose.at_hand import AtHand
from harness.compose.cover import Price, cheapest
from harness.compose.plugs import plug_sets
from harness.compose.table import Column, CoverTable
from harness.compose.views import View, Views, drives_of, setups_of, views_of
from harness.faults.coverage import hard_faults
from harness.faults.margins import SURE
from harness.job.fixture import Loopback, Termination
from harness.job.job import Job
from harness.job.module import Module
from harness.job.state import UNPOWERED_STATE, State, all_states, single_control_states
from harness.measure.tones import choose_tones
from harness.plan import setups as plan_setups
from harness.plan.states import HANDS_S, energised

# Expanded uncertainties past a limit at which a fault counts as clearly seen. A reading spreads by half of
# one, so at 2.5 it is judged fail in 999 of 1000 units.
CLEAR = 2.5
MOST_AT_ONCE = 96  # states that are tried in one round
AT_RANDOM = 24
IDLE_ROUNDS = 2  # without anything new, and the search ends
ALL_UP_TO = 4  # control lines whose states are all tried at once
OTHER_HZ = (20.0, 20e3)  # where parts that depend on frequency show
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


@dataclass(frozen=True, kw_only=True)
class Fixed:
    """What a person has settled, so that the search has no choice of it; None: it has."""

    loads: bool = False
    loopbacks: bool = False
    states: tuple[State, ...] | None = None


NOTHING_FIXED = Fixed()


def search(
    base: Job,
    at_hand: AtHand,
    *,
    fixed: Fixed = NOTHING_FIXED,
    executor: Executor | None = None,
    note: Note = lambda text: None,
) -> Found:
    """Find what sees as many faults of a module as can be, with few moves, in little time.

    base: the module with its fixture as far as it is settled. Raises JobError, CircuitError.
    """
    run = _Search(base, at_hand, fixed=fixed, executor=executor, note=note)
    run.try_states(run.views.first)
    run.try_frequencies()
    run.try_views()
    run.try_narrower()
    return run.found()


class _Search:
    """One search: its table, and the states that have been tried in it."""

    def __init__(
        self, base: Job, at_hand: AtHand, *, fixed: Fixed, executor: Executor | None, note: Note
    ) -> None:
        self._at_hand, self._fixed = at_hand, fixed
        self._executor, self._note = executor, note
        self._module = base.module
        self._controls = base.module.state_controls
        self._hz = base.sequence.checks[0].tone.frequency_hz
        self._drives = drives_of(base.module, base.sequence.channels)
        self._random = np.random.default_rng(1)
        self.table = self._chosen_fixture(base)
        self.views = self._views(self.table.base)
        self._states = {column.state.name: column.state for column in self.table.columns}

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
            sets = [*plug_sets(self._module, self._at_hand.losses_db)]
        loads = [fixture.loads]
        if not self._fixed.loads:
            loads = [_loads(self._module, sets[0], load) for load in self._at_hand.loads]
        tables = [self._first_table(base, load, sets[0]) for load in loads]
        best = max(tables, key=_worth)
        for number, plugs in enumerate(sets[1:], start=2):
            if best.best().min(initial=CLEAR) >= CLEAR:
                break
            self._note(f"plugs {number} of {len(sets)}")
            other = self._first_table(base, best.base.fixture.loads, plugs)
            best = max(best, other, key=_worth)
        return best

    def _first_table(
        self, base: Job, loads: Mapping[str, Termination], plugs: Mapping[str, Loopback]
    ) -> CoverTable:
        tried = replace(base, fixture=replace(base.fixture, loads=loads, loopbacks=plugs))
        table = CoverTable(
            base=tried,
            faults=hard_faults(tried),
            drives=self._drives,
            impedances=self._at_hand.impedances,
        )
        every = range(len(table.faults))
        for view in self._views(tried).first:
            table.weigh(
                view, self._first_states(), wanted=every, frequency_hz=self._hz, executor=self._executor
            )
        return table

    def try_states(self, views: Sequence[View]) -> None:
        """Try more states while faults are unseen and some state shows one."""
        fruitless, new = 0, list(self.table.columns)
        while fruitless < IDLE_ROUNDS and self._fixed.states is None:
            wanted = self._unclear()
            states = self._more_states({column.state for column in new}, wanted)
            if not len(wanted) or not states:
                break
            self._note(f"{len(self._states) + len(states)} states, {self._seen_text()}")
            self._states |= {state.name: state for state in states}
            new = self._weigh(views, states, wanted)
            fruitless = 0 if new else fruitless + 1

    def try_frequencies(self) -> None:
        """Try low and high frequencies in the states there are, if parts of the unit depend on frequency."""
        for hz in self._other_hz:
            if len(wanted := self._unclear()):
                self._note(f"{hz:g} Hz, {self._seen_text()}")
                self._weigh(self.views.first, self._useful(), wanted, hz=hz)

    def try_views(self) -> None:
        """Try further views, then more states in those that show something."""
        helpful = []
        for view in self.views.further:
            if len(wanted := self._unclear()):
                self._note(f"{view.words}, {self._seen_text()}")
                if self._weigh([view], self._useful(), wanted):
                    helpful.append(view)
        if helpful:
            self.try_states(helpful)

    @property
    def _other_hz(self) -> tuple[float, ...]:
        """Frequencies at which the unit may behave otherwise."""
        module = self._module
        return OTHER_HZ if module.capacitors or module.inductors or module.transformers else ()

    def try_narrower(self) -> None:
        """Try narrower limits than usual, as far as good units keep them, with every view that helped."""
        if len(wanted := self._unclear()):
            self._note(f"narrower limits, {self._seen_text()}")
            views = tuple(dict.fromkeys(column.view for column in self.table.columns))
            self._weigh(views, self._useful(), wanted, narrow=True)
        for hz in self._other_hz:
            if len(wanted := self._unclear()):
                self._weigh(self.views.first, self._useful(), wanted, hz=hz, narrow=True)

    def _weigh(
        self,
        views: Sequence[View],
        states: Sequence[State],
        wanted: Indices,
        *,
        hz: float | None = None,
        narrow: bool = False,
    ) -> list[Column]:
        """Weigh some faults; keeps, and returns, the columns that see one better than any before."""
        before, new = self.table.best(), []
        for view in views:
            columns = self.table.weigh(
                view,
                states,
                wanted=wanted.tolist(),
                frequency_hz=hz or self._hz,
                narrow=narrow,
                executor=self._executor,
            )
            good = [c for c in columns if (_capped(c.margins) > _capped(before) + NEWS).any()]
            useless = {id(column) for column in columns} - {id(column) for column in good}
            self.table.columns = [c for c in self.table.columns if id(c) not in useless]
            new += good
        return new

    def _unclear(self) -> Indices:
        """The faults that no column sees clearly."""
        return np.flatnonzero(self.table.best() < CLEAR)

    def _seen_text(self) -> str:
        seen = int((self.table.best() >= SURE).sum())
        return f"{seen} of {len(self.table.faults)} faults seen so far"

    def _useful(self) -> list[State]:
        """States that a column has, at most as many as are tried at once."""
        return list({c.state.name: c.state for c in self.table.columns}.values())[:MOST_AT_ONCE]

    def _more_states(self, useful: set[State], wanted: Indices) -> list[State]:
        """States that have not been tried, those nearest to useful ones first."""
        controls = self._controls
        concerned = self._concerned(wanted)
        made: list[State] = []
        if len(controls) > ALL_UP_TO:
            pairs = [State(on=pair) for pair in combinations(controls, 2)]
            made += [pair for pair in pairs if len(pairs) <= MOST_AT_ONCE or {*pair.on} & concerned]
            for state in sorted(useful, key=lambda state: state.name):
                made += [_toggled(state, control, controls) for control in controls if state.powered]
            draws = self._random.random((AT_RANDOM, len(controls))) < 0.5
            made += [State(on=tuple(np.array(controls)[draw].tolist())) for draw in draws]
        fresh = {state.name: state for state in made if state.name not in self._states}
        return list(fresh.values())[:MOST_AT_ONCE]

    def _concerned(self, wanted: Indices) -> set[str]:
        """Control lines of the relays that some faults are of."""
        subjects = {self.table.faults[row].subject.split(".")[0] for row in wanted}
        return {relay.operating_control for relay in self._module.relays if relay.name in subjects}

    def found(self) -> Found:
        """The cheapest columns that see what all of the table sees."""
        table = self.table
        needed = np.where(table.best() >= CLEAR, CLEAR, np.maximum(table.best(), SURE))
        open_rows = (table.best() >= SURE) & (table.always < needed)
        margins = np.stack([column.margins for column in table.columns], axis=1)
        sees: Flags = margins[open_rows] >= needed[open_rows, None]
        prices = [self._price(column) for column in table.columns]
        chosen = [table.columns[index] for index in cheapest(sees, prices)]
        return Found(table=table, chosen=tuple(chosen), tried=len(self._states))

    def _price(self, column: Column) -> Price:
        setups = setups_of(self._module, column.view, self._drives, tuple(self.table.base.fixture.loopbacks))
        moved_s = SELECTED_S * len(setups)
        if len(self._at_hand.selectors or ()) <= len(setups):
            last, moved_s = setups[0], 0.0
            for setup in setups:
                moved_s += HANDS_S * (plan_setups.lead_moves(last, setup) + 1)
                last = setup
        settle_s = self.table.base.settle_s
        record = choose_tones(column.frequency_hz).duration_s
        on = UNPOWERED_ON * (not column.state.powered) + sum(
            energised(relay, column.state) for relay in self._module.relays
        )
        return Price(
            own=max(column.captures, 1) * (settle_s + record),
            shared=((column.view, moved_s), (column.state, settle_s + 1e-4 * on)),
        )


def _toggled(state: State, control: str, controls: Sequence[str]) -> State:
    on = {*state.on} ^ {control}
    return State(on=tuple(each for each in controls if each in on))


def _capped(margins: Floats) -> Floats:
    """Margins, as far as more of them is better, of those that count."""
    return np.where(margins >= SURE, np.minimum(margins, CLEAR), 0.0)


def _worth(table: CoverTable) -> tuple[float, float]:
    """Better is larger: how many faults are seen, then how clearly."""
    best = table.best()
    share = (best >= SURE).mean() if len(best) else 1.0
    return float(share), float(np.clip(best, 0.0, ENOUGH).mean())


def _loads(module: Module, loopbacks: Mapping[str, Loopback], load: Termination) -> dict[str, Termination]:
    """A load for each output, and for each send that no plug closes."""
    closed = {loopback.from_net for loopback in loopbacks.values()}
    return {
        port.net: load
        for port in module.ports
        if port.role == "output" or (port.role == "send" and port.net not in closed)
    }
