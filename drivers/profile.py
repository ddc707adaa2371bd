"""Instrument profiles: which command does what on one kind of instrument, and what its limits are.

A profile is a TOML file of numbers and command templates, such as `SOURce{n}:FREQuency {hz}`; nothing in it
is evaluated, and only checked numbers reach an instrument, never text. A user's own,
`NAME.toml` beside the bench file or else in the user's configuration folder, comes before a shipped one of
the same name. Every mistake in one is reported with its line and what was expected. Keys carry their units
(`_v _vpp _hz _s _ohm _f`).
"""

import difflib
import itertools
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, get_args

from platformdirs import user_config_path
from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler, ValidationError, field_validator
from pydantic_core import CoreSchema, core_schema

from drivers.session import ERROR_QUERY
from harness.errors import JobError, Mistake
from harness.toml_files.located import Key, UnreadableError, read_located, refusal, unseen
from harness.toml_files.messages import expected

HOLE = re.compile(r"\{([^{}]*)\}")
ONE_LINE = re.compile(r"[ -~]+")
Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
Count = Annotated[int, Field(ge=1)]


@dataclass(frozen=True)
class Command:
    """The text of one command, with holes for numbers by name."""

    text: str

    def __call__(self, **values: int | float | Sequence[int]) -> str:
        """Fill every hole. Raises ValueError for a number that is not finite."""
        return HOLE.sub(lambda hole: _written(values[hole[1]]), self.text)


def _written(value: int | float | Sequence[int]) -> str:
    if isinstance(value, int):
        return str(int(value))
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"{value} cannot be sent to an instrument")
        # Twelve digits: a coherent tone of 20 kHz is right to 20 nHz.
        return f"{value:.12G}"
    return ",".join(str(int(item)) for item in value)


@dataclass(frozen=True)
class Holes:
    """What a command's template must hold: all of `needed`, and exactly one of `one_of` if there are any."""

    needed: tuple[str, ...] = ()
    one_of: tuple[str, ...] = ()

    def parse(self, text: object) -> Command:
        """Check a template. Raises ValueError with what was found and what was expected."""
        if isinstance(text, Command):
            return text
        if not isinstance(text, str) or not ONE_LINE.fullmatch(text):
            raise ValueError(f"expected a command as one line of plain text, found {text!r}")
        result = HOLE.findall(text)
        others = [name for name in result if name not in self.needed]
        if "{" in HOLE.sub("", text) or "}" in HOLE.sub("", text):
            raise ValueError(f"expected {self._wanted()}, found braces that don't pair in {text!r}")
        if any(name not in result for name in self.needed) or len(others) != bool(self.one_of):
            raise ValueError(f"expected {self._wanted()}, found {text!r}")
        if any(name not in self.one_of for name in others):
            raise ValueError(f"expected {self._wanted()}, found {text!r}")
        return Command(text)

    def _wanted(self) -> str:
        wanted = ", ".join(f"{{{name}}}" for name in self.needed)
        choice = " or ".join(f"{{{name}}}" for name in self.one_of)
        return f"a command with {' and '.join(part for part in (wanted, choice) if part) or 'no braces'}"

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Let pydantic read a Command from a string."""
        return core_schema.no_info_plain_validator_function(self.parse)


PLAIN = Annotated[Command, Holes()]
OUTPUT = Annotated[Command, Holes(("n",))]
CHANNELS = Annotated[Command, Holes(("channels",))]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)


class _Profile(_Table):
    role: ClassVar[str]
    description: str = ""
    error_query: str = ERROR_QUERY
    baud_rate: Count = 9600


class GeneratorCommands(_Table):
    """A query may be left out; with it, the setting is read back and compared."""

    function_sine: OUTPUT
    frequency: Annotated[Command, Holes(("n", "hz"))]
    amplitude: Annotated[Command, Holes(("n",), one_of=("vpp", "vrms", "vpk"))]
    offset: Annotated[Command, Holes(("n", "v"))]
    phase: Annotated[Command, Holes(("n", "deg"))]
    load_open: OUTPUT
    output_on: OUTPUT
    output_off: OUTPUT
    output_query: OUTPUT
    frequency_query: OUTPUT | None = None
    amplitude_query: OUTPUT | None = None


class GeneratorProfile(_Profile):
    """A generator; amplitudes are open circuit, peak to peak, whatever the amplitude command's own unit."""

    role: ClassVar[str] = "generator"
    kind: Literal["generator"]
    outputs: Count
    output_impedance_ohm: Positive
    output_impedance_tolerance: Annotated[float, Field(ge=0.0, lt=1.0)] = 0.01
    amplitude_min_vpp: Positive
    amplitude_max_vpp: Positive
    frequency_min_hz: Positive
    frequency_max_hz: Positive
    independent_frequencies: bool
    commands: GeneratorCommands


class SupplyCommands(_Table):
    """The supply's commands; `select`, which may be left out, is sent before the others."""

    select: OUTPUT | None = None
    voltage: Annotated[Command, Holes(("v",))]
    current: Annotated[Command, Holes(("a",))]
    output_on: PLAIN
    output_off: PLAIN
    measure_voltage: PLAIN
    measure_current: PLAIN
    output_query: PLAIN | None = None


class SupplyProfile(_Profile):
    """A DC supply. Off is proven by its voltage falling below `off_below_v` within `off_within_s`."""

    role: ClassVar[str] = "supply"
    kind: Literal["supply"]
    voltage_max_v: Positive
    current_max_a: Positive
    off_below_v: Positive
    off_within_s: Positive
    commands: SupplyCommands


class OscilloscopeCommands(_Table):
    """The scope's commands."""

    display_on: OUTPUT
    display_off: OUTPUT
    coupling_dc: OUTPUT
    probe: Annotated[Command, Holes(("n", "x"))]
    scale: Annotated[Command, Holes(("n", "v_per_div"))]
    offset: Annotated[Command, Holes(("n", "v"))]
    timebase_scale: Annotated[Command, Holes(("s_per_div",))]
    timebase_position: Annotated[Command, Holes(("s",))]
    trigger_source: OUTPUT
    trigger_level: Annotated[Command, Holes(("v",))]
    trigger_slope: PLAIN
    trigger_auto: PLAIN
    trigger_normal: PLAIN | None = None
    trigger_force: PLAIN | None = None
    acquire_type: PLAIN
    acquire_points: Annotated[Command, Holes(("points",))]
    single: PLAIN
    complete_query: PLAIN
    stop: PLAIN
    waveform_source: OUTPUT
    waveform_format: PLAIN
    waveform_points: Annotated[Command, Holes(("points",))]
    preamble_query: PLAIN
    data_query: PLAIN


class OscilloscopeProfile(_Profile):
    """A scope that sends unsigned bytes in a definite-length block, scaled by a ten-field preamble.

    `volts_per_division_v` are the settings with a 1x probe, ascending; with another probe all are that many
    times as large, at the probe's tip. `seconds_per_division_s` and `record_lengths` may be empty: then any
    is taken. `origin_in_counts`: volts are (raw - y_origin - y_reference) * y_increment.
    `block_terminated`: a line feed follows the block. Without `trigger_normal` and `trigger_force` a record
    across a change of state is left to the automatic trigger, whose instant is the instrument's own.
    """

    role: ClassVar[str] = "oscilloscope"
    kind: Literal["oscilloscope"]
    inputs: Count
    divisions: Count
    time_divisions: Count
    input_impedance_ohm: Positive
    input_capacitance_f: Positive
    volts_per_division_v: Annotated[tuple[Positive, ...], Field(min_length=1)]
    seconds_per_division_s: tuple[Positive, ...] = ()
    record_lengths: tuple[Count, ...] = ()
    record_length_max: Count
    origin_in_counts: bool = False
    block_terminated: bool = True
    commands: OscilloscopeCommands

    @field_validator("volts_per_division_v", "seconds_per_division_s", "record_lengths")
    @classmethod
    def _ascend(cls, values: tuple[float, ...]) -> tuple[float, ...]:
        if any(low >= high for low, high in itertools.pairwise(values)):
            raise ValueError("expected numbers that ascend")
        return values


class _SwitchboardProfile(_Profile):
    role: ClassVar[str] = "switchboard"


class RouteCommands(_Table):
    """ROUTe commands with channel lists."""

    close: CHANNELS
    open: CHANNELS
    open_all: PLAIN
    close_query: CHANNELS


class RouteProfile(_SwitchboardProfile):
    """A SCPI switch."""

    kind: Literal["route-switchboard"]
    channels: Count
    commands: RouteCommands


class TextCommands(_Table):
    """One line a command; `n` is the channel."""

    close: OUTPUT
    open: OUTPUT
    open_all: PLAIN
    state_query: PLAIN | None = None


class TextProfile(_SwitchboardProfile):
    """A board that takes a line of text per command, answers `answer`, and tells its state in hexadecimal.

    The state's lowest bit is channel 1.
    """

    kind: Literal["text-switchboard"]
    channels: Count
    answer: str
    commands: TextCommands


class FrameProfile(_SwitchboardProfile):
    """A board of four-byte frames: start, channel, state, low byte of their sum. It answers nothing."""

    kind: Literal["frame-switchboard"]
    start: Annotated[int, Field(ge=0, le=255)]
    energised: Annotated[int, Field(ge=0, le=255)]
    released: Annotated[int, Field(ge=0, le=255)]
    channels: Annotated[int, Field(ge=1, le=255)]


class ModbusProfile(_SwitchboardProfile):
    """A board of Modbus coils; over TCP, too, the frames are RTU frames, as device servers pass them."""

    kind: Literal["modbus-switchboard"]
    channels: Count
    device: Annotated[int, Field(ge=1, le=247)]
    first_coil: Annotated[int, Field(ge=0)]


class GpioProfile(_SwitchboardProfile):
    """Lines of a GPIO chip: `lines` are their offsets, for channels 1, 2, ..."""

    kind: Literal["gpio-switchboard"]
    lines: Annotated[tuple[Annotated[int, Field(ge=0)], ...], Field(min_length=1)]
    active_low: bool = False

    @property
    def channels(self) -> int:
        """As many channels as lines."""
        return len(self.lines)


SwitchboardProfile = RouteProfile | TextProfile | FrameProfile | ModbusProfile | GpioProfile
Profile = GeneratorProfile | SupplyProfile | OscilloscopeProfile | SwitchboardProfile
KINDS: dict[str, type[Profile]] = {
    get_args(model.model_fields["kind"].annotation)[0]: model for model in get_args(Profile)
}


NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]*")
LARGEST_BYTES = 50_000


def shipped_profiles() -> tuple[str, ...]:
    """Names of the profiles that come with the program."""
    folder = resources.files("drivers") / "profiles"
    return tuple(
        sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml"))
    )


def own_profiles() -> Path:
    """The folder of a user's own profiles, for every bench of this user; it need not be there."""
    return user_config_path("switchwalk", appauthor=False) / "profiles"


def own_profile(name: str, folder: Path) -> Path | None:
    """A person's own profile of that name: beside the bench file first, then in their folder; else None."""
    paths = (folder / f"{name}.toml", own_profiles() / f"{name}.toml")
    return next((path for path in paths if path.is_file()), None)


def load_profile(name: str, *, role: str, folder: Path) -> Profile:
    """Read a profile: `NAME.toml` in the folder of the bench file first, then the user's own, then a shipped.

    `role` is generator, oscilloscope, supply or switchboard. Raises JobError.
    """
    if not NAME.fullmatch(name):
        raise _job_error("bench.toml", f"{role}.profile", f"expected a plain name, found {name!r}")
    own = own_profile(name, folder)
    if own is not None:
        file, text = str(own), _read(own)
    elif name in shipped_profiles():
        file = f"{name}.toml (shipped)"
        text = (resources.files("drivers") / "profiles" / f"{name}.toml").read_text(encoding="utf-8")
    else:
        raise _job_error("bench.toml", f"{role}.profile", _unknown(name, folder))
    profile = parse_profile(text, file)
    if profile.role != role:
        raise _job_error(file, "kind", f"a profile for the {profile.role} cannot be the {role}'s")
    return profile


def _read(path: Path) -> str:
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise _job_error(str(path), "", "larger than 50 kB; expected a profile written by hand")
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise _job_error(str(path), "", f"cannot be read: {error.strerror or error}") from None
    except UnicodeDecodeError:
        message = "a byte that is not UTF-8; expected the file saved as UTF-8"
        raise _job_error(str(path), "", message) from None


def _unknown(name: str, folder: Path) -> str:
    known = shipped_profiles()
    near = difflib.get_close_matches(name, known, n=2, cutoff=0.4)
    hint = f"did you mean {' or '.join(near)}?" if near else f"shipped are {', '.join(known)}"
    return (
        f"no profile {name!r}, neither as {folder / (name + '.toml')}, nor in {own_profiles()}, nor shipped; "
        f"{hint}"
    )


def parse_profile(text: str, file: str) -> Profile:
    """Read a profile's text; `file` is for messages. Raises JobError with every mistake found."""
    try:
        located = read_located(text)
    except UnreadableError as error:
        raise JobError([Mistake(file=file, line=error.line, key="", message=str(error))]) from None

    def mistake(key: Key, message: str) -> Mistake:
        return Mistake(file=file, line=located.line(key), key=".".join(map(str, key)), message=message)

    for key, character in unseen(located.values):
        raise JobError([mistake(key, refusal(character))])
    kind = located.values.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        near = difflib.get_close_matches(str(kind), KINDS, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise JobError([mistake(("kind",), f"expected one of {', '.join(KINDS)}, found {kind!r}{hint}")])
    try:
        return KINDS[kind].model_validate(located.values)
    except ValidationError as error:
        raise JobError(
            [mistake(item["loc"], _message(item, KINDS[kind])) for item in error.errors()]
        ) from None


def _message(item: Any, model: type[Profile]) -> str:
    """What was found and expected; a check of our own says so itself, or says only what is wrong."""
    value, kind = item["input"], item["type"]
    if kind == "extra_forbidden":
        *tables, name = map(str, item["loc"])
        near = difflib.get_close_matches(name, _keys(model, tables), n=1)
        return "unknown key" + (f"; did you mean {near[0]!r}?" if near else "")
    if kind == "missing":
        return "is missing"
    if kind == "literal_error":
        return f"found {value!r}; expected {item['ctx']['expected']}"
    if kind != "value_error":
        return f"found {value!r}; expected {expected(kind, item.get('ctx', {}))}"
    message = str(item["ctx"]["error"])
    return message if "found" in message else f"{message[:1].lower()}{message[1:]}, found {value!r}"


def _keys(model: Any, tables: list[str]) -> tuple[str, ...]:
    for table in tables:
        model = model.model_fields[table].annotation
    return tuple(model.model_fields)


def _job_error(file: str, key: str, message: str) -> JobError:
    return JobError([Mistake(file=file, line=None, key=key, message=message)])
