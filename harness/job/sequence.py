"""What is to be checked, and within which limits; and sequence.toml, table by table."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, create_model

from harness.errors import Mistake
from harness.job.state import State
from harness.quantities.quantity import AnyQuantity, Options
from harness.quantities.registry import QUANTITIES
from harness.reading import Limit
from harness.toml_files.values import (
    Frequency,
    Level,
    Pattern,
    ReadAs,
    Span,
    StandIn,
    Table,
    Text,
    Time,
    one_or_more,
)


@dataclass(frozen=True, kw_only=True)
class Tone(Table):
    """A sine: its frequency, and its differential level in volts RMS; 0 for no tone."""

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
    quantity: AnyQuantity
    at: tuple[str, ...]
    tone: Tone
    limit: Limit | None
    options: Options
    states: tuple[State, ...] | None = None
    line: int = 0

    def mistake(self, message: str) -> Mistake:
        """A mistake in it that only the rest of the job shows."""
        return Mistake(file="sequence.toml", line=self.line, key=f"check {self.name!r}", message=message)

    def covers(self, state: State) -> bool:
        """Whether it is taken in a state of the sequence."""
        return self.states is None or state in self.states


@dataclass(frozen=True, kw_only=True)
class CheckSequence:
    """A sequence of checks, over states and channels.

    retests: how often a unit may be run again after its first complete run; None for no bound.
    golden_every_s: how long after its last check by a golden unit units are tested on a bench; None for no
    bound. full_every: of units that are tested by shortest runs, each so manieth has a whole run; None for
    none.
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
    full_every: int | None = None


Texts = Annotated[tuple[Text, ...], one_or_more, Field(min_length=1), StandIn(())]


@dataclass(frozen=True, kw_only=True)
class SequenceHead(Table):
    """[sequence]."""

    name: Text
    states: Texts = ("all",)
    channels: Texts = ("all",)
    tone: Annotated[Tone, Field(description='a table such as { frequency = "1 kHz", level = "+4 dBu" }')]
    settle_s: Annotated[Time, Field(alias="settle")]
    coverage_factor: Annotated[float, Field(gt=0, le=10, allow_inf_nan=False, strict=True)] = 2.0
    decision: Literal["guarded", "simple"] = "guarded"
    serial_pattern: Pattern | None = None
    retests: Annotated[int, Field(ge=0, le=99, strict=True)] | None = None
    golden_every_s: Annotated[Span | None, Field(alias="golden_every")] = None
    full_every: Annotated[int, Field(ge=1, le=10_000, strict=True)] | None = None


class CheckEntry(BaseModel):
    """[[check]], but for its quantity's own keys; the limits are read later, by the quantity."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    name: Text
    quantity: Text
    at: list[Text] = []
    within: Any = None
    below: Any = None
    above: Any = None
    between: Any = None
    frequency: Frequency | None = None
    level: Level | None = None
    states: Annotated[list[Text] | None, one_or_more] = None


OWNERS: Mapping[str, tuple[str, ...]] = {
    key: tuple(other.name for other in QUANTITIES.values() if key in other.options.model_fields)
    for quantity in QUANTITIES.values()
    for key in quantity.options.model_fields
}  # the quantities that have a key of their own, by the key

_AS_IT_STANDS: Any = (Any, None)
CHECK_OF_ANY = create_model("CheckOfAny", __base__=CheckEntry, **dict.fromkeys(OWNERS, _AS_IT_STANDS))
"""[[check]] with the keys of every quantity, as they stand in the file."""


@dataclass(frozen=True, kw_only=True)
class SequenceFile(Table):
    """sequence.toml."""

    sequence: SequenceHead
    check: tuple[Annotated[CheckEntry, ReadAs(CHECK_OF_ANY, lambda entry: entry)], ...] = ()
