"""From a record across a change of state to judged readings."""

from dataclasses import dataclass
from math import inf, sqrt
from typing import Literal

from harness.errors import ReadingError
from harness.job.fixture import Hookup, PortName
from harness.job.sequence import Sequence as CheckSequence
from harness.judge import judge, limits_for
from harness.measure.change import Change, read_bounce, read_click, read_gap, read_switching
from harness.plan.keys import key_of
from harness.plan.model import EdgeReading
from harness.quantities.change import ClickOptions
from harness.quantities.registry import QUANTITIES
from harness.reading import Estimate, Fact, Limit, NothingMoved, Reading, Verdict
from harness.session.recovery import NotTaken

CLICKS: dict[str, Literal["peak", "energy", "duration"]] = {
    "click_peak": "peak",
    "click_energy": "energy",
    "click_duration": "duration",
}
TIMED = ("operate_time", "release_time")


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeTaken:
    """An edge that was recorded: what was found, or why nothing was. record: its number in the records."""

    hookup: Hookup
    change: Change | None
    record: int | None
    missing: NotTaken


def edge_reading(
    planned: EdgeReading, taken: EdgeTaken, *, sequence: CheckSequence, gain_accuracy: float
) -> Reading:
    """Make and judge one reading; where it cannot be taken it is missing, with the reason."""
    if taken.change is None:
        return _missing(planned, taken, taken.missing)
    try:
        found = _estimate(planned, taken.hookup, taken.change, sequence.coverage_factor, gain_accuracy)
        limit = planned.limit or Limit(kind="between", unit=_unit(planned))
        low, high = limits_for(limit, None)
        _need_meaning(planned, found, low, high)
    except ReadingError as error:
        return _missing(planned, taken, NotTaken(reason=str(error)))
    verdict = judge(found, low, high, decision=sequence.decision)
    return _reading(
        planned, taken, found=found, limits=(low, high), verdict=verdict,
        reason=_reason(planned, taken.change, found, verdict),
        facts=(NothingMoved(),) if _is_still(planned, found, verdict) else (),
    )  # fmt: skip


def _estimate(
    planned: EdgeReading, hookup: Hookup, change: Change, k: float, gain_accuracy: float
) -> Estimate:
    net, _, leg = planned.port.partition(".")
    hot = 2 * hookup.view.index(PortName(channel=planned.channel, net=net))
    row = hot if leg == "hot" else hot + 1
    match planned.quantity:
        case "operate_time" | "release_time":
            return read_switching(change, (hot, hot + 1), k)
        case "bounce":
            return read_bounce(change, row, k)
        case "gap":
            return read_gap(change, row, k)
        case _:
            options = planned.check.options
            return read_click(
                change,
                (hot, hot + 1),
                measure=CLICKS[planned.quantity],
                audio=isinstance(options, ClickOptions) and options.band == "audio",
                gain_standard=gain_accuracy / sqrt(3),
                k=k,
            )


def _need_meaning(planned: EdgeReading, found: Estimate, low: float | None, high: float | None) -> None:
    """Refuse a time that is less sure than its whole limit is long: it says nothing of the unit."""
    largest = max((abs(end) for end in (low, high) if end is not None), default=inf)
    half = (found.high - found.low) / 2
    if planned.quantity in TIMED and largest < half < inf:
        lines = " or ".join(planned.edge.lines)
        raise ReadingError(
            f"the control edge is known by the computer's clock alone, to ± {1e3 * half:.2g} ms, more "
            f"than the limit. Bring {lines} to a spare scope input and say so by lines_on in the hookup"
        )


def _reason(planned: EdgeReading, change: Change, found: Estimate, verdict: Verdict) -> str:
    if _is_still(planned, found, verdict) and planned.quantity in TIMED:
        return f"no change of route within {1e3 * found.low:.3g} ms of the control edge: a relay did not move"
    if _is_still(planned, found, verdict):
        return "no gap is seen: the contact did not move, is welded, or makes before it breaks"
    if verdict != "unproven":
        return ""
    if found.floor:
        return "what is there lies below the record's floor, which is not below the limit"
    if planned.quantity in TIMED and not isinstance(change.edge, str) and change.edge.standard_s > 1e-4:
        return (
            "the control edge is known by the computer's clock alone; bring its line to a spare scope input"
        )
    return "the limit lies inside the uncertainty"


def _is_still(planned: EdgeReading, found: Estimate, verdict: Verdict) -> bool:
    """Whether the record shows no change of route at all where it should show one."""
    if planned.quantity in TIMED:
        return found.high == inf
    return planned.quantity == "gap" and found.floor and verdict != "pass"


def _unit(planned: EdgeReading) -> str:
    return QUANTITIES[planned.quantity].unit


def _missing(planned: EdgeReading, taken: EdgeTaken, missing: NotTaken) -> Reading:
    return _reading(planned, taken, verdict="missing", reason=missing.reason, facts=missing.facts)


def _reading(
    planned: EdgeReading,
    taken: EdgeTaken,
    *,
    verdict: Verdict,
    reason: str,
    facts: tuple[Fact, ...],
    found: Estimate | None = None,
    limits: tuple[float | None, float | None] = (None, None),
) -> Reading:
    return Reading(
        key=key_of(planned, taken.hookup),
        unit=_unit(planned),
        estimate=found,
        expected=None,
        limit_low=limits[0],
        limit_high=limits[1],
        verdict=verdict,
        reason=reason,
        facts=facts,
        acquisitions=() if taken.record is None else (taken.record,),
        route="",
        setup=taken.hookup.name,
    )
