"""What a unit's relays have been through, in words: commanded, read back and proven are three facts."""

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from harness.reading import Reading
    from harness.records.run import Event, Remembered, RunEvent, RunRecord
    from harness.records.store import RunStore

SEEN = ("pass", "fail", "unproven")


def wear_of(
    store: "RunStore",
    record: "RunRecord",
    readings: "Sequence[Reading]",
    events: "Sequence[RunEvent[Event | Remembered]]",
) -> dict[str, Any] | None:
    """Keys: operations, unit_operations (by relay), read_back, line_currents_a (by state), contact_readings.

    unit_operations: in all runs of the unit that this run belongs to. line_currents_a: what each line alone
    drew. contact_readings: how many levels were measured along a predicted route, by verdict. None for a run
    that came to the end of no hookup, or before this was counted.
    """
    from harness.records.run import CurrentsDrawn, RelaysOperated

    header = record.header
    own = [each.event for each in events if isinstance(each.event, RelaysOperated)]
    currents = [each.event.currents_a for each in events if isinstance(each.event, CurrentsDrawn)]
    if not own:
        return None
    unit = store.operations(serial=header.serial)[header.part, header.serial, header.simulated]
    return {
        "operations": dict(sum((Counter(one.operations) for one in own), Counter())),
        "unit_operations": dict(unit),
        "read_back": all(one.read_back for one in own),
        "line_currents_a": dict(currents[-1]) if currents else {},
        "contact_readings": Counter(one.verdict for one in readings if one.route and one.verdict in SEEN),
    }


def wear_lines(wear: dict[str, Any]) -> list[str]:
    """The same in words."""
    unit = wear["unit_operations"]
    counts = ", ".join(f"{name} {wear['operations'].get(name, 0)} of {unit[name]}" for name in unit)
    currents = ", ".join(f"{state} {1e3 * amp:.1f} mA" for state, amp in wear["line_currents_a"].items())
    contacts = ", ".join(f"{count} {verdict}" for verdict, count in wear["contact_readings"].items())
    return [
        f"relays commanded, in this run of all of the unit's: {counts or 'none'}",
        "read back: "
        + ("by the switchboard, after every change" if wear["read_back"] else "no, this switchboard cannot"),
        f"proven: coils by what each line drew ({currents or 'not measured'}); contacts by "
        f"{contacts or 'no'} readings along a route",
    ]
