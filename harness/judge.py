"""A reading against its limit, and a unit by its readings."""

import math
from collections.abc import Iterable
from typing import Literal

from harness.errors import ReadingError
from harness.reading import Estimate, Limit, Verdict

Decision = Literal["guarded", "simple"]


def limits_for(limit: Limit, expected: float | None) -> tuple[float | None, float | None]:
    """Low and high end of what a value may be, None for an open end, in the limit's unit.

    `within` limits are centred on the predicted value. Raises ReadingError if nothing is predicted.
    """
    if limit.kind != "within":
        return limit.low, limit.high
    if expected is None or not math.isfinite(expected):
        raise ReadingError("the circuit predicts no value here that the reading could be compared with")
    if limit.high is None:
        raise ReadingError("a `within` limit has no width")
    width = limit.high * abs(expected) if limit.relative else limit.high
    return expected - width, expected + width


def judge(
    estimate: Estimate,
    limit_low: float | None,
    limit_high: float | None,
    *,
    decision: Decision = "guarded",
    expected_standard: float = 0.0,
) -> Verdict:
    """Judge a value by its expanded interval (JCGM 106:2012, guarded acceptance with a guard band of U).

    pass: all of the interval lies within the limits; fail: all of it lies outside; unproven: between. By the
    decision "simple" the value alone counts. A floor passes only if the level that it lies below is within
    the limits, by either decision. What is no number is unproven.
    expected_standard: of the prediction that the limits lie round; the interval is then the difference's.
    """
    value = estimate.value
    if math.isnan(value) or math.isnan(estimate.low) or math.isnan(estimate.high):
        return "unproven"
    if decision == "simple" and not estimate.floor:
        return "pass" if _inside(value, value, limit_low, limit_high) else "fail"
    uncertainty = estimate.coverage_factor * expected_standard
    low = value - math.hypot(value - estimate.low, uncertainty)
    high = value + math.hypot(estimate.high - value, uncertainty)
    if _inside(low, high, limit_low, limit_high):
        return "pass"
    if (limit_low is not None and high < limit_low) or (limit_high is not None and low > limit_high):
        return "fail"
    return "unproven"


def judge_polarity(result: float, expected: float) -> Verdict:
    """Polarity must be as predicted; one that is undecided (0), or not predicted, is unproven."""
    if result not in (1.0, -1.0) or expected not in (1.0, -1.0):
        return "unproven"
    return "pass" if result == expected else "fail"


def unit_verdict(verdicts: Iterable[Verdict]) -> Verdict:
    """A unit fails by one failed reading, passes if all pass, and is unproven otherwise.

    Nothing judged is no pass either.
    """
    seen = set(verdicts)
    if "fail" in seen:
        return "fail"
    return "pass" if seen == {"pass"} else "unproven"


def _inside(low: float, high: float, limit_low: float | None, limit_high: float | None) -> bool:
    return (limit_low is None or low >= limit_low) and (limit_high is None or high <= limit_high)
