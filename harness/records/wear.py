"""What a unit's relays have been through, as its runs recorded it: operations by relay, currents by line."""

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, select

from harness.records import tables
from harness.records.sound import sound

Unit = tuple[str, str, bool]
"""Part, serial number, and whether it is simulated."""


@dataclass(frozen=True, kw_only=True)
class Operations:
    """How often a run operated each relay, and whether the switchboard read back what it was told."""

    by_relay: Mapping[str, int]
    read_back: bool


def parse_operations(text: str) -> Operations:
    """Read the text of an event `relays`. Raises ValueError for any other."""
    content = json.loads(text)
    match content:
        case {"operations": dict() as by_relay, "read_back": bool() as read_back} if all(
            type(count) is int and count >= 0 for count in by_relay.values()
        ):
            return Operations(by_relay=by_relay, read_back=read_back)
    raise ValueError(f"operations of relays that read {text[:80]!r}")


def parse_currents(text: str) -> dict[str, float]:
    """Read the text of an event `fingerprint`, amperes by state. Raises ValueError for any other."""
    content = json.loads(text)
    if not isinstance(content, dict):
        raise ValueError(f"currents of lines that read {text[:80]!r}")
    return {state: float(current_a) for state, current_a in content.items()}


def read_operations(connection: Connection, *, serial: str | None = None) -> dict[Unit, Counter[str]]:
    """Give how often each relay of every unit was operated in all of its runs, or of those of one serial."""
    runs, events = tables.runs.c, tables.run_events.c
    query = (
        select(runs.part, runs.serial, runs.simulated, events.kind, events.text)
        .join(tables.runs, runs.id == events.run_id)
        .where(events.kind == "relays")
    )
    if serial is not None:
        query = query.where(runs.serial == serial)
    found: dict[Unit, Counter[str]] = {}
    for row in connection.execute(query).mappings():
        one: Mapping[str, Any] = sound(tables.run_events, sound(tables.runs, dict(row)))
        unit = found.setdefault((one["part"], one["serial"], one["simulated"]), Counter())
        unit.update(parse_operations(one["text"]).by_relay)
    return found
