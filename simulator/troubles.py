"""What can go wrong between an instrument and its computer, on request."""

import re
import threading
from dataclasses import dataclass
from typing import Literal

from harness.errors import UsageError

Instrument = Literal["generator", "oscilloscope", "supply", "switchboard"]
INSTRUMENTS: tuple[Instrument, ...] = ("generator", "oscilloscope", "supply", "switchboard")
Kind = Literal["late", "half", "mute", "drop", "garble", "short", "error", "refuse", "rubbish"]

GRAMMAR = (
    "INSTRUMENT late MS | half [MS] | mute | drop | garble | short | error NUMBER | refuse | rubbish, "
    "then perhaps 'after N' answers, then perhaps 'always'; INSTRUMENT is one of " + ", ".join(INSTRUMENTS)
)
NEEDS_VALUE, MAY_HAVE_VALUE = ("late", "error"), ("late", "error", "half")
LATE_MAX_MS = 600_000
_TROUBLE = re.compile(
    r"(?P<who>[a-z]+)\s+(?P<kind>[a-z]+)(?:\s+(?P<value>-?\d{1,9})(?:\s*ms)?)?"
    r"(?:\s+after\s+(?P<after>\d{1,9}))?(?P<always>\s+always)?"
)


@dataclass(frozen=True, kw_only=True)
class Trouble:
    """One trouble: its kind, a number where it has one, and how many answers pass before it.

    late: the answer comes `value` ms later. half: half of it, the rest after `value` ms or never. mute: no
    answer. drop: the connection is closed instead. garble: an answer is damaged (a block in its header).
    short: a block has fewer bytes than it announces. error: `value` is pushed into the error queue, at once
    or after the answers. refuse: connections are closed and refused. rubbish: text that means nothing.
    """

    who: Instrument
    kind: Kind
    value: int | None = None
    after: int = 0
    always: bool = False


def parse_trouble(text: str) -> Trouble:
    """Read a trouble such as `oscilloscope late 800 ms after 20`. Raises UsageError."""
    found = _TROUBLE.fullmatch(" ".join(text.lower().split()))
    who = next((name for name in INSTRUMENTS if found and name == found["who"]), None)
    kinds: tuple[Kind, ...] = Kind.__args__  # type: ignore[attr-defined]
    kind = next((name for name in kinds if found and name == found["kind"]), None)
    if found is None or who is None or kind is None:
        raise UsageError(f"no such trouble: {text!r}; expected {GRAMMAR}")
    value = None if found["value"] is None else int(found["value"])
    if (value is None and kind in NEEDS_VALUE) or (value is not None and kind not in MAY_HAVE_VALUE):
        raise UsageError(f"trouble {text!r}: {kind} takes {'a' if value is None else 'no'} number; {GRAMMAR}")
    if kind != "error" and value is not None and not 0 <= value <= LATE_MAX_MS:
        raise UsageError(f"trouble {text!r}: {value} ms is outside 0 to {LATE_MAX_MS}")
    return Trouble(
        who=who, kind=kind, value=value, after=int(found["after"] or 0), always=found["always"] is not None
    )


class Agenda:
    """The troubles that one instrument still has before it. Safe to use from several threads."""

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
        """Count one answer, and give the trouble that it meets, if any."""
        with self._lock:
            met: Trouble | None = None
            left: list[tuple[int, Trouble]] = []
            for count, trouble in self._pending:
                if count > 0 or met is not None:
                    left.append((max(count - 1, 0), trouble))
                    continue
                met = trouble
                if trouble.always:
                    left.append((0, trouble))
            self._pending = left
            return met
