"""What a search starts from: what is settled, and what is made already."""

from dataclasses import dataclass

from harness.compose.views import View
from harness.job.state import State


@dataclass(frozen=True, kw_only=True)
class Fixed:
    """What a person has settled, so that the search has no choice of it; None: it has.

    through: the setups of the through reference.
    """

    loads: bool = False
    loopbacks: bool = False
    through: bool = False
    states: tuple[State, ...] | None = None


NOTHING_FIXED = Fixed()


@dataclass(frozen=True, kw_only=True)
class Made:
    """What a sequence makes already, which costs nothing more: setups, states, and captures in both at its
    usual frequency.
    """

    views: frozenset[View] = frozenset()
    states: frozenset[State] = frozenset()
    columns: frozenset[tuple[View, State]] = frozenset()


NOTHING_MADE = Made()
