"""Profiles of switchboards, a class for each kind."""

import re
from typing import Annotated, ClassVar, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from drivers.command import CHANNELS, OUTPUT, PLAIN, Byte, Command, Count, Holes, ProfileTable
from drivers.models.any_instrument import InstrumentProfile
from harness.bench_file import Terminator

Register = Annotated[int, Field(ge=0, le=0xFFFF)]


class BoardProfile(InstrumentProfile):
    """Any switchboard. first_number, of those that have it: what the board calls its first channel."""

    role: ClassVar[str] = "switchboard"


class RouteCommands(ProfileTable):
    """ROUTe commands with channel lists."""

    close: CHANNELS
    open: CHANNELS
    open_all: PLAIN
    close_query: CHANNELS


class RouteProfile(BoardProfile):
    """A SCPI switch."""

    kind: Literal["route-switchboard"]
    channels: Count
    first_number: Register = 1
    commands: RouteCommands


class TextCommands(ProfileTable):
    """One line a command; `n` is the channel, `mask` the channels that are to be closed.

    Channels are switched one by one by `close` and `open`, or all at once by `set_all`.
    """

    close: OUTPUT | None = None
    open: OUTPUT | None = None
    open_all: PLAIN | None = None
    set_all: Annotated[Command, Holes(("mask",))] | None = None
    state_query: PLAIN | None = None


State = Literal["hexadecimal", "decimal", "binary", "list"]


class TextProfile(BoardProfile):
    """A board that takes a line of text per command.

    state: how it tells its channels: a number whose lowest bit is the first channel, or 0 and 1 for one
    channel after the other. active_low: a 1, there and in `set_all`, is a released relay.
    """

    kind: Literal["text-switchboard"]
    terminator: Terminator = "CR LF"
    channels: Count
    first_number: Register = 1
    active_low: bool = False
    state: State = "hexadecimal"
    commands: TextCommands

    @model_validator(mode="after")
    def _can_switch(self) -> Self:
        commands = self.commands
        if commands.set_all is None and (commands.close is None or commands.open is None):
            raise ValueError("expected the commands close and open, or set_all")
        if commands.set_all is not None:
            commands.set_all(mask=(1 << self.channels) - 1)
        return self


class FrameProfile(BoardProfile):
    """A board of four-byte frames: start, channel, state, low byte of their sum.

    echoes: it answers each frame with the same one.
    """

    kind: Literal["frame-switchboard"]
    start: Byte
    energised: Byte
    released: Byte
    channels: Annotated[int, Field(ge=1, le=255)]
    first_number: Byte = 1

    @model_validator(mode="after")
    def _numbers_are_bytes(self) -> Self:
        if self.first_number + self.channels > 256:
            last = self.first_number + self.channels - 1
            raise ValueError(f"expected channels with numbers up to 255, found {last} for the last")
        return self


COIL_FUNCTIONS, REGISTER_FUNCTIONS = (5, 15), (6, 16)


class ModbusProfile(BoardProfile):
    """A board of Modbus coils, or of holding registers; exactly one of `first_coil` and `first_register`.

    framing: of the frames; over TCP, RTU frames are what device servers pass on, TCP frames the standard's.
    write_functions: those that the board knows; None: all there are. energised, released: what is written
    into a register; energised_reads, released_reads: what is read from it then, None: the same.
    relays_per_register: above 1, each is a bit, the lowest the first. active_low: a
    coil or a bit that is 1 is a released relay. reads_back: whether functions 1 or 3
    tell the state.
    """

    kind: Literal["modbus-switchboard"]
    channels: Count
    framing: Literal["RTU", "TCP"] = "RTU"
    device: Annotated[int, Field(ge=0, le=255)]
    first_coil: Register | None = None
    first_register: Register | None = None
    write_functions: Annotated[tuple[Literal[5, 15, 6, 16], ...], Field(min_length=1)] | None = None
    energised: Register = 1
    released: Register = 0
    energised_reads: Register | None = None
    released_reads: Register | None = None
    relays_per_register: Annotated[int, Field(ge=1, le=16)] = 1
    active_low: bool = False
    reads_back: bool = True

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if (self.first_coil is None) == (self.first_register is None):
            raise ValueError("expected either first_coil or first_register")
        known = COIL_FUNCTIONS if self.first_coil is not None else REGISTER_FUNCTIONS
        if not set(self.functions) <= set(known):
            what = "coils" if self.first_coil is not None else "registers"
            raise ValueError(f"write_functions: expected some of {known[0]} and {known[1]} for {what}")
        if self.echoes:
            raise ValueError("echoes: expected an adapter whose own echo is switched off")
        if self.active_low and self.first_register is not None and self.relays_per_register == 1:
            raise ValueError("active_low: expected energised and released, the values of a relay's register")
        if self.energised == self.released or self.reads[True] == self.reads[False]:
            raise ValueError("expected different values for energised and released")
        return self

    @property
    def functions(self) -> tuple[int, ...]:
        """The functions that write."""
        if self.write_functions is not None:
            return self.write_functions
        return COIL_FUNCTIONS if self.first_coil is not None else REGISTER_FUNCTIONS

    @property
    def reads(self) -> dict[bool, int]:
        """What a register reads with its relay energised (True) and released."""
        return {
            True: self.energised if self.energised_reads is None else self.energised_reads,
            False: self.released if self.released_reads is None else self.released_reads,
        }


class GpioProfile(BoardProfile):
    """Lines of a GPIO chip: `lines` are their offsets, for channels 1, 2, ..."""

    kind: Literal["gpio-switchboard"]
    lines: Annotated[tuple[Annotated[int, Field(ge=0)], ...], Field(min_length=1)]
    active_low: bool = False

    @property
    def channels(self) -> int:
        """As many channels as lines."""
        return len(self.lines)


Pin = Annotated[int, Field(ge=0, le=7)]


class FtdiProfile(BoardProfile):
    """Pins of a USB chip in bit-bang mode: `pins` are their numbers, for channels 1, 2, ..."""

    kind: Literal["ftdi-switchboard"]
    pins: Annotated[tuple[Pin, ...], Field(min_length=1)]
    active_low: bool = False

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        if len(set(self.pins)) != len(self.pins):
            raise ValueError("pins: expected every pin once")
        return self

    @property
    def channels(self) -> int:
        """As many channels as pins."""
        return len(self.pins)


def _report(value: str, *holes: str) -> str:
    words = value.split()
    wanted = re.compile("[0-9A-Fa-f]{2}|" + "|".join(re.escape(hole) for hole in holes))
    if not words or not all(map(wanted.fullmatch, words)) or any(words.count(hole) != 1 for hole in holes):
        hole = f" with {holes[0]} among them" if holes else ""
        raise ValueError(f"expected bytes such as FF 01 in hexadecimal{hole}, found {value!r}")
    return value


def _of_relay(value: str) -> str:
    return _report(value, "{n}")


def _of_all(value: str) -> str:
    return _report(value, "{mask}")


class HidCommands(ProfileTable):
    """Reports as their bytes in hexadecimal; `{n}` is the relay's number, `{mask}` a bit for each relay.

    A mask has as many bytes as the relays need, the lowest first.
    """

    close: Annotated[str, AfterValidator(_of_relay)] | None = None
    open: Annotated[str, AfterValidator(_of_relay)] | None = None
    open_all: Annotated[str, AfterValidator(_report)] | None = None
    set_all: Annotated[str, AfterValidator(_of_all)] | None = None


class HidProfile(BoardProfile):
    """A board on USB that is a human interface device, and takes reports of fixed length.

    report: by which kind it is written. report_length: bytes behind the report's id. state_byte: where a
    feature report has the relays' bits, 0 is the first byte behind the id; None: it can't be read back.
    active_low: a bit that is 1, there and in `{mask}`, is a released relay.
    """

    kind: Literal["hid-switchboard"]
    channels: Annotated[int, Field(ge=1, le=64)]
    first_number: Byte = 1
    report: Literal["feature", "output"] = "feature"
    report_id: Byte = 0
    report_length: Annotated[int, Field(ge=1, le=64)] = 8
    state_report_id: Byte = 0
    state_byte: Annotated[int, Field(ge=0, le=63)] | None = None
    active_low: bool = False
    commands: HidCommands

    @property
    def mask_bytes(self) -> int:
        """How many bytes a bit for each relay takes."""
        return -(-self.channels // 8)

    @model_validator(mode="after")
    def _can_switch(self) -> Self:
        commands = self.commands
        if commands.set_all is None and (commands.close is None or commands.open is None):
            raise ValueError("expected the commands close and open, or set_all")
        if self.first_number + self.channels > 256:
            raise ValueError(
                f"expected channels with numbers up to 255, found {self.channels} from {self.first_number}"
            )
        for name, text in commands:
            length = len(self.filled(text or "", n=1, mask=0))
            if length > self.report_length:
                raise ValueError(
                    f"commands.{name}: found {length} bytes; report_length is {self.report_length}"
                )
        if self.state_byte is not None and self.state_byte + self.mask_bytes > self.report_length:
            raise ValueError(f"state_byte: found {self.state_byte}; report_length is {self.report_length}")
        return self

    def filled(self, text: str, *, n: int = 0, mask: int = 0) -> bytes:
        """The bytes of a report."""
        masked = mask.to_bytes(self.mask_bytes, "little")
        parts = {"{n}": bytes([n]), "{mask}": masked}
        return b"".join(parts[word] if word in parts else bytes.fromhex(word) for word in text.split())


SwitchboardProfile = (
    RouteProfile | TextProfile | FrameProfile | ModbusProfile | GpioProfile | FtdiProfile | HidProfile
)
