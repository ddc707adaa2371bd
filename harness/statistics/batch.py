"""A batch in figures: its yields, what it fails by, and every reading through its units.

Charts and capability use the first complete run of each unit, as the first-pass yield does: a retest of the
same unit is no further unit.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.reading import ReadingKey
from harness.records.history import RunLine, Series, label_of, labels
from harness.records.run import FaultsNamed
from harness.records.store import RunStore
from harness.statistics.capability import (
    Capability,
    Caveat,
    ProposedLimits,
    Side,
    capability,
    population_caveats,
    propose_limits,
)
from harness.statistics.compare import Comparison
from harness.statistics.control_charts import (
    IndividualsChart,
    individuals_chart,
    mean_and_sigma,
    middle,
    varies,
)
from harness.statistics.yields import (
    YIELD_DEFINITION,
    ParetoLine,
    Yields,
    first_complete_runs,
    pareto,
    yields,
)

COVERAGE = 2.0  # of a reading's expanded uncertainty
NOT_DIAGNOSED = "not diagnosed"
NOT_LISTED = "no listed fault"
MOST_BINS = 20


@dataclass(frozen=True, kw_only=True)
class ReadingFigures:
    """One reading through the units of a batch.

    n: values; `missing` and `floors` (nothing measured above a level) count beside them. Without a value, or
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
    caveats: tuple[Caveat, ...]


@dataclass(frozen=True, kw_only=True)
class Distribution:
    """How many values lie in each class: `counts[i]` from edges[i] up to edges[i + 1], in the reading's unit.

    There is one edge more than counts; the last class holds its upper edge as well.
    """

    edges: tuple[float, ...]
    counts: tuple[int, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class UnitBatch:
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
        """Checks not passed in the first run, each counted once a unit."""
        checks = {reading.key: reading.key.check for reading in self.series}
        return pareto(check for _, check in self._not_passed(checks))

    @property
    def failing_readings(self) -> list[ParetoLine]:
        """Readings not passed in the first run."""
        return pareto(label for _, label in self._not_passed(self.labels))

    @cached_property
    def labels(self) -> dict[ReadingKey, str]:
        """Each reading in words that no other of the batch has."""
        return labels(reading.key for reading in self.series)

    def _not_passed(self, names: Mapping[ReadingKey, str]) -> set[tuple[int, str]]:
        return {
            (int(run_id), names[reading.key])
            for reading in self.series
            if _not_passed(reading)
            for run_id, verdict in zip(reading.run_ids, reading.verdicts, strict=True)
            if verdict != "pass"
        }


def diagnosed_faults(store: RunStore, runs: Iterable[RunLine]) -> dict[int, Sequence[str]]:
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
    """Return all runs of the units whose first complete run is among the latest so many."""
    firsts = first_complete_runs(lines)
    chosen = {run.serial for run in firsts[-units:]}
    return [run for run in lines if run.serial in chosen]


def figures(reading: Series) -> ReadingFigures:
    """Describe a reading through the units; its limits are those of the latest run."""
    values = reading.values[reading.measured]
    in_order = np.sort(values)
    low, high = reading.limits()
    spread = varies(values)
    mean, sigma = mean_and_sigma(values) if spread else (None, 0.0 if values.size > 1 else None)
    result = capability(values, low, high) if spread and _judged(reading) else None
    return ReadingFigures(
        key=reading.key,
        unit=reading.unit,
        n=int(values.size),
        missing=int(np.isnan(reading.values).sum()),
        floors=int(reading.floor.sum()),
        not_passed=_not_passed(reading),
        mean=float(values[0]) if values.size and not spread else mean,  # free of the mean's rounding
        sigma=sigma,
        smallest=float(in_order[0]) if values.size else None,
        median=middle(in_order) if values.size else None,
        largest=float(in_order[-1]) if values.size else None,
        limit_low=low,
        limit_high=high,
        capability=result,
        caveats=_caveats(reading, values, result) if spread else _left_out(reading),
    )


def least_capable_first(series: Sequence[Series]) -> list[Series]:
    """Order readings by Cpk; then those without one, by how many units did not pass, and by name.

    Many are ordered where few are shown: this costs a small part of what `figures` does.
    """

    def order(reading: Series) -> tuple[bool, float, str]:
        values = reading.values[reading.measured]
        mean, sigma = mean_and_sigma(values) if varies(values) else (0.0, 0.0)
        if sigma == 0 or not _judged(reading):
            return True, -float(_not_passed(reading)), label_of(reading.key)
        nearest = min(mean - float(reading.limit_low[-1]), float(reading.limit_high[-1]) - mean)
        return False, nearest / sigma, label_of(reading.key)

    return sorted(series, key=order)


def _not_passed(reading: Series) -> int:
    return len(reading.verdicts) - reading.verdicts.count("pass")


def _judged(reading: Series) -> bool:
    """Whether the latest limits leave anything out of a quantity that has a spread worth the name."""
    return reading.unit != "" and reading.limits() != (None, None)


def distribution(reading: Series) -> Distribution | None:
    """Count the values of a reading in at most MOST_BINS classes; None of less than two values."""
    values = reading.values[reading.measured]
    if not varies(values):
        return None
    counts, edges = np.histogram(values, bins=class_count(values, most=MOST_BINS))
    return Distribution(edges=tuple(edges.tolist()), counts=tuple(counts.tolist()))


def class_count(values: NDArray[np.float64], *, most: int) -> int:
    """How many classes of one width: by the spread of the middle half, so that outliers widen none; 1
    without.

    Counted and not laid out: an outlier far from values that hardly differ would ask for more than any
    memory.
    Source: Freedman and Diaconis, Zeitschrift für Wahrscheinlichkeitstheorie 57 (1981).
    """
    middle = float(np.subtract(*np.percentile(values, [75, 25])))
    if middle == 0:
        return 1
    width = 2.0 * middle / math.cbrt(values.size)
    return math.ceil(min(most, float(np.ptp(values)) / width))


def chart(reading: Series) -> IndividualsChart | None:
    """Chart a reading through the units that have a value; None of less than two."""
    values = reading.values[reading.measured]
    return individuals_chart(values) if values.size >= 2 else None


def proposal(reading: Series) -> ProposedLimits:
    """Propose limits from units whose reading passed, guarded by a reading's expanded uncertainty.

    A reading with one limit gets a proposal for that side.
    """
    good = reading.measured & np.array([verdict == "pass" for verdict in reading.verdicts], dtype=np.bool_)
    known = reading.standard[good & np.isfinite(reading.standard)]
    low, high = reading.limits()
    if not good.any():
        floors = reading.verdicts.count("pass")
        why = "no unit has passed this reading"
        if floors:
            why = f"in all {floors} that passed, what there is lies below what the bench can see"
        return ProposedLimits(low=None, high=None, reasoning=(why,), caveats=())
    side: Side = "two"
    if (low is None) != (high is None):
        side = "upper" if low is None else "lower"
    return propose_limits(
        reading.values[good],
        unit=reading.unit,
        side=side,
        guard=COVERAGE * float(np.median(known)) if known.size else 0.0,
        current=(low, high),
    )


def _caveats(reading: Series, values: NDArray[np.float64], result: Capability | None) -> tuple[Caveat, ...]:
    caveats = list(population_caveats(values) if result is None else result.caveats)
    limits = np.round(np.stack([reading.limit_low, reading.limit_high], axis=1), 9)
    limits = limits[~np.isnan(limits).all(axis=1)]  # a missing reading has none
    kinds = len(np.unique(np.nan_to_num(limits, nan=np.inf), axis=0))
    if kinds > 1:
        text = f"the limits changed within these runs ({kinds} kinds); the latest are used"
        caveats.append(Caveat(kind="limits changed", sentence=text))
    return (*caveats, *_left_out(reading))


def _left_out(reading: Series) -> tuple[Caveat, ...]:
    """Say that the figures are those of a part: of what lies below the bench's floor there is no value."""
    floors, of = int(reading.floor.sum()), reading.values.size
    if floors == 0:
        return ()
    text = f"{floors} of {of} readings lie below the bench's floor: the figures are those of the other units"
    return (Caveat(kind="in part", sentence=text),)


# As plain JSON values, for other programs: the keys are promised, more may come.


def batch_to_json(batch: UnitBatch, readings: Sequence[ReadingFigures]) -> dict[str, Any]:
    """Keys: units, only_passed (of the readings), first, last, definition, yields, diagnosed_faults,
    failing_checks, failing_readings, readings.

    yields: the fields of `Yields`. diagnosed_…, failing_…: label, count, share, cumulative. readings: the
    fields of `ReadingFigures`; key: what `key_to_json` makes of it.
    """
    return {
        "units": len(batch.firsts),
        "only_passed": batch.only_passed,
        "first": batch.firsts[0].started.isoformat() if batch.firsts else None,
        "last": batch.firsts[-1].started.isoformat() if batch.firsts else None,
        "definition": YIELD_DEFINITION,
        "yields": plain(batch.yields),
        "diagnosed_faults": plain(batch.diagnosed_faults),
        "failing_checks": plain(batch.failing_checks),
        "failing_readings": plain(batch.failing_readings),
        "readings": [plain(reading) for reading in readings],
    }


def reading_to_json(batch: UnitBatch, reading: Series) -> dict[str, Any]:
    """Keys: key, unit, distribution, chart, proposed; null where there are too few values.

    distribution: edges, counts. chart: centre, lower, upper, sigma, mean_range, upper_range, units (serial,
    value, range from the one before), signals (rule, sentence, serial), range_signals (serials). proposed:
    the fields of `ProposedLimits`.
    """
    serial = {run.run_id: run.serial for run in batch.firsts}
    names = [serial[int(run_id)] for run_id in reading.run_ids[reading.measured]]
    return {
        "key": plain(reading.key),
        "unit": reading.unit,
        "distribution": plain(distribution(reading)),
        "chart": _chart_to_json(chart(reading), names),
        "proposed": plain(proposal(reading)),
    }


def _chart_to_json(result: IndividualsChart | None, names: Sequence[str]) -> dict[str, Any] | None:
    if result is None:
        return None
    ranges = [None, *map(float, result.ranges)]
    fields = ("centre", "lower", "upper", "sigma", "mean_range", "upper_range")
    return {name: plain(getattr(result, name)) for name in fields} | {
        "units": [
            {"serial": serial, "value": float(value), "range": moved}
            for serial, value, moved in zip(names, result.values, ranges, strict=True)
        ],
        "signals": [
            {"rule": signal.rule, "sentence": signal.sentence, "serial": names[signal.at]}
            for signal in result.signals
        ],
        "range_signals": [names[at] for at in result.range_signals],
    }


def comparison_to_json(
    result: Sequence[Comparison[ReadingKey]], series: Sequence[Series]
) -> list[dict[str, Any]]:
    """Keys: key, unit, difference (the fields of `Difference`), p_corrected, moved. series: of one side."""
    units = {reading.key: reading.unit for reading in series}
    return [plain(comparison) | {"unit": units[comparison.key]} for comparison in result]


def key_to_json(key: ReadingKey) -> dict[str, Any]:
    """Keys: check, quantity, options (name and value of each), state, channel, port, driven, frequency_hz."""
    return {"check": key.check, **plain(vars(key.measurand))}


def plain(value: object) -> Any:
    """Make what JSON can hold: dataclasses by their fields, what is no finite number as null."""
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, dict):
        return {str(name): plain(item) for name, item in value.items()}
    if isinstance(value, ReadingKey):
        return key_to_json(value)
    return plain(vars(value))
