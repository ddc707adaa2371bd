"""Switch states (the lines that are on, and whether the relay supply is) and changes from one to another."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from harness.toml_files.messages import did_you_mean, unknown

REST = "rest"
UNPOWERED = "unpowered"
BECOMES = " > "  # in the name of a change of state, and of no state
Direction = Literal["operate", "release", "mixed"]


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


@dataclass(frozen=True, kw_only=True)
class Edge:
    """A change of state: of one line, or of several at once (then they race)."""

    before: State
    after: State

    @property
    def name(self) -> str:
        """`rest > loop_a`."""
        return f"{self.before.name}{BECOMES}{self.after.name}"

    @property
    def lines(self) -> tuple[str, ...]:
        """Lines that change."""
        return tuple(line for line in (*self.before.on, *self.after.on) if self._changes(line))

    @property
    def direction(self) -> Direction:
        """Whether lines are only energised, only released, or some of each."""
        if set(self.before.on) < set(self.after.on):
            return "operate"
        return "release" if set(self.after.on) < set(self.before.on) else "mixed"

    def _changes(self, line: str) -> bool:
        return (line in self.before.on) != (line in self.after.on)


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


def single_line_edges(states: Sequence[State]) -> tuple[Edge, ...]:
    """Every change of exactly one line between two of these states, both ways; the supply stays on."""
    powered = [state for state in states if state.powered]
    return tuple(
        Edge(before=before, after=after)
        for before in powered
        for after in powered
        if len(set(before.on) ^ set(after.on)) == 1
    )


def named_edge(name: str, states: Iterable[State]) -> Edge:
    """The edge of that name, `loop_a > loop_b`, between two of these states."""
    before, after = name.split(BECOMES)
    known = {state.name: state for state in states}
    return Edge(before=known[before], after=known[after])
