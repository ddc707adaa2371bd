"""The smallest set of steps that sees as much as a whole sequence does."""

from collections.abc import Iterator
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np

from harness.errors import UsageError
from harness.faults.changes import weigh_changes
from harness.faults.coverage import hard_faults
from harness.faults.margins import CLEAR, weigh_margins
from harness.faults.suggestions.cheapest import cheapest
from harness.job.job import Job
from harness.plan.model import Plan, SetupVisit, StateVisit
from harness.plan.setups import lead_moves
from harness.plan.states import HANDS_S, TimeEstimate, estimate_time, record_s


@dataclass(frozen=True, kw_only=True)
class Minimal:
    """A plan with the fewest steps that sees the same faults, and what both cost.

    proven: whether the search ended, so that no plan is shorter.
    """

    plan: Plan
    seen: int
    before: TimeEstimate
    after: TimeEstimate
    proven: bool


def smallest_plan(job: Job, plan: Plan, *, executor: Executor | None = None) -> Minimal:
    """Leave out setups, states and acquisitions as long as every fault that is seen stays seen.

    What is minimised is the time for settling, recording and moving leads. Changes of state stay where they
    see what no level or current does. Raises UsageError for a plan that sees nothing.
    """
    faults = hard_faults(job)
    made = weigh_margins(job, plan, faults, executor=executor)
    by = made.of_readings >= CLEAR
    steady = np.asarray((made.margins >= CLEAR).any(axis=1))
    unseen = [(fault,) for fault, seen in zip(faults, steady, strict=True) if not seen]
    changes = [evidence for evidence in weigh_changes(job, plan, unseen) if evidence is not None]
    by = by[(made.margins[:, -1] < CLEAR) & by.any(axis=1)]  # what stops before the plan needs no step
    if not len(by):
        raise UsageError("this sequence detects no fault that needs a step, so there is nothing to shorten")
    steps = _Steps(plan, settle_s=job.settle_s)
    chosen, proven = steps.solve(by)
    shorter = steps.plan_of(chosen, {change.acquisition for change in changes})
    return Minimal(
        plan=shorter,
        seen=int(steady.sum()) + len(changes),
        before=estimate_time(plan, job),
        after=estimate_time(shorter, job),
        proven=proven,
    )


# ("setup", 0), ("state", 0, "idle", 2) for the third visit to a state, ("acquisition", 3) or ("reading", 7)
Choice = tuple[str | int, ...]


class _Steps:
    """The choice: to keep each setup, each of its states, each acquisition and each reading, or not."""

    def __init__(self, plan: Plan, *, settle_s: float) -> None:
        self._plan = plan
        self._cost: dict[Choice, float] = {}
        self._needs: list[tuple[Choice, list[Choice]]] = []  # of a step, others of which one is taken too
        last = plan.throughs[-1] if plan.throughs else None
        for index, visit in enumerate(plan.visits):
            setup: Choice = ("setup", index)
            self._cost[setup] = HANDS_S * lead_moves(last, visit.setup) if visit.setup.select is None else 0.0
            last = visit.setup
            for number, state_visit in enumerate(visit.states):
                state: Choice = ("state", index, state_visit.state.name, number)
                self._cost[state] = settle_s
                self._needs.append((state, [setup]))
                for acquisition in state_visit.acquisitions:
                    self._cost["acquisition", acquisition.number] = record_s(acquisition)
                    self._needs.append((("acquisition", acquisition.number), [state]))
        for number, reading in enumerate(plan.state_readings):
            self._cost["reading", number] = 1e-6
            for captured in reading.captures:
                self._needs.append((("reading", number), [("acquisition", captured)]))
            if not reading.captures:
                states = [step for step in self._cost if step[::2] == ("state", reading.measurand.state)]
                self._needs.append((("reading", number), states))

    def solve(self, by: np.ndarray) -> tuple[set[Choice], bool]:
        """Choose so that every fault keeps a reading that sees it; `by` has shape (faults, readings).

        Returns the steps, and whether the search ended.
        """
        wanted = [
            [("reading", int(number)) for number in np.flatnonzero(pattern)]
            for pattern in np.unique(by, axis=0)
        ]
        return cheapest(self._cost, needs=self._needs, wanted=wanted)

    def plan_of(self, chosen: set[Choice], changes: set[int]) -> Plan:
        """The plan with these steps and changes of state, and every reading that they still serve."""
        visits = tuple(self._visits(chosen, changes))
        numbers = {a.number for visit in visits for state in visit.states for a in state.acquisitions}
        states = {state.state.name for visit in visits for state in visit.states}
        readings = [
            reading
            for reading in self._plan.state_readings
            if (set(reading.captures) <= numbers if reading.captures else reading.measurand.state in states)
        ]
        of_changes = [reading for reading in self._plan.change_readings if set(reading.captures) <= changes]
        predictions = self._plan.predictions
        return replace(
            self._plan,
            visits=visits,
            readings=(*readings, *of_changes),
            predictions={number: made for number, made in predictions.items() if number in numbers},
        )

    def _visits(self, chosen: set[Choice], changes: set[int]) -> Iterator[SetupVisit]:
        judged: set[str] = set()
        for index, visit in enumerate(self._plan.visits):
            states: list[StateVisit] = []
            for number, state in enumerate(visit.states):
                name = state.state.name
                if ("state", index, name, number) in chosen:
                    taken = tuple(a for a in state.acquisitions if ("acquisition", a.number) in chosen)
                    states.append(replace(state, acquisitions=taken, judges_supply=name not in judged))
                    judged.add(name)
            wanted = tuple(change for change in visit.changes if change.number in changes)
            if states or wanted:
                yield replace(visit, states=tuple(states), changes=wanted, cycles=())
