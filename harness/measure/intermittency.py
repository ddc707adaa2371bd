"""How often something fails that failed r times in n operations: bounds that hold whatever the rate."""

import math
from dataclasses import dataclass
from typing import Literal

from harness.errors import UsageError

Side = Literal["one", "two"]
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


def _check(failures: int, operations: int, confidence: float) -> None:
    if not 0 <= failures <= operations or operations < 1:
        raise UsageError(f"{failures} failures in {operations} operations can't be")
    if not 0 < confidence < 1:
        raise UsageError(f"a confidence of {confidence:g} can't be: expected between 0 and 1, such as 0.95")
