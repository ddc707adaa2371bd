"""What a run did not measure of its sequence, and why, in words."""

from collections.abc import Iterable
from dataclasses import dataclass

from harness.plan.chosen import LeftOut
from harness.quantities.registry import QUANTITIES
from harness.records.run import EndedAtFail, Event, Remembered, RunEvent, ShortestRun
from harness.units import counted


@dataclass(frozen=True, kw_only=True)
class InPart:
    """Why a run measured a part of its sequence, and what it left out of so many planned readings."""

    title: str
    message: str
    planned: int
    left_out: tuple[LeftOut, ...]

    @property
    def text(self) -> str:
        """Title and message in one line."""
        return f"{self.title}: {self.message}"

    @property
    def lines(self) -> tuple[str, ...]:
        """What was left out, a line for each quantity of a check: `Low-level gain: all 24`."""
        return tuple(map(_line, self.left_out))


def part_of_shortest(event: ShortestRun) -> InPart:
    """What a shortest run measures, and what it does not."""
    left, planned = _count(event.left_out), counted(event.planned, "reading")
    return InPart(
        title="shortest run",
        message=f"{event.planned - left} of the {planned} of the sequence, in the fewest steps that detect "
        f"the {event.detected} of {event.faults} single faults that it detects; {left} not measured",
        planned=event.planned,
        left_out=event.left_out,
    )


def part_until_fail(event: EndedAtFail, *, shortest: bool = False) -> InPart:
    """What a run that ended at its first FAIL did not measure of the whole sequence."""
    left, planned = _count(event.left_out), counted(event.planned, "reading")
    return InPart(
        title=f"{'shortest run, ' if shortest else ''}ended at the first confirmed FAIL",
        message=f"{left} of the {planned} of the sequence not measured",
        planned=event.planned,
        left_out=event.left_out,
    )


def in_part(events: Iterable[RunEvent[Event | Remembered]]) -> InPart | None:
    """What a run left out, as its events say; None for a run that was to measure all, and did."""
    result = None
    for event in (item.event for item in events):
        if isinstance(event, ShortestRun):
            result = part_of_shortest(event)
        elif isinstance(event, EndedAtFail):
            result = part_until_fail(event, shortest=result is not None)
    return result


def _count(left_out: Iterable[LeftOut]) -> int:
    return sum(each.readings for each in left_out)


def _line(left: LeftOut) -> str:
    words = QUANTITIES[left.quantity].label if left.quantity in QUANTITIES else left.quantity
    named = left.check if left.check.casefold() == words.casefold() else f"{left.check}, {words}"
    how_many = (
        f"all {left.planned}" if left.readings == left.planned else f"{left.readings} of {left.planned}"
    )
    return f"{named}: {how_many}"
