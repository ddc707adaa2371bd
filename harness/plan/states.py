"""The order of states: each next one is the nearest, so that few relays move."""

from collections.abc import Sequence

from harness.job.module import Module, Relay
from harness.job.state import State


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
