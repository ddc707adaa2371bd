"""What records of changes of state tell of relays: which came late, bounced too long, or did not move.

Levels come first: a relay that never moves shows in them. Where they agree with a good unit, and readings of
changes or of operations do not pass, the faults weighed are those of a relay's time, those that no level
shows, and contacts that come and go.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from math import inf, log

from harness.faults.changes import ChangeMoves, Cycles
from harness.faults.effects import FaultSet, FaultyCircuits, as_open, comes_and_goes
from harness.faults.evidence import Evidence, JudgedChange, JudgedCycle, Moved
from harness.faults.ranking import ODDS, SOMETHING_ELSE, Candidate, Ranking, log_prior, make_ranking
from harness.job.faults import FaultKind
from harness.job.fixture import PortName
from harness.job.job import Job
from harness.plan.model import Plan, Planned
from harness.plan.state_changes import Routes, moves
from harness.plan.states import energised
from harness.quantities.change import as_of_change

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
                operates = energised(relay, change.after)
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
