"""How many units pass, with limits that know how few there were; and what they fail by."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from harness.records.history import RunLine

YIELD_DEFINITION = (
    "First-pass yield: the share of units whose first complete run passed. Final yield: the share of units "
    "whose latest complete run passed. A complete run ended in pass, fail or unproven; unproven does not "
    "count as a pass. Stopped and interrupted runs, golden units, gauge studies, units with known faults and "
    "custom tests are left out. Intervals: Clopper and Pearson."
)

COMPLETE = frozenset({"pass", "fail", "unproven"})
NOT_WHOLE = frozenset({"known-bad", "custom tests"})
"""Runs of a unit with a fault put in, or of a part of its readings: no history of how it reads."""


@dataclass(frozen=True, kw_only=True)
class Proportion:
    """So many of so many, with a confidence interval; `value` is None of none at all."""

    count: int
    total: int
    value: float | None
    low: float
    high: float
    confidence: float


@dataclass(frozen=True, kw_only=True)
class Yields:
    """First-pass and final yield of a batch, as `YIELD_DEFINITION` says.

    shortest, until_fail: of the complete runs, those that made the fewest steps alone, and those that ended
    at their first FAIL.
    """

    first_pass: Proportion
    final: Proportion
    units: int
    complete_runs: int
    other_runs: int
    shortest: int = 0
    until_fail: int = 0

    @property
    def in_part(self) -> str:
        """How many runs measured a part of their sequence, as a sentence; "" if none did."""
        counts = ((self.shortest, "shortest run"), (self.until_fail, "run that ended at its first FAIL"))
        parts = [
            f"{count} {text if count == 1 else text.replace('run', 'runs', 1).replace('its', 'their')}"
            for count, text in counts
            if count
        ]
        if not parts:
            return ""
        return (
            f"Of the complete runs, {' and '.join(parts)}: what these did not measure is counted neither as "
            "passed nor as failed"
        )


@dataclass(frozen=True, kw_only=True)
class ParetoLine:
    """One cause: how often, its share of all, and the share of it and everything more frequent."""

    label: str
    count: int
    share: float
    cumulative: float


def clopper_pearson(count: int, total: int, *, confidence: float = 0.95) -> Proportion:
    """Return the exact two-sided interval of a proportion: each side leaves out at most half of the rest.

    At none or all of the total, the interval is still two-sided. Of nothing at all it is 0 to 1.
    Raises ValueError for counts that cannot be.
    Source: Clopper and Pearson, Biometrika 26 (1934); NIST/SEMATECH e-Handbook 7.2.4.1.
    """
    from scipy.special import betaincinv

    if not 0 <= count <= total:
        raise ValueError(f"{count} of {total} cannot be counted; expected 0 <= count <= total")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence of {confidence} means nothing; expected one between 0 and 1")
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if count == 0 else float(betaincinv(count, total - count + 1, tail))
    high = 1.0 if count == total else float(betaincinv(count + 1, total - count, 1.0 - tail))
    return Proportion(
        count=count,
        total=total,
        value=count / total if total else None,
        low=low,
        high=high,
        confidence=confidence,
    )


def tests_of_units(runs: Iterable[RunLine]) -> list[RunLine]:
    """Return the complete runs that test a unit; golden units and studies say something of the bench."""
    return [run for run in runs if run.outcome in COMPLETE and run.purpose == ""]


def first_complete_runs(runs: Iterable[RunLine]) -> list[RunLine]:
    """Return the first complete run that tests each unit, in their order. runs: of one part, oldest first."""
    firsts: dict[str, RunLine] = {}
    for run in tests_of_units(runs):
        firsts.setdefault(run.serial, run)
    return list(firsts.values())


def yields(runs: Sequence[RunLine]) -> Yields:
    """Count units that pass at first and in the end. runs: of one part, oldest first."""
    complete = tests_of_units(runs)
    latest = {run.serial: run for run in complete}
    firsts = first_complete_runs(complete)
    return Yields(
        first_pass=clopper_pearson(sum(run.outcome == "pass" for run in firsts), len(firsts)),
        final=clopper_pearson(sum(run.outcome == "pass" for run in latest.values()), len(latest)),
        units=len(firsts),
        complete_runs=len(complete),
        shortest=sum(run.extent == "shortest" for run in complete),
        until_fail=sum(run.extent == "until fail" for run in complete),
        other_runs=sum(run.outcome not in COMPLETE and run.purpose == "" for run in runs),
    )


def pareto(labels: Iterable[str]) -> list[ParetoLine]:
    """Rank causes by how often they occur, the most frequent first, equals by name.

    labels: one for every occurrence: a diagnosed fault, a failing check, a failing reading.
    """
    counts = sorted(Counter(labels).items(), key=lambda item: (-item[1], item[0]))
    total = sum(count for _, count in counts)
    lines: list[ParetoLine] = []
    so_far = 0
    for label, count in counts:
        so_far += count
        lines.append(ParetoLine(label=label, count=count, share=count / total, cumulative=so_far / total))
    return lines
