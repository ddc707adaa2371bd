"""How long a plan takes and what it wears, before it is run."""

from dataclasses import dataclass

from harness.job.module import Module
from harness.job.state import State
from harness.measure.tones import choose_tones
from harness.plan import states
from harness.plan.hookups import lead_moves
from harness.plan.model import Acquisition, Plan

SILENT_RECORD_S = 0.1  # an offset is averaged over whole periods of 50 and 60 Hz mains
EDGE_RECORD_S = 0.2  # half of it before the change, in which the state before settles as well
CYCLE_RECORD_S = 0.02  # looks at a contact; twenty periods of 1 kHz
HANDS_S = 30.0  # a person moving one lead


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """What a plan costs.

    unavoidable_s: settling and recording alone. hands_s: moving leads. operations: by relay, moves to the
    operated side.
    """

    acquisitions: int
    readings: int
    state_changes: int
    unavoidable_s: float
    hands_s: float
    operations: dict[str, int]


def record_s(acquisition: Acquisition) -> float:
    """How long one acquisition records."""
    if acquisition.stimulus.kind == "silence":
        return SILENT_RECORD_S
    return choose_tones(acquisition.stimulus.frequency_hz).duration_s


def walked(plan: Plan) -> list[State]:
    """Every state that is set, in order, those at both ends of each edge included."""
    walk: list[State] = []
    for visit in plan.visits:
        walk += [here.state for here in visit.states]
        for cycle in visit.cycles:
            walk += [State(on=()), cycle.state] * cycle.operations
        for edge in visit.edges:
            if not walk or walk[-1] != edge.edge.before:
                walk.append(edge.edge.before)
            walk.append(edge.edge.after)
    return walk


def estimate(plan: Plan, module: Module, *, settle_s: float, board_settle_s: float) -> Estimate:
    """Estimate a plan, with the settling of sequence and switchboard after each change of state."""
    walk = walked(plan)
    edges = plan.edges
    hands = 0.0
    last = plan.through
    for visit in plan.visits:
        if visit.hookup.select is None:
            hands += HANDS_S * lead_moves(last, visit.hookup)
        last = visit.hookup
    acquisitions = plan.acquisitions
    return Estimate(
        acquisitions=len(acquisitions) + len(edges),
        readings=plan.count,
        state_changes=len(walk),
        unavoidable_s=(len(walk) - len(edges)) * (settle_s + board_settle_s)
        + sum(map(record_s, acquisitions))
        + len(edges) * EDGE_RECORD_S
        + sum(2 * cycle.operations * CYCLE_RECORD_S for cycle in plan.cycles),
        hands_s=hands,
        operations=states.operations(module, walk),
    )
