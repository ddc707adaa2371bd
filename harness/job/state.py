"""A switch state: the lines that are on, and whether the relay supply is."""

from collections.abc import Sequence
from dataclasses import dataclass

REST = "rest"
UNPOWERED = "unpowered"


@dataclass(frozen=True, kw_only=True)
class State:
    """The lines that are on, in the module's order; `unpowered` is the supply off, with no line on."""

    on: tuple[str, ...]
    powered: bool = True

    @property
    def name(self) -> str:
        """`loop_a+swap`, `rest` or `unpowered`."""
        if not self.powered:
            return UNPOWERED
        return "+".join(self.on) or REST


def all_states(lines: Sequence[str]) -> tuple[State, ...]:
    """Every combination of the lines, in Gray-code order: one line changes from each to the next."""
    states = []
    for index in range(1 << len(lines)):
        gray = index ^ (index >> 1)
        states.append(State(on=tuple(line for bit, line in enumerate(lines) if gray >> bit & 1)))
    return tuple(states)
