"""What is to be checked, and within which limits."""

from dataclasses import dataclass
from typing import Literal

from harness.job.edge import EdgeCheck
from harness.job.state import State
from harness.reading import Limit

Quantity = Literal[
    "gain",
    "polarity",
    "phase",
    "balance",
    "balance_phase",
    "channel_match",
    "channel_phase",
    "offset",
    "isolation",
    "crosstalk",
    "supply_current",
    "response",
    "common_mode_rejection",
    "noise",
    "distortion",
    "contact_resistance",
    "capacitance",
    "intermittency",
    "transient",
    "operate_time",
    "release_time",
    "bounce",
    "gap",
]
Weighting = Literal["none", "A", "quasi-peak"]

BETWEEN_CHANNELS: frozenset[Quantity] = frozenset({"channel_match", "channel_phase"})
AGAINST_THE_DRIVE: frozenset[Quantity] = frozenset({"phase", "balance_phase", "channel_phase"})
"""Phases: no acquisition knows when it began but by the driven port, which must be in view."""


@dataclass(frozen=True, kw_only=True)
class Tone:
    """A sine: its frequency, and its differential level in volts RMS; 0 where none is wanted."""

    frequency_hz: float
    level_vrms: float


@dataclass(frozen=True, kw_only=True)
class Check:
    """One check: a quantity, the ports it is taken at, and its limit.

    `limit` is None for polarity alone, which must be as predicted. `tone` is the sequence's unless the check
    gives its own frequency or level. `at` is empty for supply_current.
    `silent_below_db` judges isolation at ports that the circuit predicts silent.
    states: where it is taken, of the sequence's; None for all of them.
    frequencies_hz: of a response or a capacitance. weighting: of noise. include: what distortion counts.
    source: of common-mode rejection, equal legs or 10 ohm added to one. coupling: what a capacitance is
    fitted from. operations: of each line, for intermittency.
    """

    name: str
    quantity: Quantity
    at: tuple[str, ...]
    tone: Tone
    limit: Limit | None
    silent_below_db: float | None
    line: int  # in sequence.toml
    states: tuple[State, ...] | None = None
    frequencies_hz: tuple[float, ...] = ()
    weighting: Weighting = "none"
    include: Literal["harmonics", "everything"] = "harmonics"
    source: Literal["equal", "unequal"] = "equal"
    coupling: Literal["isolation", "crosstalk"] = "isolation"
    operations: int = 0
    edge: EdgeCheck | None = None  # of a check of edges, else None

    def covers(self, state: State) -> bool:
        """Whether it is taken in a state of the sequence."""
        return self.states is None or state in self.states


@dataclass(frozen=True, kw_only=True)
class Sequence:
    """A sequence of checks, over states and channels.

    retests: how often a unit may be run again after its first complete run; None for no bound.
    golden_every_s: how long after its last check by a golden unit units are tested on a bench; None for no
    bound.
    """

    name: str
    states: tuple[State, ...]
    channels: tuple[str, ...]
    settle_s: float
    coverage_factor: float  # k of the expanded uncertainty
    decision: Literal["guarded", "simple"]
    serial_pattern: str | None
    checks: tuple[Check, ...]
    retests: int | None = None
    golden_every_s: float | None = None
