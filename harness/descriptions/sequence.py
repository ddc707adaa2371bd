"""What is to be checked, and within which limits."""

from dataclasses import dataclass
from typing import Literal

from harness.descriptions.state import State

Quantity = Literal[
    "gain",
    "polarity",
    "phase",
    "balance",
    "channel_match",
    "offset",
    "isolation",
    "crosstalk",
    "supply_current",
]


@dataclass(frozen=True, kw_only=True)
class Tone:
    """A sine: its frequency, and its differential level in volts RMS."""

    frequency_hz: float
    level_vrms: float


@dataclass(frozen=True, kw_only=True)
class Limit:
    """What a value must satisfy, in `unit` (dB, deg, V or A).

    within: no further than `high` from the predicted value (relative: `high` is a fraction of it, and unit is
    the prediction's). below, above: `high` or `low` alone. between: both.
    """

    kind: Literal["within", "below", "above", "between"]
    unit: str
    low: float | None = None
    high: float | None = None
    relative: bool = False


@dataclass(frozen=True, kw_only=True)
class Check:
    """One check: a quantity, the ports it is taken at, and its limit.

    `limit` is None for polarity alone, which must be as predicted. `tone` is the sequence's unless the check
    gives its own frequency or level. `at` is empty for supply_current.
    `silent_below_db` judges isolation at ports that the circuit predicts silent.
    """

    name: str
    quantity: Quantity
    at: tuple[str, ...]
    tone: Tone
    limit: Limit | None
    silent_below_db: float | None
    line: int  # in sequence.toml


@dataclass(frozen=True, kw_only=True)
class Sequence:
    """A sequence of checks, over states and channels."""

    name: str
    states: tuple[State, ...]
    channels: tuple[str, ...]
    settle_s: float
    coverage_factor: float  # k of the expanded uncertainty
    decision: Literal["guarded", "simple"]
    serial_pattern: str | None
    checks: tuple[Check, ...]
