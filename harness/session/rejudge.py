"""Kept readings against another sequence: values and intervals as they were taken, limits as they are now."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from harness.errors import ReadingError
from harness.job.sequence import Sequence as CheckSequence
from harness.judge import judge, judge_polarity, limits_for
from harness.plan.model import Cycle, EdgeReading, Plan, PlannedReading
from harness.reading import Estimate, Limit, Reading


@dataclass(frozen=True, kw_only=True)
class Rejudged:
    """What another sequence makes of a run.

    pairs: each kept reading as it was, and as it is judged now. absent: what the sequence asks for and the
    run has not measured. unasked: readings that the sequence does not ask for.
    """

    pairs: tuple[tuple[Reading, Reading], ...]
    absent: tuple[PlannedReading | EdgeReading | Cycle, ...]
    unasked: tuple[Reading, ...]


def rejudge(plan: Plan, kept: Sequence[Reading], *, sequence: CheckSequence) -> Rejudged:
    """Find the kept reading of each one that is planned now, and judge it by the new limit.

    The same quantity, state, port, frequency and hookup make it the same reading; the check may have another
    name, and where several are the same the one whose check has the same name comes first.
    """
    hookups = {acquisition.number: acquisition.hookup for acquisition in plan.acquisitions}
    edge_hookups = {edge.number: edge.hookup for edge in plan.edges}
    left = list(kept)
    pairs: list[tuple[Reading, Reading]] = []
    absent: list[PlannedReading | EdgeReading | Cycle] = []
    wanted: list[tuple[PlannedReading | EdgeReading | Cycle, str]] = [
        (planned, hookups[planned.acquisitions[-1]] if planned.acquisitions else "")
        for planned in plan.readings
    ]
    wanted += [(edge, edge_hookups[edge.acquisition]) for edge in plan.edge_readings]
    wanted += [(cycle, cycle.hookup) for cycle in plan.cycles]
    for planned, hookup in wanted:
        same = [reading for reading in left if _is_same(planned, hookup, reading)]
        if not same:
            absent.append(planned)
            continue
        reading = next((one for one in same if one.check == planned.check.name), same[0])
        left.remove(reading)
        pairs.append((reading, _judged(planned, reading, sequence)))
    return Rejudged(pairs=tuple(pairs), absent=tuple(absent), unasked=tuple(left))


def _is_same(planned: PlannedReading | EdgeReading | Cycle, hookup: str, reading: Reading) -> bool:
    return (
        (reading.quantity, reading.state) == (planned.quantity, planned.state.name)
        and (reading.channel, reading.port) == (planned.channel, planned.port)
        and reading.hookup in (hookup, "")
        and reading.frequency_hz in (None, planned.frequency_hz)
    )


def _judged(
    planned: PlannedReading | EdgeReading | Cycle, reading: Reading, sequence: CheckSequence
) -> Reading:
    """The same value by the new limit; what was missing stays missing, for its old reason."""
    renamed = replace(reading, check=planned.check.name, limit_low=None, limit_high=None)
    if reading.value is None or reading.low is None or reading.high is None:
        return replace(renamed, verdict="missing")
    if planned.quantity == "polarity":
        return replace(renamed, verdict=judge_polarity(reading.value, reading.expected or 0.0))
    limit = planned.limit or Limit(kind="between", unit=reading.unit)
    found = Estimate(
        value=reading.value,
        standard=reading.standard,
        low=reading.low,
        high=reading.high,
        coverage_factor=reading.coverage_factor,
        floor=reading.floor,
        budget=(),
    )
    try:
        low, high = limits_for(limit, reading.expected)
    except ReadingError as error:
        return replace(renamed, verdict="missing", reason=str(error))
    doubt = (reading.expected_standard or 0.0) if limit.kind == "within" else 0.0
    verdict = judge(found, low, high, decision=sequence.decision, expected_standard=doubt)
    reason = "the limit lies inside the uncertainty" if verdict == "unproven" else ""
    return replace(renamed, limit_low=low, limit_high=high, verdict=verdict, reason=reason)
