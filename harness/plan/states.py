"""States: their order, the relays that are energised in them, and what the relay supply should give."""

from collections.abc import Sequence

from harness.job.module import Module, Relay
from harness.job.state import State

LIMIT_REACHED = 0.97  # of the set limit: a supply in current limit reads a little below it
LIMIT_OVER_EXPECTED = 1.3  # times what the line should draw: common practice, no source
LEAST_LIMIT_A = 0.02  # over that: a supply's current limit is coarse near zero


def distance(one: State, other: State) -> int:
    """Lines that change between two states; switching the supply counts as one more than every line."""
    changed = len(set(one.on) ^ set(other.on))
    return changed + (len(one.on) + len(other.on) + 1) * (one.powered != other.powered)


def ordered(states: Sequence[State]) -> tuple[State, ...]:
    """Nearest neighbour from rest, ties in the order given: for all combinations this is a Gray code."""
    left = list(states)
    order: list[State] = []
    here = State(on=())
    while left:
        here = min(left, key=lambda state: distance(here, state))
        left.remove(here)
        order.append(here)
    return tuple(order)


def energised(relay: Relay, state: State) -> bool:
    """Whether the relay's coil is driven in a state; of a latching relay, its set coil."""
    return state.powered and relay.operating_line in state.on


def operations(module: Module, walk: Sequence[State]) -> dict[str, int]:
    """How often each relay moves to its operated side along a walk through states that starts unpowered."""
    counts = dict.fromkeys((relay.name for relay in module.relays), 0)
    before = State(on=(), powered=False)
    for state in walk:
        for relay in module.relays:
            if energised(relay, state) and not energised(relay, before):
                counts[relay.name] += 1
        before = state
    return counts


def expected_current_a(module: Module, state: State) -> float:
    """Quiescent current and the coils that the state energises; nothing where the supply is off."""
    if not state.powered:
        return 0.0
    coils_a = sum(
        module.supply.voltage_v / relay.type.coil_ohm for relay in module.relays if energised(relay, state)
    )
    return module.supply.quiescent_a + coils_a


def limit_of(module: Module, state: State) -> float:
    """The supply's limit while a state is proven before the plan, in amperes; never over the module's own."""
    expected_a = expected_current_a(module, state)
    return min(max(LIMIT_OVER_EXPECTED * expected_a, expected_a + LEAST_LIMIT_A), module.supply.limit_a)
