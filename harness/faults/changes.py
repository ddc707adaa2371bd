"""What faults do to changes of state, and to a control line that is operated again and again."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from harness.circuit.elements import BenchImpedances, Circuit, Element
from harness.circuit.expand import build_circuit, build_wiring, is_operated
from harness.circuit.solve import transfer
from harness.faults.effects import (
    ControlSide,
    FaultSet,
    Throw,
    Throws,
    armature,
    as_open,
    comes_and_goes,
    edit_wiring,
    faulty_contacts,
    reached_state,
    side_of,
    with_fault,
)
from harness.faults.evidence import JudgedCycle, Missed
from harness.job.fixture import Setup
from harness.job.job import Job
from harness.job.state import State
from harness.measure.tones import choose_tones
from harness.plan.model import ChangeAcquisition, Plan, Planned
from harness.plan.state_changes import MOVES
from harness.plan.states import energised
from harness.quantities.change import as_of_change
from harness.quantities.cycle import OfOperations, levels_of, missed
from harness.quantities.quantity import PlannedReading
from harness.reading import Shown, Step

Floats = NDArray[np.float64]
NOTHING = 0.5  # of the least that a record shows


@dataclass(frozen=True, kw_only=True)
class ChangeEvidence:
    """The reading of a change of state that would be judged fail, and how clear what it misses would be.

    margin: the change that a good unit shows there, in the least changes that a record shows. acquisition:
    its number in the plan.
    """

    by: str
    margin: float
    acquisition: int


@dataclass(frozen=True, kw_only=True, eq=False)
class ChangeMoves:
    """How far each viewed leg's signal moves at a change of state, and how deep its gap is; asked once."""

    job: Job
    impedances: BenchImpedances
    known: dict[tuple[FaultSet, int], Floats] = field(default_factory=dict)
    _wiring: dict[str, Circuit] = field(default_factory=dict)
    _elements: dict[tuple[FaultSet, str, frozenset[State]], tuple[Element, ...]] = field(default_factory=dict)
    _solved: dict[tuple[FaultSet, str, frozenset[State], float], Floats] = field(default_factory=dict)

    def of(self, fault_set: FaultSet, acquisition: ChangeAcquisition, setup: Setup) -> Floats:
        """(2, legs): change of the signal, and how far its own source falls below both sides between them.

        In the least that a record shows: above 1 it shows.
        """
        key = (fault_set, acquisition.number)
        if key not in self.known:
            change, hz = acquisition.change, acquisition.stimulus.frequency_hz
            before, after, between = (
                self._volts(fault_set, setup, frozenset(states), hz)
                for states in ([change.before], [change.after], [change.before, change.after])
            )
            change = np.maximum(np.abs(between - before), np.abs(after - before)).max(axis=1)
            level = np.maximum(before, after).max(axis=1)
            legs = np.arange(len(level))
            dip = (np.minimum(before, after) - between)[legs, legs % 2]
            self.known[key] = np.stack([change, dip]) / np.maximum(MOVES * level, 1e-9)
        return self.known[key]

    def _volts(self, fault_set: FaultSet, setup: Setup, states: frozenset[State], hz: float) -> Floats:
        """Volts per volt of e.m.f., (legs, 2), in a state; or between two of them.

        A fault set that leaves a circuit as a good unit has it is not solved again.
        """
        key = (fault_set, setup.name, states, hz)
        if key not in self._solved:
            elements = self._elements_of(fault_set, setup, states)
            if fault_set and elements == self._elements_of((), setup, states):
                self._solved[key] = self._volts((), setup, states, hz)
            else:
                circuit = replace(self._wiring[setup.name], elements=elements)
                self._solved[key] = np.abs(transfer(circuit, choose_tones(hz).frequencies_hz))
        return self._solved[key]

    def _elements_of(
        self, fault_set: FaultSet, setup: Setup, states: frozenset[State]
    ) -> tuple[Element, ...]:
        """As `with_fault` has them in one state; of two, the relays that move have left either throw."""
        key = (fault_set, setup.name, states)
        if key not in self._elements:
            module, fixture, side = self.job.module, self.job.fixture, side_of(fault_set)
            if setup.name not in self._wiring:
                self._wiring[setup.name] = build_wiring(module, fixture, setup, self.impedances)
            wiring = list(self._wiring[setup.name].elements)
            for fault in fault_set:
                wiring = edit_wiring(wiring, fault, module=module, fixture=fixture)
            state = next(iter(states))
            opened = _in_flight(self.job, side, states, self._throws)
            standing = faulty_contacts(module, state, side, self._throws)
            self._elements[key] = (*wiring, *(opened.get(element.name, element) for element in standing))
        return self._elements[key]

    @cached_property
    def _throws(self) -> Throws:
        return Throws.of(self.job.module)


def _in_flight(job: Job, side: ControlSide, states: frozenset[State], throws: Throws) -> dict[str, Element]:
    """The open contacts, by name, of every pole that moves from one of two states to the other."""
    opened: dict[str, Element] = {}
    for relay in job.module.relays:
        stands = {
            armature(relay.name, is_operated(relay, reached_state(job.module, state, side)), side)
            for state in states
        }
        if len(stands) == 1:
            continue
        for pole in relay.poles:
            if pole.name in side.poles:
                continue
            keys: tuple[Throw, Throw] = ((pole.name, "released"), (pole.name, "operated"))
            for key in keys:
                if key in throws.known and not side.conducting.get(key, False):
                    _, element = throws.known[key]
                    opened[element.name] = element
    return opened


def weigh_changes(job: Job, plan: Plan, fault_sets: Sequence[FaultSet]) -> tuple[ChangeEvidence | None, ...]:
    """For each fault set the reading of a change of state that sees it best; None where none does.

    A gap is judged per leg, times by both. Evidence is that no gap is there, or nothing moves, where in a
    good unit it does. Each fault set is solved by itself, so this is for a few: those that no level shows.
    """
    moves = ChangeMoves(job=job, impedances=plan.impedances)
    acquisitions = {each.number: (each, visit.setup) for visit in plan.visits for each in visit.changes}
    readings = [
        change_reading
        for change_reading in plan.change_readings
        if as_of_change(change_reading.quantity).sign and change_reading.captures[0] in acquisitions
    ]
    clear = [
        (_when_good(moves, reading, *acquisitions[reading.captures[0]]), reading) for reading in readings
    ]
    clear = sorted((each for each in clear if each[0]), key=lambda each: -each[0])
    return tuple(_best(moves, clear, acquisitions, fault_set) for fault_set in fault_sets)


def _best(
    moves: ChangeMoves,
    clear: Sequence[tuple[float, Planned]],
    acquisitions: dict[int, tuple[ChangeAcquisition, Setup]],
    fault_set: FaultSet,
) -> ChangeEvidence | None:
    """The first of the readings, the clearest first, in which a fault set shows nothing."""
    for margin, reading in clear:
        if _shows_nothing(moves, fault_set, reading, *acquisitions[reading.captures[0]]):
            return ChangeEvidence(
                by=f"{reading.quantity.spoken} at {reading.measurand.where}, {reading.measurand.state}",
                margin=margin,
                acquisition=reading.captures[0],
            )
    return None


def still(
    moves: ChangeMoves, fault_set: FaultSet, reading: Planned, acquisition: ChangeAcquisition, setup: Setup
) -> float:
    """How clear a good unit shows what a fault set shows nothing of; 0 where that shows it too."""
    good = _when_good(moves, reading, acquisition, setup)
    return good if good and _shows_nothing(moves, fault_set, reading, acquisition, setup) else 0.0


def _when_good(moves: ChangeMoves, reading: Planned, acquisition: ChangeAcquisition, setup: Setup) -> float:
    """How clear a good unit's change is in a reading; 0 where it shows none, or times something else."""
    if as_of_change(reading.quantity).sign is None:
        return 0.0
    good = float(moves.of((), acquisition, setup)[_looked_at(reading), list(reading.given.rows)].min())
    return good if good > 1 else 0.0


def _shows_nothing(
    moves: ChangeMoves, fault_set: FaultSet, reading: Planned, acquisition: ChangeAcquisition, setup: Setup
) -> bool:
    result = moves.of(fault_set, acquisition, setup)[_looked_at(reading), list(reading.given.rows)]
    return float(result.max()) < NOTHING


def _looked_at(reading: Planned) -> int:
    """Which row of `ChangeMoves.of` a reading is of."""
    return 1 if as_of_change(reading.quantity).sign == "dip" else 0


STEPS: tuple[Step, ...] = ("released", "operated")

Operated = PlannedReading[OfOperations]


@dataclass(frozen=True, kw_only=True, eq=False)
class Cycles:
    """Predicts cycles of a job; asked once for each fault set."""

    job: Job
    plan: Plan
    _known: dict[tuple[FaultSet, int], Missed] = field(default_factory=dict)

    def predicted(self, fault_set: FaultSet, cycle: Operated) -> Missed:
        """Where a unit with these faults misses: at every operation, or where it comes and goes, at some."""
        key = (fault_set, id(cycle))
        if key not in self._known:
            self._known[key] = frozenset(self._missed(fault_set, cycle))
        return self._known[key]

    def explains(self, fault_set: FaultSet, seen: JudgedCycle) -> bool:
        """Whether such a unit would have failed as was seen: in the same steps and legs, and as often."""
        wanted = self.predicted(fault_set, seen.cycle)
        if not seen.failed:
            return not wanted or comes_and_goes(fault_set)
        return bool(wanted & seen.missed) and (comes_and_goes(fault_set) or seen.failed == 1)

    def _missed(self, fault_set: FaultSet, cycle: Operated) -> Iterator[tuple[Step, Shown]]:
        """As a run tells of it: the first thing that is wrong after each step."""
        given = cycle.given
        setup = next(one for one in self.job.fixture.setups if one.name == given.setup)
        hot, cold = given.rows
        operated = State(on=(given.control,))
        states = (State(on=()), operated)
        for step, state, wanted in zip(STEPS, states, (given.released, given.operated), strict=True):
            if not fault_set or (
                comes_and_goes(fault_set) and not self._made_anew(fault_set, step, operated)
            ):
                continue
            result = levels_of(self._volts(fault_set, setup, state, given), given.rows)
            shown: tuple[tuple[Shown, float, float], ...] = (
                ("hot leg", result.legs_vrms[hot], wanted.legs_vrms[hot]),
                ("cold leg", result.legs_vrms[cold], wanted.legs_vrms[cold]),
                ("between the legs", result.pair_vrms, wanted.pair_vrms),
            )
            for what, level, expected in shown:
                if missed(level, expected, drive_vrms=given.stimulus.level_vrms):
                    yield step, what
                    break

    def _made_anew(self, fault_set: FaultSet, step: Step, operated: State) -> bool:
        """Whether the step is the operation that may fail: the relay moves, onto this throw."""
        fault = fault_set[0]
        relay = next(one for one in self.job.module.relays if one.name == fault.subject.rsplit(".", 2)[0])
        throw = "released" if step == "released" else "operated"
        return fault.throw == throw and energised(relay, operated)

    def _volts(
        self, fault_set: FaultSet, setup: Setup, state: State, given: OfOperations
    ) -> NDArray[np.complex128]:
        module, fixture = self.job.module, self.job.fixture
        good = build_circuit(module, fixture, setup, state, self.plan.impedances)
        broken = with_fault(good, as_open(fault_set), module=module, fixture=fixture, state=state)
        result = transfer(broken, given.stimulus.tones.frequencies_hz)
        return np.asarray((result[:, 0] - result[:, 1]) / 2 * given.stimulus.level_vrms)
