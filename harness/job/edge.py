"""Edges: changes from one state to another."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from harness.job.state import State

BECOMES = " > "  # in the name of a change of state, and of no state
Direction = Literal["operate", "release", "mixed"]


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
