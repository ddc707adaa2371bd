"""What a run reports while it runs, and what it asks of the hands that move leads."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from harness.job.fixture import Setup
from harness.job.state import State
from harness.reading import Reading


@dataclass(frozen=True, kw_only=True)
class SetupBegun:
    """A setup is being made; `number` of `total`."""

    setup: Setup
    number: int
    total: int


@dataclass(frozen=True, kw_only=True)
class StateBegun:
    """A state is set; `done` of `total` acquisitions are made.

    doing: what is done there beside measuring levels, "" if nothing is. operations: of each relay in this
    run so far, as commanded.
    """

    setup: str
    state: State
    done: int
    total: int
    operations: Mapping[str, int]
    doing: str = ""


@dataclass(frozen=True, kw_only=True)
class ReadingsMade:
    """Readings of one state, judged and already in the records; `done` of `total` acquisitions are made."""

    state: State
    done: int
    total: int
    readings: tuple[Reading, ...]


@dataclass(frozen=True, kw_only=True)
class Remark:
    """Something a person should know: a warning, a stage that has passed."""

    text: str


Event = SetupBegun | StateBegun | ReadingsMade | Remark

Observer = Callable[[Event], None]
"""Sees every event of a run as it happens; must not raise."""


class Hands(Protocol):
    """Whoever moves leads: a person who is asked, or the simulated bench's control port."""

    def make(self, setup: Setup) -> None:
        """Make a setup that no switchboard channel selects; returns when it is made."""
        ...

    def correct(self, setup: Setup, leads: Sequence[str], message: str) -> None:
        """Correct leads of a setup (`generator hot`, `input 1`; all if none is named); returns when done.

        message: what is wrong with them.
        """
        ...
