"""What is to be checked, and within which limits."""

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field

from harness.job.state import State
from harness.quantities.quantity import Options, Quantity
from harness.reading import Limit
from harness.toml_files.values import Frequency, Level, Table


@dataclass(frozen=True, kw_only=True)
class Tone(Table):
    """A sine: its frequency, and its differential level in volts RMS; 0 where none is wanted."""

    frequency_hz: Annotated[Frequency, Field(alias="frequency")]
    level_vrms: Annotated[Level, Field(alias="level")]


@dataclass(frozen=True, kw_only=True)
class Check:
    """One check: a quantity, the ports it is taken at, and its limit.

    limit: None for a quantity that must be as predicted. tone: the sequence's unless the check gives its own
    frequency or level. at: empty for a quantity of the whole unit. states: where it is taken, of the
    sequence's; None for all of them. options: of the quantity's own kind. line: in sequence.toml.
    """

    name: str
    quantity: Quantity
    at: tuple[str, ...]
    tone: Tone
    limit: Limit | None
    options: Options
    states: tuple[State, ...] | None = None
    line: int = 0

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
