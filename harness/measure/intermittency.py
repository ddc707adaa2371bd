"""How often something fails that failed r times in n operations: bounds that hold whatever the rate."""

import math
from dataclasses import dataclass
from typing import Literal

from harness.errors import UsageError

Side = Literal["one", "two"]
MOST_OPERATIONS = 10_000_000
MISS_DB = 0.8  # what 100 ohm take off 1 kohm: the miss of MIL-R-5757J, at the load that it is told by
SILENT = 0.01  # of the drive: a leg that should show less than this is missed when it shows more


def missed(level_vrms: float, expected_vrms: float, *, drive_vrms: float) -> str:
    """What is wrong with a leg's level after an operation: `not silent`, `-8.0 dB`; "" where nothing is."""
    if expected_vrms < SILENT * drive_vrms / 2:
        return "not silent" if level_vrms > SILENT * drive_vrms else ""
    off_db = 20 * math.log10(max(level_vrms, 1e-12) / expected_vrms)
    return f"{off_db:+.1f} dB" if abs(off_db) > MISS_DB else ""


@dataclass(frozen=True, kw_only=True)
class FailureRate:
    """Failures in a number of operations, and the bounds of the rate behind them, at a confidence."""

    failures: int
    operations: int
    lower: float
    upper: float
    confidence: float


def failure_rate(
    failures: int, operations: int, *, confidence: float = 0.95, sides: Side = "one"
) -> FailureRate:
    """Bound the failure rate by Clopper and Pearson (Biometrika 26, 1934): exact for independent operations.

    sides: one, an upper bound alone, at the whole confidence (lower is 0); two, an interval with half of the
    doubt on each side. Operations that influence one another (a dirty contact that misses in runs) are not
    independent, and no bound holds for them.
    Raises UsageError for counts or a confidence that make no sense.
    """
    _check(failures, operations, confidence)
    doubt = 1 - confidence if sides == "one" else (1 - confidence) / 2
    if failures == 0:
        lower, upper = 0.0, -math.expm1(math.log(doubt) / operations)
    else:
        from scipy.special import betaincinv

        lower = 0.0 if sides == "one" else float(betaincinv(failures, operations - failures + 1, doubt))
        upper = (
            1.0
            if failures == operations
            else float(betaincinv(failures + 1, operations - failures, 1 - doubt))
        )
    return FailureRate(
        failures=failures, operations=operations, lower=lower, upper=upper, confidence=confidence
    )


def operations_needed(rate: float, *, confidence: float = 0.95, allowed: int = 0) -> int:
    """How many operations, with at most `allowed` failures, prove a failure rate below `rate`.

    The least n for which the binomial chance of so few failures at that rate is no more than 1 - confidence;
    without failures ln(1 - confidence)/ln(1 - rate), rounded up ("success run").
    Raises UsageError for what can't be proven: a rate of 0, or one that takes more than ten million.
    """
    if not 0 < rate < 1 or not 0 < confidence < 1 or allowed < 0:
        raise UsageError(
            f"a rate of {rate:g} at a confidence of {confidence:g} with {allowed} failures can't be proven: "
            "expected both between 0 and 1, and failures of 0 or more"
        )
    least = max(math.ceil(math.log(1 - confidence) / math.log1p(-rate) - 1e-9), allowed + 1)
    if allowed == 0:
        needed = least
    else:
        from scipy.special import betainc

        most = least
        while betainc(most - allowed, allowed + 1, 1 - rate) > 1 - confidence:
            least, most = most, 2 * most
        needed = most
        while most - least > 1:
            needed = (least + most) // 2
            if betainc(needed - allowed, allowed + 1, 1 - rate) > 1 - confidence:
                least = needed
            else:
                most = needed
        needed = most
    if needed > MOST_OPERATIONS:
        raise UsageError(f"proving a rate of {rate:g} takes {needed} operations: more than can be made")
    return needed


def chance_of_catching(rate: float, operations: int) -> float:
    """Chance that something that fails at `rate` does so at least once in that many operations."""
    return -math.expm1(operations * math.log1p(-rate))


def _check(failures: int, operations: int, confidence: float) -> None:
    if not 0 <= failures <= operations or operations < 1:
        raise UsageError(f"{failures} failures in {operations} operations can't be")
    if not 0 < confidence < 1:
        raise UsageError(f"a confidence of {confidence:g} can't be: expected between 0 and 1, such as 0.95")
