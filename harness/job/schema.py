"""What each table of sequence.toml may hold, and in which units; whether it makes sense is checked after."""

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from harness.toml_files.values import (
    Decibel,
    Frequency,
    Level,
    Pattern,
    Span,
    StandIn,
    Table,
    Text,
    Time,
    one_or_more,
)


class RawTable(BaseModel):
    """A table of the file: what it does not know, it refuses."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class RawTone(RawTable):
    """The sequence's tone."""

    frequency: Frequency
    level: Level


class RawSequence(RawTable):
    """[sequence]."""

    name: Text
    states: Annotated[list[Text], one_or_more, Field(min_length=1), StandIn([])] = ["all"]
    channels: Annotated[list[Text], one_or_more, Field(min_length=1), StandIn([])] = ["all"]
    tone: Annotated[RawTone, Field(description='a table such as { frequency = "1 kHz", level = "+4 dBu" }')]
    settle: Time
    coverage_factor: Annotated[float, Field(gt=0, le=10, allow_inf_nan=False)] = 2.0
    decision: Literal["guarded", "simple"] = "guarded"
    serial_pattern: Pattern | None = None
    retests: Annotated[int, Field(ge=0, le=99)] | None = None
    golden_every: Span | None = None


class RawCheck(RawTable):
    """[[check]]; the limits are read later, by the check's quantity."""

    name: Text
    quantity: Text
    at: list[Text] = []
    within: Any = None
    below: Any = None
    above: Any = None
    between: Any = None
    frequency: Frequency | None = None
    level: Level | None = None
    silent_below: Decibel | None = None
    states: Annotated[list[Text] | None, one_or_more] = None
    frequencies: list[Frequency] | None = None
    weighting: Literal["none", "A", "quasi-peak"] | None = None
    include: Literal["harmonics", "everything"] | None = None
    source: Literal["equal", "unequal"] | None = None
    coupling: Literal["isolation", "crosstalk"] | None = None
    operations: Annotated[int, Field(ge=1, le=100_000)] | None = None
    measure: Literal["peak", "energy", "duration"] | None = None
    band: Literal["full", "audio"] | None = None
    also: list[Text] = []


@dataclass(frozen=True, kw_only=True)
class SequenceFile(Table):
    """sequence.toml."""

    sequence: RawSequence
    check: tuple[RawCheck, ...] = ()
