"""What was tried of a profile, what that proves, and which of its keys nothing has proven."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from drivers.command import Command
from drivers.models.any_instrument import InstrumentProfile
from drivers.models.switchboards import HidProfile
from drivers.transcript import Listener

LINE_KEYS = (
    "terminator", "answer_terminator", "echoes", "answer", "answer_after_questions", "baud_rate", "data_bits",
    "parity", "stop_bits", "flow_control", "dtr", "rts",
)  # fmt: skip
"""Keys without which no answer would be what it should."""
OF_NO_PROOF = {"kind", "description", "timeout_s", "pause_s", "reset_s", "scaling", "commands", "expects"}
FROM_DATA_SHEET = "from the data sheet; nothing here measures it"
NO_CURRENT = "with nothing connected it shows no current, which does not tell its unit"
REASONS: Mapping[str, str] = {
    "amplitude_max_vpp": "levels are kept small",
    "voltage_max_v": "voltages are kept small",
    "current_max_a": "with nothing connected, no current flows",
    "commands.current": "with nothing connected, no current limit acts; try it with a resistor",
    "commands.measure_current": NO_CURRENT,
    "current_digits": NO_CURRENT,
    "current_unit_a": NO_CURRENT,
    "commands.select": "which terminals it selects is not seen",
    "external_level_v": "a run at a bench with sync_connected = true tries it",
    "trigger_jitter_s": FROM_DATA_SHEET,
    "output_impedance_ohm": FROM_DATA_SHEET,
    "output_impedance_tolerance": FROM_DATA_SHEET,
    "input_impedance_ohm": FROM_DATA_SHEET,
    "input_capacitance_f": FROM_DATA_SHEET,
    "seconds_per_division_s": "not each of them was tried",
    "scaling.formula": "which way up a trace is was not seen: a sine looks the same upside down",
    "active_low": "which way a relay moved is not seen: look at the board while it clicks",
    "first_number": "which relay moved is not seen: look at the board while it clicks",
}
"""Why a key is not proven, if it isn't."""
NOT_NEEDED = "not tried: what was done here does not need it"
BY_TONE = "not tried: only with the tone of a generator beside it (--beside) can records be averaged"
BY_SYNC = "not tried: a run at a bench with sync_connected = true tries it"
NOT_SENT: Mapping[str, str] = {
    "commands.silence": "not tried: only an oscilloscope beside it (--beside) shows what it does",
    "commands.measure_current": "not tried: the current is asked for only with commands.measure_voltage",
    "commands.sync_source": BY_SYNC,
    "commands.trigger_external": BY_SYNC,
    "commands.trigger_external_level": BY_SYNC,
    "commands.average": BY_TONE,
    "commands.average_count": BY_TONE,
    "commands.preamble_query": "not tried: no key of scaling or expects is read from the preamble",
}
"""Why a command was not sent, by itself."""


@dataclass(frozen=True, kw_only=True)
class ProfileTrial:
    """One thing that was tried. proves: keys of the profile, such as `commands.frequency`."""

    what: str
    message: str
    proves: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Unproven:
    """A key of the profile that nothing has proven, and why."""

    key: str
    reason: str


class SentLines:
    """A `Listener` that keeps each line that was sent to one instrument. then: is told every message too."""

    def __init__(self, instrument: str, then: Listener | None) -> None:
        self._instrument, self._then = instrument, then
        self._lines: set[str] = set()

    def message(self, instrument: str, direction: str, data: bytes, duration_s: float) -> None:
        """Keep what went out."""
        if direction == "out" and instrument == self._instrument:
            self._lines.add(data.decode("latin-1").strip("\r\n"))
        if self._then:
            self._then.message(instrument, direction, data, duration_s)

    def block(self, instrument: str, data: bytearray, duration_s: float) -> None:
        """Pass it on."""
        if self._then:
            self._then.block(instrument, data, duration_s)

    def event(self, instrument: str, what: str) -> None:
        """Pass it on."""
        if self._then:
            self._then.event(instrument, what)

    def has(self, command: Command) -> bool:
        """Whether a command was sent, with whatever numbers."""
        return any(command.written_as(line) for line in self._lines)


def written_keys(profile: InstrumentProfile) -> Iterator[str]:
    """Every key that the profile's file has, those of its tables as `commands.frequency`."""
    for name in sorted(profile.model_fields_set, key=list(type(profile).model_fields).index):
        table = getattr(profile, name)
        if isinstance(table, BaseModel):
            for key in sorted(table.model_fields_set, key=list(type(table).model_fields).index):
                yield f"{name}.{key}"
        elif name not in OF_NO_PROOF and table not in (0, ""):  # as identity_fields and error_query may be
            yield name


def unproven(
    profile: InstrumentProfile,
    trials: Iterable[ProfileTrial],
    *,
    sent: SentLines,
    understood: bool,
    whole: bool,
) -> tuple[Unproven, ...]:
    """The keys that no trial has proven.

    sent: the lines that the instrument got. understood: whether it says which it does not know. whole:
    whether nothing failed, so that all was tried.
    """
    proven = {key for trial in trials for key in trial.proves}
    if understood:
        of_sent = "the instrument understood it; what it did was not seen"
    else:
        of_sent = "it was sent; nothing shows that the instrument understood it"
    result = []
    for key in written_keys(profile):
        if key in proven:
            continue
        commands = _commands(profile, key)
        if commands and not all(map(sent.has, commands)):
            reason = NOT_SENT.get(key, NOT_NEEDED) if whole else "not tried: the check ended before it"
        else:
            reason = REASONS.get(key, of_sent if commands else "taken from the file as it is")
        result.append(Unproven(key=key, reason=reason))
    return tuple(result)


def _commands(profile: InstrumentProfile, key: str) -> tuple[Command, ...]:
    """The commands that a key holds; none if it is no command that is sent as a line."""
    table, _, name = key.rpartition(".")
    if table != "commands" or isinstance(profile, HidProfile):  # whose reports no listener hears
        return ()
    value: Any = getattr(getattr(profile, table), name)
    return value if isinstance(value, tuple) else (value,)


def line_keys(profile: InstrumentProfile) -> tuple[str, ...]:
    """The keys that an answer proves that reads as it should."""
    return tuple(key for key in LINE_KEYS if key in profile.model_fields_set)
