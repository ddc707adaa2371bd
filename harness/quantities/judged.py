"""What becomes of an estimate that is held against a limit."""

from dataclasses import dataclass
from typing import Literal

from harness.judge import judge, limits_for
from harness.reading import Estimate, Fact, Limit, Verdict

Decision = Literal["guarded", "simple"]
INSIDE_THE_UNCERTAINTY = "the limit lies inside the uncertainty"


@dataclass(frozen=True, kw_only=True)
class Judged:
    """A verdict with its reason, and the limits that the value had to satisfy, None where open."""

    verdict: Verdict
    reason: str = ""
    low: float | None = None
    high: float | None = None
    facts: tuple[Fact, ...] = ()


def judged_by(limit: Limit, found: Estimate, expected: Estimate | None, *, decision: Decision) -> Judged:
    """Judge by a limit that may lie round what is expected; of what is unproven the reason is left open.

    Raises ReadingError where a prediction is needed and there is none.
    """
    low, high = limits_for(limit, expected.value if expected else None)
    standard = (expected.standard or 0.0) if expected and limit.kind == "within" else 0.0
    verdict = judge(found, low, high, decision=decision, expected_standard=standard)
    return Judged(verdict=verdict, low=low, high=high)
