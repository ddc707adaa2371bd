"""What a profile says of an oscilloscope: its limits, its commands, what it sends and how that is scaled."""

import itertools
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal

from pydantic import Field, GetCoreSchemaHandler, field_validator, model_validator
from pydantic_core import CoreSchema, core_schema

from drivers.command import OUTPUT, PLAIN, Command, Count, Holes, Positive, ProfileTable
from drivers.models.expected_answer import ExpectedAnswer

IN_COUNTS = "(raw - origin - reference) * scale"
SUBTRACTED = "(raw - reference) * scale - origin"
INVERTED = "(reference - raw) * scale + origin"
Formula = Literal[
    "(raw - reference) * scale + origin",
    "(raw - origin - reference) * scale",
    "(raw - reference) * scale - origin",
    "(reference - raw) * scale + origin",
]
Seconds = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
OF_INPUT = Holes(optional=("n",))
OPC = "*OPC?"
WINDOW_ENDS = ("stop", "end", "count")  # the last sample, the one after it, how many there are
OFFSETS = ("v", "minus_v", "div", "minus_div")  # the middle of the screen, in volts or in divisions


@dataclass(frozen=True)
class Source:
    """Where a number comes from: the profile itself, a place or a label in the preamble, or a query."""

    number: float | None = None
    place: int | None = None  # 1 is the first
    label: str = ""
    query: Command | None = None
    times: float = 1.0  # what its number is multiplied by

    @classmethod
    def parse(cls, value: object) -> "Source":
        """Read `128`, `"field 8"`, `"label YMULT"` or `":CHANnel{n}:SCALe?"`, perhaps with ` times 0.001`.

        Raises ValueError.
        """
        if isinstance(value, Source):
            return value
        if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
            return cls(number=float(value))
        text = value if isinstance(value, str) else ""
        if multiplied := re.fullmatch(r"(.+) times (-?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)", text):
            return replace(cls.parse(multiplied[1]), times=float(multiplied[2]))
        if field := re.fullmatch(r"field ([1-9]\d?)", text):
            return cls(place=int(field[1]))
        if label := re.fullmatch(r"label (\S+)", text):
            return cls(label=OF_INPUT.parse(label[1]).text)
        if "?" in text:
            return cls(query=OF_INPUT.parse(text))
        raise ValueError(f'expected a number, "field 3", "label NAME" or a query with a ?, found {value!r}')

    @property
    def in_preamble(self) -> bool:
        """Whether the preamble has to be asked for."""
        return bool(self.place or self.label)

    def __str__(self) -> str:
        if self.query is not None:
            text = repr(self.query.text)
        elif self.number is not None:
            text = f"{self.number:g}"
        else:
            text = f"label {self.label}" if self.label else f"field {self.place}"
        return text if self.times == 1.0 else f"{text} times {self.times:g}"

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Let pydantic read a Source from a number or a string."""
        return core_schema.no_info_plain_validator_function(cls.parse)


class Scaling(ProfileTable):
    """How the samples of one input become volts, and where the numbers for it come from.

    With `codes_per_division`, `scale` is what the scope says of the volts per division. The formula's
    `origin` is in volts, but in codes where it stands inside the brackets. `fields`: how many numbers the
    preamble must have. Without `x_origin_s` the trigger is in the middle of the record.
    """

    fields: Count | None = None
    formula: Formula = "(raw - reference) * scale + origin"
    scale: Source | None = None
    codes_per_division: Positive | None = None
    reference: Source = Source(number=0.0)
    origin: Source = Source(number=0.0)
    points: Source | None = None
    interval_s: Source | None = None
    rate_hz: Source | None = None
    x_origin_s: Source | None = None
    x_reference: Source = Source(number=0.0)

    @property
    def sources(self) -> tuple[Source, ...]:
        """All that are given."""
        every = (
            self.scale, self.reference, self.origin, self.points, self.interval_s, self.rate_hz,
            self.x_origin_s, self.x_reference,
        )  # fmt: skip
        return tuple(source for source in every if source is not None)


TEN_FIELDS = Scaling(
    fields=10,
    points=Source(place=3),
    interval_s=Source(place=5),
    x_origin_s=Source(place=6),
    x_reference=Source(place=7),
    scale=Source(place=8),
    origin=Source(place=9),
    reference=Source(place=10),
)
"""`format, type, points, count, x increment, x origin, x reference, y increment, y origin, y reference`."""


class OscilloscopeCommands(ProfileTable):
    """The scope's commands. What a scope lacks is left out, but for four that none can do without."""

    reset: PLAIN | None = None
    init: tuple[PLAIN, ...] = ()
    display_on: OUTPUT | None = None
    display_off: OUTPUT | None = None
    coupling_dc: OUTPUT | None = None
    probe: Annotated[Command, Holes(("n", "x"))] | None = None
    scale: Annotated[Command, Holes(("n",), one_of=("v_per_div", "v_range"))]
    offset: Annotated[Command, Holes(("n",), one_of=OFFSETS)] | None = None
    timebase_scale: Annotated[Command, Holes(one_of=("s_per_div", "s_range", "rate_hz"))]
    timebase_position: Annotated[Command, Holes(("s",))] | None = None
    trigger_source: OUTPUT | None = None
    trigger_level: Annotated[Command, Holes(("v",))] | None = None
    trigger_slope: PLAIN | None = None
    trigger_external: PLAIN | None = None
    trigger_external_level: Annotated[Command, Holes(("v",))] | None = None
    trigger_auto: PLAIN | None = None
    trigger_normal: PLAIN | None = None
    trigger_force: PLAIN | None = None
    acquire_type: PLAIN | None = None
    high_resolution: PLAIN | None = None
    average: Annotated[Command, Holes(optional=("averages",))] | None = None
    average_count: Annotated[Command, Holes(("averages",))] | None = None
    acquire_points: Annotated[Command, Holes(("points",))] | None = None
    single: PLAIN
    complete_query: PLAIN | None = None
    stop: PLAIN | None = None
    waveform_source: OUTPUT | None = None
    waveform_format: PLAIN | None = None
    waveform_points: Annotated[Command, Holes(("points",))] | None = None
    window_start: Annotated[Command, Holes(("start",), optional=WINDOW_ENDS)] | None = None
    window_stop: Annotated[Command, Holes(one_of=WINDOW_ENDS)] | None = None
    preamble_query: Annotated[Command, OF_INPUT] | None = None
    data_query: Annotated[Command, Holes(optional=("n", "start", *WINDOW_ENDS))]


class OscilloscopeKeys(ProfileTable):
    """The keys of a scope's profile, besides those that every kind of instrument has.

    `volts_per_division_v` are the settings with a 1x probe, ascending; with another probe all are that many
    times as large, at the probe's tip. `seconds_per_division_s` and `record_lengths` may be empty: then any
    is taken. `block_terminated`: a line feed follows the block. Without `trigger_normal` and `trigger_force`
    a record across a change of state is left to the automatic trigger, whose instant is the instrument's own.
    external_level_v: at the external trigger input. trigger_jitter_s: how far the instant that a record is
    counted from may be from the edge there; None: one sample.
    """

    inputs: Count
    divisions: Count
    time_divisions: Count
    input_impedance_ohm: Positive
    input_capacitance_f: Positive
    volts_per_division_v: Annotated[tuple[Positive, ...], Field(min_length=1)]
    seconds_per_division_s: tuple[Positive, ...] = ()
    record_lengths: tuple[Count, ...] = ()
    record_length_max: Count
    samples: Literal["binary", "text_codes", "text_volts"] = "binary"
    sample_bits: Literal[8, 16] = 8
    sample_signed: bool = False
    byte_order: Literal["big", "little"] | None = None
    code_min: int | None = None
    code_max: int | None = None
    text_in_block: bool = False
    block_prefix: str = ""
    block_terminated: bool = True
    answer_holds: Literal["one_input", "inputs_in_turn", "inputs_interleaved", "a_block_each"] = "one_input"
    points_per_read: Count | None = None
    first_sample: Annotated[int, Field(ge=0, le=1)] = 1
    complete_answer: ExpectedAnswer | None = None
    complete_after_s: Seconds | None = None
    reset_s: Seconds = 3.0
    external_level_v: Annotated[float, Field(allow_inf_nan=False)] = 1.0
    trigger_jitter_s: Seconds | None = None
    scaling: Scaling = TEN_FIELDS
    expects: dict[str, str] = Field(default_factory=dict)
    commands: OscilloscopeCommands

    @field_validator("volts_per_division_v", "seconds_per_division_s", "record_lengths")
    @classmethod
    def _ascend(cls, values: tuple[float, ...]) -> tuple[float, ...]:
        if any(low >= high for low, high in itertools.pairwise(values)):
            raise ValueError("expected numbers that ascend")
        return values

    @field_validator("expects")
    @classmethod
    def _have_sources(cls, values: dict[str, str]) -> dict[str, str]:
        for name in values:
            Source.parse(name)
        return values

    @model_validator(mode="after")
    def _agree(self) -> "OscilloscopeKeys":
        contradictions = [*_of_samples(self), *_of_commands(self)]
        if contradictions:
            raise ValueError("; ".join(contradictions))
        return self

    def prefix_of(self, n: int) -> str:
        """What comes before the samples of input n."""
        return self.block_prefix.replace("{n}", str(n))

    @property
    def codes(self) -> tuple[int, int] | None:
        """The first and the last code of the converter; None if the scope sends volts."""
        if self.samples == "text_volts":
            return None
        low = -(1 << self.sample_bits - 1) if self.sample_signed else 0
        high = low + (1 << self.sample_bits) - 1
        return (
            low if self.code_min is None else self.code_min,
            high if self.code_max is None else self.code_max,
        )

    @property
    def expected(self) -> dict[Source, str]:
        """What the scope must say of its own format, by where it says so."""
        return {Source.parse(name): text for name, text in self.expects.items()}


def _of_samples(keys: OscilloscopeKeys) -> Iterator[str]:
    """What the keys of the samples and their scaling contradict."""
    scaling = keys.scaling
    if keys.samples == "binary" and keys.sample_bits == 16 and keys.byte_order is None:
        yield 'found sample_bits = 16 without byte_order; expected "big" or "little"'
    if keys.samples == "text_codes" and (keys.code_min is None or keys.code_max is None):
        yield 'found samples = "text_codes" without code_min and code_max, the first and the last code'
    if keys.codes is not None and keys.codes[0] >= keys.codes[1]:
        yield f"found code_min {keys.codes[0]} and code_max {keys.codes[1]}; expected a larger code_max"
    if keys.samples != "text_volts" and scaling.scale is None:
        yield "found codes without scaling.scale; expected where the volts of a code come from"
    if (scaling.interval_s is None) is (scaling.rate_hz is None):
        yield "found both or none of scaling.interval_s and scaling.rate_hz; expected one of them"


def _of_commands(keys: OscilloscopeKeys) -> Iterator[str]:
    """What the commands contradict."""
    commands = keys.commands
    if (commands.trigger_normal is None) is not (commands.trigger_force is None):
        yield "found one of commands.trigger_normal and commands.trigger_force; expected both or neither"
    if (
        commands.average is not None
        and commands.average_count is None
        and not commands.average.has("averages")
    ):
        yield "found commands.average without {averages} and without average_count; expected one of them"
    if commands.acquire_type is None and (commands.high_resolution or commands.average):
        yield (
            "found commands.high_resolution or average without acquire_type; expected what ends that mode: "
            "records of a change of state are taken plainly"
        )
    if commands.complete_query is None and keys.complete_after_s is None:
        yield "found neither commands.complete_query nor complete_after_s; expected one of them"
    query = commands.complete_query
    if query is not None and keys.complete_answer is None and query.text.upper() != OPC:
        yield f"found commands.complete_query {query.text!r} without complete_answer, what it then answers"
    asked = (*keys.scaling.sources, *keys.expected)
    if commands.preamble_query is None and any(source.in_preamble for source in asked):
        yield "found a field or a label in scaling or expects, and no commands.preamble_query"
    if keys.points_per_read is not None and keys.scaling.points is None:
        yield "found points_per_read without scaling.points; expected where the record's length comes from"
    if keys.answer_holds == "a_block_each" and keys.samples != "binary":
        yield f'found answer_holds = "a_block_each" with samples = "{keys.samples}"; expected "binary"'
    if "{n}" in keys.block_prefix and keys.answer_holds != "one_input":
        yield f'found {{n}} in block_prefix with answer_holds = "{keys.answer_holds}"; expected "one_input"'
    if keys.points_per_read is not None and keys.answer_holds != "one_input":
        yield f'found points_per_read with answer_holds = "{keys.answer_holds}"; expected "one_input"'
