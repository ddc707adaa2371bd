"""sequence.toml, table by table."""

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from harness.job.sequence import Tone
from harness.toml_files.values import (
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


class CheckEntry(BaseModel):
    """[[check]], but for the options of its quantity; the limits are read later, by the quantity."""

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


@dataclass(frozen=True, kw_only=True)
class SequenceFile(Table):
    """sequence.toml; the keys of a check depend on its quantity."""

    sequence: SequenceHead
    check: tuple[Any, ...] = ()
