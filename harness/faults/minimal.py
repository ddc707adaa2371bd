"""The smallest set of steps that sees as much as a whole sequence does, by integer programming."""

from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np

from harness.circuit.elements import BenchImpedances
from harness.errors import UsageError
from harness.faults.changes import weigh_changes
from harness.faults.coverage import hard_faults
from harness.faults.margins import SURE, weigh_margins
from harness.faults.signatures import signatures
from harness.job.job import Job
from harness.plan.model import Plan, Planned, SetupVisit, StateVisit
from harness.plan.setups import lead_moves
from harness.plan.states import HANDS_S, TimeEstimate, estimate_time, record_s

LONGEST_S = 60.0  # for the search; the best so far is taken after that


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


def smallest_plan(
    job: Job, plan: Plan, *, impedances: BenchImpedances, executor: Executor | None = None
) -> Minimal:
    """Leave out setups, states and acquisitions as long as every fault that is seen stays seen.

    What is minimised is the time for settling, recording and moving leads. Changes of state stay where they
    see what no level or current does. Raises UsageError for a plan that sees nothing.
    """
    faults = hard_faults(job)
    made = weigh_margins(job, plan, signatures(job, plan, faults, impedances=impedances, executor=executor))
    by = made.margins[:, :-1] >= SURE
    steady = np.asarray((made.margins >= SURE).any(axis=1))
    left = [(fault,) for fault, seen in zip(faults, steady, strict=True) if not seen]
    changes = [
        evidence for evidence in weigh_changes(job, plan, left, impedances=impedances) if evidence is not None
    ]
    by = by[(made.margins[:, -1] < SURE) & by.any(axis=1)]  # what stops before the plan needs no step
    if not len(by):
        raise UsageError("this sequence detects no fault that needs a step, so there is nothing to shorten")
    steps = _Steps(plan, settle_s=job.settle_s)
    chosen, proven = steps.solve(by)
    kept = steps.plan_of(chosen, {change.acquisition for change in changes})
    return Minimal(
        plan=kept,
        seen=int(steady.sum()) + len(changes),
        before=estimate_time(plan, job),
        after=estimate_time(kept, job),
        proven=proven,
    )


class _Steps:
    """The choice: to keep each setup, each of its states, each acquisition and each reading, or not."""

    def __init__(self, plan: Plan, *, settle_s: float) -> None:
        self._plan = plan
        self._cost: list[float] = []
        self._names: dict[object, int] = {}
        self._rows: list[tuple[dict[int, float], float]] = []  # sums that must be at least so much
        last = plan.through
        for index, visit in enumerate(plan.visits):
            hands_s = HANDS_S * lead_moves(last, visit.setup) if visit.setup.select is None else 0.0
            last = visit.setup
            setup = self._add(("setup", index), hands_s)
            for state in visit.states:
                here = self._add(("state", index, state.state.name), settle_s)
                self._needs(here, setup)
                for acquisition in state.acquisitions:
                    taken = self._add(("acquisition", acquisition.number), record_s(acquisition))
                    self._needs(taken, here)
        for number, reading in enumerate(plan.state_readings):
            one = self._add(("reading", number), 1e-6)
            if not reading.captures:
                self._rows.append(({one: -1.0} | dict.fromkeys(self._states_of(reading), 1.0), 0.0))
            for acquired in reading.captures:
                self._needs(one, self._names["acquisition", acquired])

    def solve(self, by: np.ndarray) -> tuple[np.ndarray, bool]:
        """Choose so that every fault keeps a reading that sees it; `by` has shape (faults, readings)."""
        from scipy.optimize import Bounds, LinearConstraint, milp
        from scipy.sparse import lil_array

        rows = list(self._rows)
        readings = [self._names["reading", number] for number in range(by.shape[1])]
        for pattern in np.unique(by, axis=0):
            rows.append(({readings[int(number)]: 1.0 for number in np.flatnonzero(pattern)}, 1.0))
        matrix = lil_array((len(rows), len(self._cost)))
        for row, (sums, _) in enumerate(rows):
            for column, weight in sums.items():
                matrix[row, column] = weight
        result = milp(
            np.array(self._cost),
            constraints=LinearConstraint(matrix.tocsr(), lb=np.array([least for _, least in rows])),
            integrality=np.ones(len(self._cost), dtype=int),
            bounds=Bounds(0, 1),
            options={"time_limit": LONGEST_S},
        )
        if result.x is None:
            return np.ones(len(self._cost), dtype=bool), False
        return np.asarray(result.x > 0.5), bool(result.status == 0)

    def plan_of(self, chosen: np.ndarray, changes: set[int]) -> Plan:
        """The plan with what was chosen and these changes of state, and every reading that they still
        give.
        """
        visits = tuple(self._visits(chosen, changes))
        taken = {a.number for visit in visits for state in visit.states for a in state.acquisitions}
        states = {state.state.name for visit in visits for state in visit.states}
        return replace(
            self._plan,
            visits=visits,
            readings=(
                *(
                    reading
                    for reading in self._plan.state_readings
                    if (
                        set(reading.captures) <= taken
                        if reading.captures
                        else reading.measurand.state in states
                    )
                ),
                *(
                    change_reading
                    for change_reading in self._plan.change_readings
                    if set(change_reading.captures) <= changes
                ),
            ),
            predictions={number: made for number, made in self._plan.predictions.items() if number in taken},
        )

    def _visits(self, chosen: np.ndarray, changes: set[int]) -> list[SetupVisit]:
        visits: list[SetupVisit] = []
        seen: set[str] = set()
        for index, visit in enumerate(self._plan.visits):
            states: list[StateVisit] = []
            for state in visit.states:
                if not chosen[self._names["state", index, state.state.name]]:
                    continue
                kept = tuple(a for a in state.acquisitions if chosen[self._names["acquisition", a.number]])
                judges = state.state.name not in seen
                seen.add(state.state.name)
                states.append(replace(state, acquisitions=kept, judges_supply=judges))
            wanted = tuple(change for change in visit.changes if change.number in changes)
            if states or wanted:
                visits.append(replace(visit, states=tuple(states), changes=wanted, cycles=()))
        return visits

    def _add(self, name: object, cost_s: float) -> int:
        self._names[name] = len(self._cost)
        self._cost.append(cost_s)
        return self._names[name]

    def _needs(self, one: int, other: int) -> None:
        self._rows.append(({other: 1.0, one: -1.0}, 0.0))

    def _states_of(self, reading: Planned) -> list[int]:
        return [
            self._names["state", index, state.state.name]
            for index, visit in enumerate(self._plan.visits)
            for state in visit.states
            if state.state.name == reading.measurand.state
        ]
