"""A switch state: the lines that are on, and whether the relay supply is."""

from collections.abc import Sequence
from dataclasses import dataclass

from harness.toml_files.messages import did_you_mean, unknown

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


def parse_state(text: str, lines: tuple[str, ...]) -> State:
    """Read a state as people write it, its lines in any order; raises ValueError with what was expected."""
    if text == UNPOWERED:
        return State(on=(), powered=False)
    if text == REST:
        return State(on=())
    wanted = [line.strip() for line in text.split("+")]
    for line in wanted:
        if line not in lines:
            message = unknown("line", line, lines, where="module.toml")
            if len(wanted) == 1 and "did you mean" not in message:
                message += did_you_mean(line, (REST, UNPOWERED))
            raise ValueError(f'found state "{text}": {message}')
    if len(set(wanted)) < len(wanted):
        raise ValueError(f'found state "{text}"; expected every line once')
    return State(on=tuple(line for line in lines if line in wanted))
