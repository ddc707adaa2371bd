"""The plan as data: setups, in each of them states, in each of them acquisitions; and the readings.

And parts of a plan: what remains of it when some readings are recorded, and what one state has.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from harness.arrays import Complex
from harness.circuit.elements import BenchImpedances
from harness.circuit.predict import Prediction
from harness.errors import UsageError, nearest
from harness.job.fixture import Setup
from harness.job.state import State, StateChange
from harness.measure.tones import Stimulus
from harness.quantities.change import OfRecordAcross
from harness.quantities.cycle import OfOperations
from harness.quantities.quantity import Family, PlannedReading
from harness.reading import Reading

Planned = PlannedReading[Any]


def driven_channel(planned: Planned) -> str:
    """The channel that the generator feeds; "" if the reading does not depend on it."""
    return planned.measurand.driven.partition(".")[0]


@dataclass(frozen=True, kw_only=True)
class Acquisition:
    """One record of every viewed leg, in one setup and state, under one stimulus."""

    number: int
    setup: str
    state: State
    stimulus: Stimulus


@dataclass(frozen=True, kw_only=True, eq=False)
class ChangeAcquisition:
    """One record of every viewed leg across a change of state.

    peaks_v: expected on each leg, volts. places: what each leg shows by
    the places of the contacts that move, complex, (3, 3, legs, 2), None in silence; see `contact_motion`.
    """

    number: int
    setup: str
    change: StateChange
    stimulus: Stimulus
    peaks_v: tuple[float, ...]
    places: Complex | None


@dataclass(frozen=True, kw_only=True)
class StateVisit:
    """One state in one setup: what is recorded there, and whether its supply current is judged."""

    state: State
    acquisitions: tuple[Acquisition, ...]
    judges_supply: bool


@dataclass(frozen=True, kw_only=True)
class SetupVisit:
    """One setup: made once, then every state it is needed in, then the changes between states.

    cycles: the readings of control lines that are operated again and again, before all else.
    """

    setup: Setup
    states: tuple[StateVisit, ...]
    changes: tuple[ChangeAcquisition, ...] = ()
    cycles: tuple[PlannedReading[OfOperations], ...] = ()


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Everything a run will do, in order.

    readings: of states and of the supply, then of changes of state, then of lines' operations. predictions:
    by acquisition number. stimuli: the tones that the through reference must cover. impedances: what the
    bench loads the unit with. keep_all: also the waveforms of what passes are kept. swapped_through: the
    through setup with swapped inputs; none without `through`.
    """

    through: Setup | None
    visits: tuple[SetupVisit, ...]
    readings: tuple[Planned, ...]
    predictions: Mapping[int, Prediction]
    stimuli: tuple[Stimulus, ...]
    impedances: BenchImpedances
    keep_all: bool = False
    swapped_through: Setup | None = None

    @property
    def throughs(self) -> tuple[Setup, ...]:
        """The through setups, in the order they are made."""
        return tuple(filter(None, (self.through, self.swapped_through)))

    @property
    def through_by_hand(self) -> bool:
        """Whether a person moves leads for the through reference."""
        return any(setup.select is None for setup in self.throughs)

    @property
    def count(self) -> int:
        """How many readings there will be."""
        return len(self.readings)

    @cached_property
    def readings_by_check(self) -> Mapping[str, Sequence[Planned]]:
        """The readings of each check that has any, by the check's name."""
        by_check: dict[str, list[Planned]] = {}
        for reading in self.readings:
            by_check.setdefault(reading.key.check, []).append(reading)
        return by_check

    def of(self, *families: Family) -> tuple[Planned, ...]:
        """The readings of some families of quantities."""
        return tuple(reading for reading in self.readings if reading.quantity.family in families)

    @property
    def state_readings(self) -> tuple[Planned, ...]:
        """Those of states, the supply's among them."""
        return self.of("steady", "residual", "supply")

    @property
    def change_readings(self) -> tuple[PlannedReading[OfRecordAcross], ...]:
        """Those of changes of state, from one acquisition that serves every check of that change."""
        return self.of("change")

    @property
    def cycles(self) -> tuple[PlannedReading[OfOperations], ...]:
        """Those of every control line that is operated again and again, in order."""
        return tuple(cycle for visit in self.visits for cycle in visit.cycles)

    @property
    def changes(self) -> tuple[ChangeAcquisition, ...]:
        """Every record across a change of state, in the order they are made."""
        return tuple(change for visit in self.visits for change in visit.changes)

    @property
    def acquisitions(self) -> tuple[Acquisition, ...]:
        """Every acquisition, in the order they are made."""
        return tuple(
            acquisition
            for visit in self.visits
            for state in visit.states
            for acquisition in state.acquisitions
        )

    @cached_property
    def capture_count(self) -> int:
        """How many captures there will be, in states and across changes of state."""
        return len(self.acquisitions) + len(self.changes)

    @property
    def bench_stimuli(self) -> tuple[Stimulus, ...]:
        """Under which the bench is recorded by itself, as that is taken off what the unit shows."""
        wanted = {
            number
            for reading in self.readings
            if reading.quantity.less_the_bench
            for number in reading.captures
        }
        return tuple(
            dict.fromkeys(
                acquisition.stimulus for acquisition in self.acquisitions if acquisition.number in wanted
            )
        )


def remaining_plan(plan: Plan, recorded: Iterable[Reading]) -> Plan:
    """The plan for the readings that are not recorded yet, numbered as before.

    An acquisition is made again if a remaining reading needs it, even if another reading was made from
    it before. Raises UsageError for a recorded reading that the plan does not have.
    """
    counts = Counter(reading.key for reading in recorded)
    left: list[Planned] = []
    for planned in plan.readings:
        if counts[planned.key]:
            counts[planned.key] -= 1
        else:
            left.append(planned)
    strangers = [key for key, count in counts.items() if count]
    if strangers:
        check, measurand = strangers[0].check, strangers[0].measurand
        raise UsageError(
            f"{check!r}, {measurand.quantity} {measurand.where} in {measurand.state}, was recorded and is "
            "not in this plan: another version of switchwalk made it. Start a new run"
        )
    return only_these(plan, left)


def part_in_state(plan: Plan, state: str, setup: str | None = None) -> Plan:
    """The levels of one state, in one setup or in all, every waveform kept; numbered as in the whole plan.

    A reading that needs another setup as well (a match between channels) is left out if one is named.
    `swap+loop_a` is the state that the plan calls `loop_a+swap`. Raises UsageError for a state or a setup
    that the plan has no such readings in.
    """
    states = tuple(dict.fromkeys(reading.measurand.state for reading in plan.state_readings))
    alike = [name for name in states if set(name.split("+")) == set(state.split("+"))]
    if not alike:
        raise UsageError(_unknown("state", state, states))
    name = alike[0]
    setup_of = {acquisition.number: acquisition.setup for acquisition in plan.acquisitions}
    visits = [visit for visit in plan.visits if any(visited.state.name == name for visited in visit.states)]
    setups = tuple(visit.setup.name for visit in visits)
    if setup is not None and setup not in setups:
        raise UsageError(_unknown("setup", setup, setups, f" in state {name}"))
    supplied = {
        visit.setup.name
        for visit in visits
        for visited in visit.states
        if visited.state.name == name and visited.judges_supply
    }

    def is_wanted(reading: Planned) -> bool:
        if reading.measurand.state != name:
            return False
        where = {setup_of[number] for number in reading.captures} or supplied
        return setup is None or where == {setup}

    return replace(only_these(plan, filter(is_wanted, plan.state_readings)), keep_all=True)


def part_in_states(plan: Plan, states: Collection[str]) -> Plan:
    """The levels of some states, by the names that the plan has for them, in every setup."""
    return only_these(plan, (each for each in plan.state_readings if each.measurand.state in states))


def only_these(plan: Plan, left: Iterable[Planned]) -> Plan:
    """A plan cut down to these readings and what they need, numbered as before."""
    left = tuple(left)
    needed = {number for planned in left for number in planned.captures}
    supplies = {planned.measurand.state for planned in left if planned.quantity.family == "supply"}
    operated = [planned for planned in left if planned.quantity.family == "cycle"]
    visits = []
    for visit in plan.visits:
        states = tuple(
            replace(
                state,
                acquisitions=tuple(
                    acquisition for acquisition in state.acquisitions if acquisition.number in needed
                ),
                judges_supply=state.judges_supply and state.state.name in supplies,
            )
            for state in visit.states
        )
        states = tuple(state for state in states if state.acquisitions or state.judges_supply)
        changes = tuple(change for change in visit.changes if change.number in needed)
        cycles = tuple(cycle for cycle in visit.cycles if cycle in operated)
        if states or changes or cycles:
            visits.append(replace(visit, states=states, changes=changes, cycles=cycles))
    stimuli = {
        acquisition.stimulus.as_pair
        for visit in visits
        for state in visit.states
        for acquisition in state.acquisitions
    }
    return replace(
        plan,
        visits=tuple(visits),
        readings=left,
        predictions={number: made for number, made in plan.predictions.items() if number in needed},
        stimuli=tuple(stimulus for stimulus in plan.stimuli if stimulus in stimuli),
    )


def _unknown(what: str, name: str, known: tuple[str, ...], where: str = "") -> str:
    meant = nearest(name, known)
    hint = f"; did you mean {meant!r}?" if meant else ""
    return f"no {what} {name!r} is measured{where}; expected one of {', '.join(map(repr, known))}{hint}"
