"""What can go wrong with an instrument, on request: its troubles, and when each comes.

Some are on the wire and show in an answer. The others are inside the instrument: its answers are as ever, and
only what it does is wrong.
"""

import re
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from harness.errors import UsageError

Instrument = Literal["generator", "oscilloscope", "supply", "switchboard"]
INSTRUMENTS: tuple[Instrument, ...] = ("generator", "oscilloscope", "supply", "switchboard")

LATE_MAX_MS = 600_000
Range = tuple[int, int]
MILLISECONDS: Range = (0, LATE_MAX_MS)
INPUTS: Range = (1, 4)
OUTPUTS: Range = (1, 2)
CHANNELS: Range = (1, 512)
PERCENT: Range = (-99, 999)
MILLIONTHS: Range = (-100_000, 100_000)
ERRORS: Range = (-999_999_999, 999_999_999)

ON_THE_WIRE: Mapping[str, Range | None] = MappingProxyType(
    {
        "late": MILLISECONDS,
        "half": MILLISECONDS,
        "mute": None,
        "drop": None,
        "garble": None,
        "short": None,
        "error": ERRORS,
        "refuse": None,
        "rubbish": None,
    }
)
"""Troubles that any instrument can have, and the range of their number."""

INSIDE: Mapping[tuple[Instrument, str], Range | None] = MappingProxyType(
    {
        ("oscilloscope", "dead"): INPUTS,
        ("oscilloscope", "inverted"): INPUTS,
        ("oscilloscope", "faint"): INPUTS,
        ("oscilloscope", "stale"): None,
        ("oscilloscope", "turned"): None,
        ("generator", "weak"): None,
        ("generator", "silent"): OUTPUTS,
        ("generator", "detuned"): None,
        ("generator", "apart"): MILLIONTHS,
        ("generator", "turned"): None,
        ("supply", "off"): None,
        ("supply", "trips"): None,
        ("supply", "frozen"): None,
        ("supply", "misreads"): PERCENT,
        ("supply", "turned"): None,
        ("switchboard", "slow"): MILLISECONDS,
        ("switchboard", "misses"): None,
        ("switchboard", "open"): CHANNELS,
        ("switchboard", "closed"): CHANNELS,
    }
)
"""Troubles of an instrument that answers as ever, and the range of their number."""

UNITS: Mapping[Range | None, str] = MappingProxyType(
    {
        MILLISECONDS: "MS",
        INPUTS: "INPUT",
        OUTPUTS: "OUTPUT",
        CHANNELS: "CHANNEL",
        PERCENT: "PERCENT",
        MILLIONTHS: "PPM",
        ERRORS: "NUMBER",
        None: "",
    }
)
MAY_LACK_NUMBER = ("half",)


def _grammar() -> str:
    wire = (f"{kind} {UNITS[numbers]}".rstrip() for kind, numbers in ON_THE_WIRE.items())
    inside = (f"{who} {kind} {UNITS[numbers]}".rstrip() for (who, kind), numbers in INSIDE.items())
    return (
        f"INSTRUMENT {' | '.join(wire).replace('half MS', 'half [MS]')}, or {' | '.join(inside)}, "
        "then perhaps 'after N' answers, then perhaps 'always'; INSTRUMENT is one of "
        + ", ".join(INSTRUMENTS)
    )


GRAMMAR = _grammar()
_TROUBLE = re.compile(
    r"(?P<who>[a-z]+)\s+(?P<kind>[a-z]+)(?:\s+(?P<value>-?\d{1,9})(?:\s*(?:ms|%))?)?"
    r"(?:\s+after\s+(?P<after>\d{1,9}))?(?P<always>\s+always)?"
)


@dataclass(frozen=True, kw_only=True)
class Trouble:
    """One trouble: its kind, a number where it has one, and how many answers pass before it.

    late: the answer comes `value` ms later. half: half of it, the rest after `value` ms or never. mute: no
    answer. drop: the connection is closed instead. garble: an answer is damaged (a block in its header).
    short: a block has fewer bytes than it announces. error: `value` is pushed into the error queue, at once
    or after the answers. refuse: connections are closed and refused. rubbish: text that means nothing.

    The others are `INSIDE`: the answer is whole, and from then on input `value` shows nothing (dead), the
    opposite (inverted) or 3 dB less (faint); the next record is the one before (stale); both outputs give
    3 dB less (weak), output `value` nothing (silent), both a frequency 1 % too high (detuned), or the first
    `value` millionths more and the second as many less (apart); the relay output is off (off), or goes off
    whenever it is switched on (trips); the meter repeats what it showed (frozen) or shows `value` % too much
    current (misreads); the next change of channels acts `value` ms late (slow) or not before the change after
    it (misses); channel `value` stays open or closed. Knobs at the
    front panel are turned once (turned), and stay so until a command sets them: on the scope couplings, probe
    factors, positions, trigger and averaging; on the generator load and offset; on the supply the other
    output is selected.
    """

    who: Instrument
    kind: str
    value: int | None = None
    after: int = 0
    always: bool = False

    @property
    def is_inside(self) -> bool:
        """Whether the instrument's answers say nothing of it."""
        return (self.who, self.kind) in INSIDE


def parse_trouble(text: str) -> Trouble:
    """Read a trouble such as `oscilloscope late 800 ms after 20`. Raises UsageError."""
    result = _TROUBLE.fullmatch(" ".join(text.lower().split()))
    who = next((name for name in INSTRUMENTS if result and name == result["who"]), None)
    if result is None or who is None:
        raise UsageError(f"no such trouble: {text!r}; expected {GRAMMAR}")
    kind = result["kind"]
    if kind not in ON_THE_WIRE and (who, kind) not in INSIDE:
        of = [other for other, name in INSIDE if name == kind]
        if of:
            raise UsageError(f"trouble {text!r}: {kind} is a trouble of the {of[0]}; {GRAMMAR}")
        raise UsageError(f"no such trouble: {text!r}; expected {GRAMMAR}")
    numbers = ON_THE_WIRE[kind] if kind in ON_THE_WIRE else INSIDE[who, kind]
    value = None if result["value"] is None else int(result["value"])
    if (value is None and numbers is not None and kind not in MAY_LACK_NUMBER) or (
        value is not None and numbers is None
    ):
        raise UsageError(f"trouble {text!r}: {kind} takes {'a' if value is None else 'no'} number; {GRAMMAR}")
    if value is not None and numbers is not None and not numbers[0] <= value <= numbers[1]:
        raise UsageError(
            f"trouble {text!r}: {value} is outside {numbers[0]} to {numbers[1]}, expected as {UNITS[numbers]}"
        )
    return Trouble(
        who=who, kind=kind, value=value, after=int(result["after"] or 0), always=result["always"] is not None
    )


class Agenda:
    """The troubles of one instrument that are still to come. Safe to use from several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._pending: list[tuple[int, Trouble]] = []  # (answers still to pass, trouble)

    def add(self, trouble: Trouble) -> None:
        """Let a trouble come."""
        with self._lock:
            self._pending.append((trouble.after, trouble))

    def clear(self) -> None:
        """Drop every trouble."""
        with self._lock:
            self._pending.clear()

    def next(self) -> Trouble | None:
        """Count one answer, and return the trouble that it meets, if any."""
        with self._lock:
            met = next((trouble for count, trouble in self._pending if count == 0), None)
            self._pending = [
                (max(count - 1, 0), trouble)
                for count, trouble in self._pending
                if trouble is not met or trouble.always
            ]
            return met
