"""States: their order, the relays that are energised in them, and what a walk through them costs."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from harness.circuit.expand import is_operated
from harness.job.job import Job
from harness.job.module import Module, Relay
from harness.job.sequence import Check
from harness.job.state import IDLE_STATE, UNPOWERED_STATE, State
from harness.plan.model import Acquisition, Plan
from harness.plan.pulses import pulse_s, pulses_between, pulses_to
from harness.plan.setups import lead_moves
from harness.quantities.cycle import OfOperations
from harness.quantities.quantity import PlannedReading

LIMIT_REACHED = 0.97  # of the set limit: a supply in current limit reads a little below it
LIMIT_OVER_EXPECTED = 1.3  # times what the line should draw: common practice, no source
LEAST_LIMIT_A = 0.02  # over that: a supply's current limit is coarse near zero


def distance(one: State, other: State) -> int:
    """Control lines that change between two states; switching the supply counts as one more than all of
    them.
    """
    changed = len(set(one.on) ^ set(other.on))
    return changed + (len(one.on) + len(other.on) + 1) * (one.powered != other.powered)


def ordered(states: Sequence[State]) -> tuple[State, ...]:
    """Nearest neighbour from idle, ties in the order given: for all combinations this is a Gray code."""
    left = list(states)
    order: list[State] = []
    last = IDLE_STATE
    while left:
        last = min(left, key=lambda state: distance(last, state))
        left.remove(last)
        order.append(last)
    return tuple(order)


def energised(relay: Relay, state: State) -> bool:
    """Whether a coil of the relay is driven in a state; of a latching relay, only while it is pulsed."""
    driven = (state.pulsed,) if relay.latches else state.on
    return state.powered and any(control in driven for control in relay.coils)


def operations(module: Module, walk: Sequence[State], pulses: Sequence[str] = ()) -> dict[str, int]:
    """How often each relay moves to its operated side along a walk through states that starts unpowered, and
    by some pulses: before each that sets a latching relay it is reset.
    """
    counts = {relay.name: pulses.count(relay.operating_control) for relay in module.relays if relay.latches}
    before = UNPOWERED_STATE
    for state in walk:
        for relay in (relay for relay in module.relays if not relay.latches):
            counts.setdefault(relay.name, 0)
            if is_operated(relay, state) and not is_operated(relay, before):
                counts[relay.name] += 1
        before = state
    return {relay.name: counts.get(relay.name, 0) for relay in module.relays}


def expected_current_a(module: Module, state: State) -> float:
    """Quiescent current and the coils that the state energises; nothing if the supply is off."""
    if not state.powered:
        return 0.0
    coils_a = sum(
        module.supply.voltage_v / relay.type.coil_ohm for relay in module.relays if energised(relay, state)
    )
    return module.supply.quiescent_a + coils_a


def is_judged(job: Job, check: Check, state: State) -> bool:
    """Whether a check is of the supply and read in a state: not without it, nor a share of no current."""
    if check.quantity.family != "supply" or not check.covers(state):
        return False
    of_share = check.limit is not None and (check.limit.relative or check.limit.tolerance)
    return state.powered and not (of_share and expected_current_a(job.module, state) == 0)


def limit_of(module: Module, state: State) -> float:
    """The supply's limit while a state is proven before the plan, in amperes; never over the module's own."""
    expected_a = expected_current_a(module, state)
    return min(max(LIMIT_OVER_EXPECTED * expected_a, expected_a + LEAST_LIMIT_A), module.supply.limit_a)


CHANGE_RECORD_S = 0.1  # half of it before the change; a record that is too short is taken again, longer
CHANGE_SAMPLES = 50_000  # 2 us apart: a bounce counts from 10 us on (MIL-R-5757J)
LONGER = 2  # times: what a record of a change is lengthened by
# At a contact: levels under a window, which needs no whole periods, neither of the tone nor of the mains.
LOOKS_S = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
LOOK_CYCLES = 8  # of the tone, at least
LOOK_SAMPLES = 4000
HANDS_S = 30.0  # a person moving one lead


@dataclass(frozen=True, kw_only=True)
class TimeEstimate:
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
    records = 2 if acquisition.stimulus.kind == "synced" else 1  # a leg each
    return records * acquisition.stimulus.tones.duration_s


def look_s(given: OfOperations) -> float:
    """How long each record is between the operations of a control line."""
    return next(length_s for length_s in LOOKS_S if given.stimulus.tones.hot_hz * length_s >= LOOK_CYCLES)


def looks_s(cycles: Iterable[PlannedReading[OfOperations]], settle_s: float = 0.0) -> float:
    """How long all records of some control lines' operations are, and the settling before each."""
    return sum(2 * cycle.given.operations * (look_s(cycle.given) + settle_s) for cycle in cycles)


def walked(plan: Plan) -> list[State]:
    """Every state that is set, in order, those at both ends of each change of state included."""
    walk: list[State] = []
    for visit in plan.visits:
        walk += [state.state for state in visit.states]
        for cycle in visit.cycles:
            walk += [IDLE_STATE, State(on=(cycle.given.control,))] * cycle.given.operations
        for change in visit.changes:
            if not walk or walk[-1] != change.change.before:
                walk.append(change.change.before)
            walk.append(change.change.after)
    return walk


def pulses_of(plan: Plan, module: Module) -> list[str]:
    """Every pulse of a control line of latching relays, in order, on the way through a plan."""
    pulses: list[str] = []
    for visit in plan.visits:
        for state in (visited.state for visited in visit.states):
            pulses += [state.pulsed] if state.pulsed else pulses_to(module, state)
        for cycle in visit.cycles:
            operated = State(on=(cycle.given.control,))
            both = (
                *pulses_between(module, operated, IDLE_STATE),
                *pulses_between(module, IDLE_STATE, operated),
            )
            pulses += both * cycle.given.operations
        last: State | None = None
        for change in (acquisition.change for acquisition in visit.changes):
            pulses += pulses_to(module, change.before) if change.before != last else ()
            pulses += [change.pulsed] if change.pulsed else []
            last = change.after
    return pulses


def estimate_time(plan: Plan, job: Job) -> TimeEstimate:
    """Estimate a plan, with the settling of sequence and switchboard after each change of state."""
    walk, pulses = walked(plan), pulses_of(plan, job.module)
    hands_s = 0.0
    last = plan.through
    if plan.swapped_through is not None and plan.swapped_through.select is None:
        hands_s += HANDS_S * lead_moves(last, plan.swapped_through)
        last = plan.swapped_through
    for visit in plan.visits:
        if visit.setup.select is None:
            hands_s += HANDS_S * lead_moves(last, visit.setup)
        last = visit.setup
    return TimeEstimate(
        acquisitions=plan.capture_count,
        readings=plan.count,
        state_changes=len(walk),
        unavoidable_s=(len(walk) - len(plan.changes)) * job.settle_s
        + sum(job.settle_s + pulse_s(job.module, control) for control in pulses)
        + sum(map(record_s, plan.acquisitions))
        + len(plan.changes) * CHANGE_RECORD_S
        + looks_s(plan.cycles),
        hands_s=hands_s,
        operations=operations(job.module, walk, pulses),
    )
