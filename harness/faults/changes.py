"""What faults do to changes of state and to repeated operations, and what records of these tell of relays.

A relay may come late, bounce too long, or not move. Levels come first: a relay that never moves shows in
them. If they agree with a good unit, and readings of changes or of operations do not pass, the faults weighed
are those of a relay's time, those that no level shows, and contacts that come and go.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import inf, log

import numpy as np

from harness.arrays import Floats
from harness.circuit.expand import is_operated
from harness.circuit.solve import transfer
from harness.faults.effects import FaultSet, FaultyCircuits, as_open, comes_and_goes
from harness.faults.evidence import Evidence, JudgedChange, JudgedCycle, Missed, Moved
from harness.faults.ranking import ODDS, SOMETHING_ELSE, Candidate, Ranking, log_prior, make_ranking
from harness.job.faults import FaultKind
from harness.job.fixture import PortName, Setup
from harness.job.job import Job
from harness.job.state import IDLE_STATE, State
from harness.measure.tones import choose_tones
from harness.plan.model import Plan, Planned
from harness.plan.state_changes import MOVES, Routes, control_input, moves
from harness.quantities.change import as_of_change
from harness.quantities.cycle import OfOperations
from harness.quantities.quantity import PlannedReading
from harness.reading import ReadingKey, Shown, Step

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


class ChangeMoves:
    """How far each viewed leg's signal moves at a plan's changes of state, and how deep its gap is."""

    def __init__(self, plan: Plan, circuits: FaultyCircuits) -> None:
        self.acquisitions = {
            each.number: (each, visit.setup) for visit in plan.visits for each in visit.changes
        }
        self._circuits = circuits
        self._known: dict[tuple[FaultSet, int], Floats] = {}
        self._solved: dict[tuple[FaultSet, str, tuple[State, ...], float], Floats] = {}

    def of(self, fault_set: FaultSet, number: int) -> Floats:
        """(2, legs): change of the signal, and how far its own source falls below both sides between them.

        In the least that a record shows: above 1 it shows. number: of the acquisition in the plan.
        """
        if (fault_set, number) not in self._known:
            acquisition, setup = self.acquisitions[number]
            states = acquisition.change.before, acquisition.change.after
            hz = acquisition.stimulus.frequency_hz
            before, after, between = (
                self._volts(fault_set, setup, at, hz) for at in (states[:1], states[1:], states)
            )
            change = np.maximum(np.abs(between - before), np.abs(after - before)).max(axis=1)
            level = np.maximum(before, after).max(axis=1)
            legs = np.arange(len(level))
            dip = (np.minimum(before, after) - between)[legs, legs % 2]
            self._known[fault_set, number] = np.stack([change, dip]) / np.maximum(MOVES * level, 1e-9)
        return self._known[fault_set, number]

    def when_good(self, reading: Planned) -> float:
        """How clear a good unit's change is in a reading; 0 if it shows none, or isn't read there."""
        if as_of_change(reading.quantity).sign is None:
            return 0.0
        good = float(self._of_reading((), reading).min())
        return good if good > 1 else 0.0

    def shows_nothing(self, fault_set: FaultSet, reading: Planned) -> bool:
        """Whether a reading shows no change of a unit with these faults.

        A record in which nothing at all changes says that only if an input shows the control line.
        """
        acquisition, setup = self.acquisitions[reading.captures[0]]
        if control_input(setup, acquisition.change) is None:
            everywhere = self.of(fault_set, reading.captures[0])[0]
            if float(everywhere.max()) < NOTHING:
                return False
        return float(self._of_reading(fault_set, reading).max()) < NOTHING

    def _of_reading(self, fault_set: FaultSet, reading: Planned) -> Floats:
        """What `of` has for the rows of a reading: the gaps for one that looks for a dip."""
        row = 1 if as_of_change(reading.quantity).sign == "dip" else 0
        return np.asarray(self.of(fault_set, reading.captures[0])[row, list(reading.given.rows)])

    def _volts(self, fault_set: FaultSet, setup: Setup, states: tuple[State, ...], hz: float) -> Floats:
        """Volts per volt of e.m.f., (legs, 2), in a state; or between two of them.

        A fault set that leaves a circuit as a good unit has it is not solved again.
        """
        key = fault_set, setup.name, states, hz
        if key not in self._solved:
            circuit = self._circuits.of(fault_set, setup, *states)
            if fault_set and circuit is self._circuits.of((), setup, *states):
                self._solved[key] = self._volts((), setup, states, hz)
            else:
                self._solved[key] = np.abs(transfer(circuit, choose_tones(hz).frequencies_hz))
        return self._solved[key]


def weigh_changes(job: Job, plan: Plan, fault_sets: Sequence[FaultSet]) -> tuple[ChangeEvidence | None, ...]:
    """For each fault set the reading of a change of state that sees it best; None if none does.

    A gap is judged per leg, times by both. Evidence is that no gap is there, or nothing moves, where in a
    good unit it does. Each fault set is solved by itself, so this is for a few: those that no level shows.
    """
    moves = ChangeMoves(plan, FaultyCircuits(job.module, job.fixture, plan.impedances))
    clear = [
        (moves.when_good(reading), reading)
        for reading in plan.change_readings
        if reading.captures[0] in moves.acquisitions
    ]
    clear = sorted((each for each in clear if each[0]), key=lambda each: -each[0])
    return tuple(
        next(
            (
                ChangeEvidence(
                    by=f"{reading.quantity.spoken} at {reading.measurand.where}, {reading.measurand.state}",
                    margin=margin,
                    acquisition=reading.captures[0],
                )
                for margin, reading in clear
                if moves.shows_nothing(fault_set, reading)
            ),
            None,
        )
        for fault_set in fault_sets
    )


STEPS: tuple[Step, ...] = ("released", "operated")

Operated = PlannedReading[OfOperations]


class Cycles:
    """Predicts what a job's control lines show that are operated again and again."""

    def __init__(self, job: Job, circuits: FaultyCircuits) -> None:
        self._job, self._circuits = job, circuits
        self._known: dict[tuple[FaultSet, ReadingKey], Missed] = {}

    def predicted(self, fault_set: FaultSet, cycle: Operated) -> Missed:
        """Where a unit with these faults misses: at every operation; if a contact comes and goes, at some."""
        key = fault_set, cycle.key
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
        setup = next(setup for setup in self._job.fixture.setups if setup.name == given.setup)
        states = (IDLE_STATE, State(on=(given.control,)))
        for step, state, wanted in zip(STEPS, states, (given.released, given.operated), strict=True):
            if not fault_set or (
                comes_and_goes(fault_set) and not self._made_anew(fault_set, step, states[1])
            ):
                continue
            circuit = self._circuits.of(as_open(fault_set), setup, state)
            volts = transfer(circuit, given.stimulus.tones.frequencies_hz)
            miss = given.first_miss((volts[:, 0] - volts[:, 1]) / 2 * given.stimulus.level_vrms, wanted)
            if miss is not None:
                yield step, miss[0]

    def _made_anew(self, fault_set: FaultSet, step: Step, operated: State) -> bool:
        """Whether the step is the operation that may fail: the relay moves, onto this throw."""
        fault = fault_set[0]
        name = fault.subject.rsplit(".", 2)[0]
        relay = next(relay for relay in self._job.module.relays if relay.name == name)
        return fault.throw == step and is_operated(relay, operated)


# Nats that a reading takes from a fault set that predicts another: rough, common practice, no source.
WRONG = 10.0  # it is judged fail, guarded, but should be good
TOO_MILD = 1.5  # it passes where the fault should show: a slow relay may be just quick enough
OTHERWISE = 1.0  # it fails in another way: a relay that is very late has not moved when the record ends

OF_TIME: tuple[FaultKind, ...] = ("relay slow to operate", "relay slow to release", "relay long bounce")


class RelayTiming:
    """Weighs readings of a job's changes of state."""

    def __init__(self, job: Job, plan: Plan) -> None:
        self._job = job
        circuits = FaultyCircuits(job.module, job.fixture, plan.impedances)
        self.cycles = Cycles(job, circuits)
        self._moves = ChangeMoves(plan, circuits)
        self._routes = Routes(job=job, impedances=plan.impedances)
        self._known: dict[tuple[int, str, str], set[str]] = {}

    def predicted(self, fault_set: FaultSet, changes: Sequence[JudgedChange]) -> tuple[Moved, ...]:
        """What each reading should be of a unit with these faults.

        A contact that comes and goes may have been there: what was as it should be is not held against it.
        """
        if comes_and_goes(fault_set):
            opened = as_open(fault_set)
            return tuple(
                "fine" if change.moved == "fine" else self._moved(opened, change.reading)
                for change in changes
            )
        return tuple(self._moved(fault_set, change.reading) for change in changes)

    def cost(self, fault_set: FaultSet, predicted: Sequence[Moved], evidence: Evidence) -> float:
        """Nats that readings of changes and of operations take from a fault set."""
        return cost(predicted, evidence.changes) + sum(
            _cycle_cost(self.cycles, fault_set, seen) for seen in evidence.cycles
        )

    def held_against(self, candidates: Iterable[Candidate], evidence: Evidence) -> list[Candidate]:
        """Those that changes of state and operations leave, with what these take from them."""
        costs = [
            (each, self.cost(each.fault_set, self.predicted(each.fault_set, evidence.changes), evidence))
            for each in candidates
        ]
        least = min((nats for _, nats in costs), default=0.0)
        return [replace(each, score=each.score - nats) for each, nats in costs if nats < least + WRONG]

    def _moved(self, fault_set: FaultSet, reading: Planned) -> Moved:
        acquisition, _ = self._moves.acquisitions[reading.captures[0]]
        change, quantity = acquisition.change, as_of_change(reading.quantity)
        for fault in fault_set:
            if fault.kind in OF_TIME:
                relay = next(relay for relay in self._job.module.relays if relay.name == fault.subject)
                operates = is_operated(relay, change.after)
                fits = fault.kind == "relay long bounce" or operates == (
                    fault.kind == "relay slow to operate"
                )
                asked = fault.kind in quantity.relay_faults and moves(relay, change)
                if fits and asked and relay.name in self._shown(reading):
                    return quantity.fails_as or "fine"
            elif self._moves.when_good(reading) and self._moves.shows_nothing(fault_set, reading):
                return "still"
        return "fine"

    def _shown(self, reading: Planned) -> set[str]:
        """Relays that a reading is of: those that interrupt what it looks at when they alone are open."""
        key = (reading.captures[0], reading.measurand.channel, reading.measurand.port)
        if key not in self._known:
            acquisition, setup = self._moves.acquisitions[reading.captures[0]]
            net, _, leg = reading.measurand.port.partition(".")
            port = PortName(channel=reading.measurand.channel, net=net)
            hz = acquisition.stimulus.frequency_hz
            hot, cold = self._routes.of_port(setup, acquisition.change, port, hz)
            legs = {"hot": (hot,), "cold": (cold,)}.get(leg, (hot, cold))
            self._known[key] = {name for each in legs for name in each.relays}
        return self._known[key]


def cost(predicted: Sequence[Moved], changes: Sequence[JudgedChange]) -> float:
    """Nats that readings take from what predicted them."""
    return sum(_cost(wanted, change.moved) for wanted, change in zip(predicted, changes, strict=True))


def _cost(wanted: Moved, moved: Moved) -> float:
    if wanted == moved:
        return 0.0
    if wanted == "fine":
        return WRONG
    if moved == "fine":
        return WRONG if wanted == "still" else TOO_MILD
    return OTHERWISE


def _cycle_cost(cycles: Cycles, fault_set: FaultSet, seen: JudgedCycle) -> float:
    """A contact that comes and goes may do so rarely; and its operations may all have failed."""
    if not comes_and_goes(fault_set):
        return 0.0 if cycles.explains(fault_set, seen) else WRONG
    if not seen.failed:
        return TOO_MILD if cycles.predicted(fault_set, seen.cycle) else 0.0
    if not cycles.explains(fault_set, seen):
        return WRONG
    return OTHERWISE if seen.failed == 1 else 0.0


def rank_by_timing(
    relay_timing: RelayTiming, evidence: Evidence, scored: Sequence[tuple[FaultSet, float]], levels: Ranking
) -> Ranking:
    """Rank fault sets by changes of state, operations and levels. scored: each with its likelihood by levels.

    The first is a good unit. Fault sets that predict the same, with levels as likely, are one group.
    """
    predicted = {fault_set: relay_timing.predicted(fault_set, evidence.changes) for fault_set, _ in scored}
    costs = {
        fault_set: relay_timing.cost(fault_set, predicted[fault_set], evidence) for fault_set, _ in scored
    }
    scores = {fault_set: level + log_prior(fault_set) - costs[fault_set] for fault_set, level in scored}
    likelihood = dict(scored)
    groups: list[dict[FaultSet, float]] = []
    for fault_set in sorted(filter(None, scores), key=lambda faults: -scores[faults]):
        for group in groups:
            first = next(iter(group))
            if (
                predicted[first] == predicted[fault_set]
                and costs[first] == costs[fault_set]
                and abs(likelihood[first] - likelihood[fault_set]) < ODDS
            ):
                group[fault_set] = scores[fault_set]
                break
        else:
            groups.append({fault_set: scores[fault_set]})
    best = max(scores, key=lambda faults: scores[faults])
    return make_ranking(
        groups,
        good=scores[()],
        something_else=likelihood[()] + log(SOMETHING_ELSE) - WRONG,
        beyond=inf if costs[best] >= WRONG else levels.beyond,
    )
