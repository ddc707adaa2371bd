"""A batch in figures: its yields, what it fails by, and every reading through its units.

Charts and capability use the first complete run of each unit, as the first-pass yield does: a retest of the
same unit is no further unit.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.reading import ReadingKey
from harness.records.history import RunLine, Series, label_of, labels
from harness.records.run import FaultsNamed
from harness.statistics.capability import (
    Capability,
    Doubt,
    ProposedLimits,
    capability,
    population_doubts,
    propose_limits,
)
from harness.statistics.compare import (
    Comparison,
    PairedDifference,
    compare_batches,
    correct_p,
    paired_difference,
)
from harness.statistics.control import IndividualsChart, individuals_chart, mean_and_sigma, middle, varies
from harness.statistics.drift import FEWEST_FOR_SLOPES, Drift, drift
from harness.statistics.yields import COMPLETE, ParetoLine, Yields, first_complete_runs, pareto, yields

if TYPE_CHECKING:
    from harness.records.store import RunStore

COVERAGE = 2.0  # of a reading's expanded uncertainty
SECONDS_A_DAY = 86_400.0
NOT_DIAGNOSED = "not diagnosed"
NOT_LISTED = "no listed fault"
MOST_BINS = 20


@dataclass(frozen=True, kw_only=True)
class ReadingFigures:
    """One reading through the units of a batch.

    n: values; `missing` and `floors` (nothing found above a level) count beside them. Without a value, or
    without what a figure needs, it is None. limit_low, limit_high: of the latest run, None where open.
    """

    key: ReadingKey
    unit: str
    n: int
    missing: int
    floors: int
    not_passed: int
    mean: float | None
    sigma: float | None
    smallest: float | None
    median: float | None
    largest: float | None
    limit_low: float | None
    limit_high: float | None
    capability: Capability | None
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, kw_only=True)
class Distribution:
    """How many values lie in each class: `counts[i]` from edges[i] up to edges[i + 1], in the reading's unit.

    There is one edge more than counts; the last class holds its upper edge as well.
    """

    edges: tuple[float, ...]
    counts: tuple[int, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Batch:
    """The units of one part, with their series; all that `figures`, `chart` and the rest are made from.

    firsts: the first complete run of each unit, oldest first. series: through these. diagnosed: of runs that
    failed, by number, the faults that explain them and are not told apart, the likeliest first. units_in_all:
    where these are only the latest; 0 where nobody counted. only_passed: the series go through units that
    passed alone.
    """

    lines: tuple[RunLine, ...]
    firsts: tuple[RunLine, ...]
    series: tuple[Series, ...]
    units_in_all: int = 0
    only_passed: bool = False
    diagnosed: Mapping[int, Sequence[str]] = field(default_factory=dict)

    @property
    def yields(self) -> Yields:
        """First-pass and final yield."""
        return yields(self.lines)

    @property
    def read(self) -> tuple[RunLine, ...]:
        """The first runs that the series go through."""
        return tuple(run for run in self.firsts if run.outcome == "pass" or not self.only_passed)

    @property
    def diagnosed_faults(self) -> list[ParetoLine]:
        """What the diagnosis named in units that failed at first, each unit once.

        Faults that are not told apart stand under the likeliest of them.
        """
        return pareto(
            fault_in_words(self.diagnosed.get(run.run_id)) for run in self.firsts if run.outcome == "fail"
        )

    @property
    def failing_checks(self) -> list[ParetoLine]:
        """Checks that units did not pass at first, each counted once a unit."""
        return pareto(check for _, check in self._not_passed({one.key: one.key.check for one in self.series}))

    @property
    def failing_readings(self) -> list[ParetoLine]:
        """Readings that units did not pass at first."""
        return pareto(label for _, label in self._not_passed(self.labels))

    @cached_property
    def labels(self) -> dict[ReadingKey, str]:
        """Each reading in words that no other of the batch has."""
        return labels(one.key for one in self.series)

    def _not_passed(self, names: Mapping[ReadingKey, str]) -> set[tuple[int, str]]:
        return {
            (int(run_id), names[one.key])
            for one in self.series
            if _not_passed(one)
            for run_id, verdict in zip(one.run_ids, one.verdicts, strict=True)
            if verdict != "pass"
        }


@dataclass(frozen=True, kw_only=True)
class SideDifference:
    """First channel less second of one reading, unit by unit; `p` is corrected for all readings."""

    key: ReadingKey  # of the first channel
    other: ReadingKey  # of the second
    unit: str
    channels: tuple[str, str]
    difference: PairedDifference
    p_corrected: float


@dataclass(frozen=True, kw_only=True)
class ReadingDrift:
    """How one reading of the golden unit moves, a day; `p` corrected for all of them."""

    key: ReadingKey
    unit: str
    drift: Drift
    p_corrected: float


def diagnosed_faults(store: "RunStore", runs: Iterable[RunLine]) -> dict[int, Sequence[str]]:
    """What the diagnosis at the end of failed runs named, by run."""
    failed = [run.run_id for run in runs if run.outcome == "fail"]
    events = store.latest_events(FaultsNamed, failed) if failed else {}
    return {run: each.event.faults for run, each in events.items()}


def fault_in_words(names: Sequence[str] | None) -> str:
    """What the diagnosis named; faults that are not told apart stand under the likeliest of them."""
    if names is None:
        return NOT_DIAGNOSED
    if not names:
        return NOT_LISTED
    return names[0] if len(names) == 1 else f"{names[0]} (or {len(names) - 1} not told apart)"


def latest_units(lines: Sequence[RunLine], units: int) -> list[RunLine]:
    """Give all runs of the units whose first complete run is among the latest so many."""
    firsts = first_complete_runs(lines)
    chosen = {run.serial for run in firsts[-units:]}
    return [run for run in lines if run.serial in chosen]


def figures(one: Series) -> ReadingFigures:
    """Describe a reading through the units; its limits are those of the latest run."""
    values = one.values[one.measured]
    in_order = np.sort(values)
    low, high = _open_as_none(one.limit_low[-1]), _open_as_none(one.limit_high[-1])
    spread = varies(values)
    mean, sigma = mean_and_sigma(values) if spread else (None, 0.0 if values.size > 1 else None)
    found = capability(values, low, high) if spread and _judged(one) else None
    return ReadingFigures(
        key=one.key,
        unit=one.unit,
        n=int(values.size),
        missing=int(np.isnan(one.values).sum()),
        floors=int(one.floor.sum()),
        not_passed=_not_passed(one),
        mean=float(values[0]) if values.size and not spread else mean,  # free of the mean's rounding
        sigma=sigma,
        smallest=float(in_order[0]) if values.size else None,
        median=middle(in_order) if values.size else None,
        largest=float(in_order[-1]) if values.size else None,
        limit_low=low,
        limit_high=high,
        capability=found,
        doubts=_doubts(one, values, found) if spread else _left_out(one),
    )


def least_capable_first(series: Sequence[Series]) -> list[Series]:
    """Order readings by Cpk; then those without one, by how many units did not pass, and by name.

    Many are ordered where few are shown: this costs a small part of what `figures` does.
    """

    def order(one: Series) -> tuple[bool, float, str]:
        values = one.values[one.measured]
        mean, sigma = mean_and_sigma(values) if varies(values) else (0.0, 0.0)
        if sigma == 0 or not _judged(one):
            return True, -float(_not_passed(one)), label_of(one.key)
        nearest = min(mean - float(one.limit_low[-1]), float(one.limit_high[-1]) - mean)
        return False, nearest / sigma, label_of(one.key)

    return sorted(series, key=order)


def _not_passed(one: Series) -> int:
    return len(one.verdicts) - one.verdicts.count("pass")


def _judged(one: Series) -> bool:
    """Whether the latest limits leave anything out of a quantity that has a spread worth the name."""
    return one.unit != "" and bool(np.isfinite(one.limit_low[-1]) or np.isfinite(one.limit_high[-1]))


def distribution(one: Series) -> Distribution | None:
    """Count the values of a reading in at most MOST_BINS classes; None of less than two values."""
    values = one.values[one.measured]
    if not varies(values):
        return None
    counts, edges = np.histogram(values, bins=class_count(values, most=MOST_BINS))
    return Distribution(edges=tuple(map(float, edges)), counts=tuple(map(int, counts)))


def class_count(values: NDArray[np.float64], *, most: int) -> int:
    """How many classes of one width: by the spread of the middle half, so that strays widen none; 1 without.

    Counted and not laid out: a stray far from values that hardly differ would ask for more than any memory.
    Source: Freedman and Diaconis, Zeitschrift für Wahrscheinlichkeitstheorie 57 (1981).
    """
    middle = float(np.subtract(*np.percentile(values, [75, 25])))
    if middle == 0:
        return 1
    width = 2.0 * middle / math.cbrt(values.size)
    return math.ceil(min(most, float(np.ptp(values)) / width))


def chart(one: Series) -> IndividualsChart | None:
    """Chart a reading through the units that have a value; None of less than two."""
    values = one.values[one.measured]
    return individuals_chart(values) if values.size >= 2 else None


def proposal(one: Series) -> ProposedLimits:
    """Propose limits from units whose reading passed, guarded by a reading's expanded uncertainty.

    A reading with one limit gets a proposal for that side.
    """
    healthy = one.measured & np.array([verdict == "pass" for verdict in one.verdicts], dtype=np.bool_)
    known = one.standard[healthy & np.isfinite(one.standard)]
    low, high = _open_as_none(one.limit_low[-1]), _open_as_none(one.limit_high[-1])
    if not healthy.any():
        floors = one.verdicts.count("pass")
        why = "no unit has passed this reading"
        if floors:
            why = f"in all {floors} that passed, what there is lies below what the bench can see"
        return ProposedLimits(low=None, high=None, reasoning=(why,), doubts=())
    return propose_limits(
        one.values[healthy],
        unit=one.unit,
        side="upper"
        if low is None and high is not None
        else "lower"
        if high is None and low is not None
        else "two",
        guard=COVERAGE * float(np.median(known)) if known.size else 0.0,
        current=(low, high),
    )


def compare(first: Sequence[Series], second: Sequence[Series]) -> list[Comparison[ReadingKey]]:
    """Compare two batches reading by reading, corrected (Holm) for how many; the surest difference first."""
    return compare_batches(_values_by_key(first), _values_by_key(second))


def side_differences(series: Sequence[Series]) -> list[SideDifference]:
    """Compare the two channels unit by unit, reading by reading; the surest difference first.

    Channels in the order of their names. Readings that only one of two channels has are left out.
    """
    by_key = {one.key: one for one in series if one.key.measurand.channel}
    channels = sorted({key.measurand.channel for key in by_key})
    if len(channels) != 2:
        return []
    left, right = channels
    found = []
    for key, one in by_key.items():
        mirrored = replace(key, measurand=key.measurand.mirrored(left, right))
        if key.measurand.channel == left and mirrored in by_key:
            _, first, second = shared_values(one, by_key[mirrored])
            if first.size >= 2:
                found.append((one, mirrored, paired_difference(first, second)))
    corrected = correct_p([difference.p for *_, difference in found], "holm")
    sides = [
        SideDifference(
            key=one.key,
            other=other,
            unit=one.unit,
            channels=(left, right),
            difference=difference,
            p_corrected=float(p),
        )
        for (one, other, difference), p in zip(found, corrected, strict=True)
    ]
    return sorted(sides, key=lambda side: (side.p_corrected, side.difference.p))


def shared_values(
    one: Series, other: Series
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Give the runs in which both were measured, and the values of each, run by run."""
    if np.array_equal(one.run_ids, other.run_ids):
        both = one.measured & other.measured
        return one.run_ids[both], one.values[both], other.values[both]
    runs, here, there = np.intersect1d(
        one.run_ids[one.measured], other.run_ids[other.measured], return_indices=True
    )
    return runs, one.values[one.measured][here], other.values[other.measured][there]


def golden_drift(runs: Sequence[RunLine], series: Sequence[Series]) -> list[ReadingDrift]:
    """How the readings of one unit, run again and again, move a day (Theil-Sen); the surest first.

    runs: of that unit, oldest first; series: through these. Readings with less than five values, or made at
    one time, have no trend.
    """
    days = {run.run_id: run.started.timestamp() / SECONDS_A_DAY for run in runs if run.outcome in COMPLETE}
    start = min(days.values(), default=0.0)
    found: list[tuple[Series, Drift]] = []
    for one in series:
        begun = np.array([days.get(run_id, np.nan) for run_id in one.run_ids.tolist()])
        chosen = one.measured & np.isfinite(begun)
        times = begun[chosen] - start
        if times.size >= FEWEST_FOR_SLOPES and np.ptp(times) > 0:
            found.append((one, drift(times, one.values[chosen])))
    corrected = correct_p([one.p for _, one in found], "holm")
    drifts = [
        ReadingDrift(key=one.key, unit=one.unit, drift=moving, p_corrected=float(p))
        for (one, moving), p in zip(found, corrected, strict=True)
    ]
    return sorted(drifts, key=lambda one: (one.p_corrected, one.drift.p))


def _doubts(one: Series, values: NDArray[np.float64], found: Capability | None) -> tuple[Doubt, ...]:
    doubts = list(population_doubts(values) if found is None else found.doubts)
    limits = (np.round(some, 9).tolist() for some in (one.limit_low, one.limit_high))
    kinds = len(set(zip(*limits, strict=True)))
    if kinds > 1:
        told = f"the limits changed within these runs ({kinds} kinds); the latest are used"
        doubts.append(Doubt(kind="limits changed", sentence=told))
    return (*doubts, *_left_out(one))


def _left_out(one: Series) -> tuple[Doubt, ...]:
    """Say that the figures are those of a part: of what lies below the bench's floor there is no value."""
    floors, of = int(one.floor.sum()), one.values.size
    if floors == 0:
        return ()
    told = f"{floors} of {of} readings lie below the bench's floor: the figures are those of the other units"
    return (Doubt(kind="in part", sentence=told),)


def _open_as_none(limit: float) -> float | None:
    return float(limit) if np.isfinite(limit) else None


def _values_by_key(series: Sequence[Series]) -> Mapping[ReadingKey, NDArray[np.float64]]:
    return {one.key: one.values[one.measured] for one in series}
