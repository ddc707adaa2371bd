"""A reading that did not pass is measured again before it counts against the unit. Pure.

Between the two measurements every channel of the switchboard was open. What a late relay board, a stale
record or a lost answer did then shows in one of them alone; a fault of the unit shows in both.
"""

import math
from dataclasses import replace

from harness.judge import Decision, judge
from harness.reading import Estimate, Limit, LostToBench, MeasuredAgain, NotConfirmed, Reading
from harness.units import format_value

IN_WORDS = {"pass": "passed", "fail": "failed", "missing": "could not be taken", "unproven": "was unproven"}


def is_doubtful(reading: Reading) -> bool:
    """Whether a reading has to be measured again: it failed, or could not be taken."""
    return reading.verdict in ("fail", "missing")


def is_lost(reading: Reading) -> bool:
    """Whether the bench failed when a reading was to be taken."""
    return any(isinstance(fact, LostToBench) for fact in reading.facts)


def confirmed(
    first: Reading, again: Reading, *, limit: Limit | None, decision: Decision, cause: str = ""
) -> Reading:
    """The reading that two measurements make; the first stays with it as a fact.

    Values that agree within their expanded uncertainties, one of which fails, are averaged and their mean is
    judged. If they differ, the reading fails only if both fail. A reading that failed and then passes, passes
    only if a `cause` at the bench was seen; without one it is unproven, since the unit or the bench changed
    from one measurement to the next. What the bench lost the first time says nothing of the unit, so the
    second measurement counts.
    """
    fact = MeasuredAgain(
        verdict=first.verdict,
        value=_value(first),
        again_verdict=again.verdict,
        again_value=_value(again),
        cause=cause,
    )
    result = replace(
        again,
        facts=(*again.facts, fact),
        acquisitions=tuple(dict.fromkeys((*first.acquisitions, *again.acquisitions))),
    )
    if first.verdict == again.verdict or is_lost(first):
        return result
    if agree(first.estimate, again.estimate):
        return _averaged(first, result, limit, decision)
    if cause:
        return replace(result, reason=". ".join(filter(None, (again.reason, f"Measured again: {cause}"))))
    if again.verdict == "unproven":
        return result
    route = f". Its route: {result.route}" if result.route else ""
    return replace(
        result,
        estimate=again.estimate or first.estimate,
        verdict="unproven",
        reason=f"it {_in_words(first)}, and {_in_words(again)} after all relays were released and set again: "
        f"a contact that is not reliable, or the bench{route}",
    )


def unconfirmed(first: Reading) -> Reading:
    """A reading that could not be measured again: no unit fails by one measurement."""
    if first.verdict != "fail":
        return first
    return replace(
        first,
        verdict="unproven",
        reason=f"it {_in_words(first)}, and could not be measured again",
        facts=(*first.facts, NotConfirmed()),
    )


def agree(one: Estimate | None, other: Estimate | None) -> bool:
    """Whether two values of one quantity differ by no more than their expanded uncertainties.

    A bound (nothing found, nothing moved in the whole record) agrees with no other value.
    """
    if one is None or other is None:
        return False
    uncertainty = math.hypot(_half_width(one), _half_width(other))
    return math.isfinite(uncertainty) and abs(one.value - other.value) <= uncertainty


def same_value(one: Reading, other: Reading) -> bool:
    """Whether two readings agree: in value, in that there is none, or a value within a bound of the other.

    Many are compared at once: values differ by twice what `agree` allows before they count as different.
    """
    if one.estimate is None or other.estimate is None:
        return one.estimate is other.estimate
    bounds = [each for each in (one.estimate, other.estimate) if each.floor]
    if bounds:
        values = [each for each in (one.estimate, other.estimate) if not each.floor]
        return all(each.low <= bound.high and each.high >= bound.low for each in values for bound in bounds)
    apart = abs(one.estimate.value - other.estimate.value)
    return apart <= 2 * math.hypot(_half_width(one.estimate), _half_width(other.estimate))


def _averaged(first: Reading, again: Reading, limit: Limit | None, decision: Decision) -> Reading:
    """The mean of both values, within the wider of their intervals: both share most of its sources."""
    if first.estimate is None or again.estimate is None:
        raise ValueError("only two values have a mean")
    wider = max(first.estimate, again.estimate, key=_half_width)
    shift = (first.estimate.value + again.estimate.value) / 2 - wider.value
    mean = replace(wider, value=wider.value + shift, low=wider.low + shift, high=wider.high + shift)
    expected = again.expected if limit is not None and limit.kind == "within" else None
    verdict = judge(
        mean,
        again.limit_low,
        again.limit_high,
        decision=decision,
        expected_standard=0.0 if expected is None else expected.standard or 0.0,
    )
    return replace(again, estimate=mean, verdict=verdict, reason="the mean of two measurements")


def _half_width(estimate: Estimate) -> float:
    return max(estimate.high - estimate.value, estimate.value - estimate.low)


def _value(reading: Reading) -> float | None:
    return None if reading.estimate is None else reading.estimate.value


def _in_words(reading: Reading) -> str:
    value = _value(reading)
    if value is None or not reading.unit:
        return IN_WORDS[reading.verdict]
    return f"{IN_WORDS[reading.verdict]} at {format_value(value, reading.unit)}"
