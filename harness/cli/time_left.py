"""How long a run has still to go: what the plan says of the rest, at the pace of what is behind."""

from itertools import accumulate
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.plan.model import Plan

SURE_S = 5.0  # of a run's beginning, in which the plan's own time counts more than the pace that is seen


class TimeLeft:
    """The planned time of each acquisition, and of what comes before it."""

    def __init__(self, plan: "Plan", *, settle_s: float) -> None:
        self._behind_s = (0.0, *accumulate(_planned_s(plan, settle_s)))

    def after(self, done: int, *, spent_s: float) -> float:
        """Seconds that are left when so many acquisitions took so long, moving leads not counted."""
        behind_s = self._behind_s[min(done, len(self._behind_s) - 1)]
        pace = (spent_s + SURE_S) / (behind_s + SURE_S)
        return (self._behind_s[-1] - behind_s) * pace


def _planned_s(plan: "Plan", settle_s: float) -> list[float]:
    """Of each acquisition in its order: settling and recording, and the operating of lines before it."""
    from harness.plan.estimate import CYCLE_RECORD_S, EDGE_RECORD_S, record_s

    planned: list[float] = []
    waiting_s = 0.0
    for visit in plan.visits:
        waiting_s += sum(2 * cycle.given.operations * (CYCLE_RECORD_S + settle_s) for cycle in visit.cycles)
        for here in visit.states:
            waiting_s += settle_s
            for acquisition in here.acquisitions:
                planned.append(waiting_s + record_s(acquisition))
                waiting_s = 0.0
        for _ in visit.edges:
            planned.append(waiting_s + EDGE_RECORD_S)
            waiting_s = 0.0
    return planned
