"""Recorded readings against another sequence: their values and intervals as they were, its limits."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from harness.errors import ReadingError
from harness.job.sequence import CheckSequence
from harness.judge import judge, judge_polarity, limits_for
from harness.plan.model import Plan, Planned
from harness.reading import Limit, Measurand, Reading


@dataclass(frozen=True, kw_only=True)
class Rejudged:
    """What another sequence makes of a run.

    pairs: each kept reading as it was, and as it is judged now. absent: what the sequence asks for and the
    run has not measured. unasked: readings that the sequence does not ask for.
    """

    pairs: tuple[tuple[Reading, Reading], ...]
    absent: tuple[Planned, ...]
    unasked: tuple[Reading, ...]


def judge_again(plan: Plan, kept: Sequence[Reading], *, sequence: CheckSequence) -> Rejudged:
    """Find the kept reading of each one that is planned now, and judge it by the new limit.

    The same measurand makes it the same reading; the check may have another name, and where several are the
    same the one whose check has the same name comes first.
    """
    unmatched: dict[Measurand, list[Reading]] = {}
    for reading in kept:
        unmatched.setdefault(reading.key.measurand, []).append(reading)
    pairs: list[tuple[Reading, Reading]] = []
    absent: list[Planned] = []
    for planned in plan.readings:
        key = planned.key
        same = unmatched.get(key.measurand, [])
        if not same:
            absent.append(planned)
            continue
        reading = next((each for each in same if each.key == key), same[0])
        same.remove(reading)
        pairs.append((reading, _judged(planned, reading, sequence)))
    matched = {id(before) for before, _ in pairs}
    unasked = tuple(reading for reading in kept if id(reading) not in matched)
    return Rejudged(pairs=tuple(pairs), absent=tuple(absent), unasked=unasked)


def _judged(planned: Planned, reading: Reading, sequence: CheckSequence) -> Reading:
    """The same value by the new limit; what was missing stays missing, for its old reason."""
    renamed = replace(reading, key=planned.key, limit_low=None, limit_high=None)
    result = reading.estimate
    if result is None:
        return replace(renamed, verdict="missing")
    expected = reading.expected.value if reading.expected else None
    if planned.quantity.limits is None:
        return replace(renamed, verdict=judge_polarity(result.value, expected or 0.0))
    limit = planned.limit or Limit(kind="between", unit=reading.unit)
    try:
        low, high = limits_for(limit, expected)
    except ReadingError as error:
        return replace(renamed, verdict="missing", reason=str(error))
    uncertainty = 0.0
    if reading.expected and limit.kind == "within":
        uncertainty = reading.expected.standard or 0.0
    verdict = judge(result, low, high, decision=sequence.decision, expected_standard=uncertainty)
    reason = "the limit is inside the uncertainty interval" if verdict == "unproven" else ""
    return replace(renamed, limit_low=low, limit_high=high, verdict=verdict, reason=reason)
