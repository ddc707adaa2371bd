"""What the pages show of a batch and of a unit.

A batch: its yields, what it fails by, its readings in figures, and those with caveats in charts. A unit: its
runs, what did not pass in them, its key readings before the batch.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from harness.reading import Reading, ReadingKey
from harness.records.history import RunDetail, RunLine, Series, label_of, labels
from harness.records.store import RunStore
from harness.report.words import Words, describe, worst_first
from harness.site.charts import (
    Limits,
    Population,
    TrendPoint,
    YieldGroup,
    differences,
    distribution,
    individuals,
    moving_ranges,
    trend,
    yield_chart,
    yield_groups,
)
from harness.site.model import BatchOfUnits, Unit, unit_slug
from harness.statistics.batch import (
    ReadingFigures,
    chart,
    diagnosed_faults,
    fault_in_words,
    figures,
    least_capable_first,
)
from harness.statistics.compare import SideDifference, shared_values, side_differences
from harness.statistics.control_charts import RUN_RULES
from harness.statistics.yields import COMPLETE, ParetoLine, first_complete_runs, pareto

LATEST_UNITS = 200
"""Figures and charts of readings are of so many units, the latest; yields and causes are of all."""

LISTED = 40
CHARTED = 12
FEWEST_TO_CHART = 5
SIDES_LEVEL = 0.05  # the chance to call two sides different that are not, over all readings together
SIDES_CHARTED = 6
_KEY_READINGS = 6
_OF_ONE_CHECK = 2
_NINE_IN_TEN = (5.0, 95.0)  # percentiles between which they lie
MOST_READINGS = 60  # of one run that are listed; the report has them all
_MOST_TRENDS = 6
_MOST_OWN = 3  # of them, readings that this unit did not pass
_MOST_RUNS = 100  # of a unit that its trends go back to


@dataclass(frozen=True, kw_only=True)
class ChartedReading:
    """A reading with its pictures and what its chart says in words."""

    figures: ReadingFigures
    individuals: Markup
    ranges: Markup
    distribution: Markup
    message: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class SideComparison:
    """The two channels against each other: how many readings were compared, which differ, and pictures."""

    channels: tuple[str, str]
    compared: int
    differing: tuple[SideDifference, ...]  # the surest first
    pictures: tuple[tuple[ReadingKey, Markup], ...]  # of the first of them, few of one check


@dataclass(frozen=True, kw_only=True)
class UnitOfBatch:
    """How a unit stands by its latest run in the batch. message: the fault diagnosed of one that fails."""

    slug: str
    run: RunLine
    message: str


@dataclass(frozen=True, kw_only=True, eq=False)
class BatchStudy:
    """A batch and its figures.

    figures: of the least capable readings, of so many `readings_read`; charted: the first of them that have
    values enough. labels: each reading in words that no other has. key_readings: those worth following in
    every unit, few of one check. sides: None if the units have no two channels.
    """

    batch: BatchOfUnits
    units: tuple[UnitOfBatch, ...]  # in the order of their first runs
    studied: int  # units that the figures are of
    groups: tuple[YieldGroup, ...]
    yield_picture: Markup | None
    faults: tuple[ParetoLine, ...]
    checks: tuple[ParetoLine, ...]
    readings: tuple[ParetoLine, ...]
    labels: Mapping[ReadingKey, str]
    readings_read: int
    figures: tuple[ReadingFigures, ...]
    charted: tuple[ChartedReading, ...]
    sides: SideComparison | None
    key_readings: tuple[ReadingKey, ...]
    populations: dict[ReadingKey, Population]

    @property
    def chart_numbers(self) -> dict[ReadingKey, int]:
        """Which of the charts, the first is 1, is of which reading."""
        return {one.figures.key: number for number, one in enumerate(self.charted, start=1)}

    @property
    def lent(self) -> str:
        """All that the pages of the batch's units show of it."""
        return repr((self.studied, self.key_readings, sorted(map(repr, self.populations.items()))))


def study_batch(store: RunStore, batch: BatchOfUnits) -> BatchStudy:
    """Look at a batch: all of its runs for yields and causes, its latest units for the readings."""
    firsts = first_complete_runs(batch.runs)
    latest = firsts[-LATEST_UNITS:]
    series = least_capable_first(store.series(run.run_id for run in latest))
    described = [figures(one) for one in series[:LISTED]]
    groups = yield_groups(firsts)
    named = diagnosed_faults(store, batch.runs)
    not_passed = store.not_passed([run.run_id for run in firsts if run.outcome != "pass"])
    bad = {run_id: {one.key for one in some} for run_id, some in not_passed.items()}
    names = labels({one.key for one in series}.union(*bad.values()))
    serials = {run.run_id: run.serial for run in latest}
    populations = {one.key: result for one in series if (result := _population(one)) is not None}
    return BatchStudy(
        batch=batch,
        units=tuple(_units(batch.runs, named)),
        studied=len(latest),
        groups=tuple(groups),
        yield_picture=yield_chart(groups) if len(groups) > 1 else None,
        faults=tuple(
            pareto(fault_in_words(named.get(run.run_id)) for run in firsts if run.outcome == "fail")
        ),
        checks=tuple(pareto(check for keys in bad.values() for check in {key.check for key in keys})),
        readings=tuple(pareto(names[key] for keys in bad.values() for key in keys)),
        labels=names,
        readings_read=len(series),
        figures=tuple(described),
        charted=tuple(_charted(described, series, serials, names)),
        sides=_sides(series, serials),
        key_readings=tuple(
            _few_of_a_check(
                (one.key for one in series if one.key in populations and one.unit != ""), _KEY_READINGS
            )
        ),
        populations=populations,
    )


def _units(runs: Sequence[RunLine], named: Mapping[int, Sequence[str]]) -> list[UnitOfBatch]:
    latest = {run.serial: run for run in runs}
    return [
        UnitOfBatch(
            slug=unit_slug(run),
            run=run,
            message=fault_in_words(named.get(run.run_id)) if run.outcome == "fail" else "",
        )
        for run in latest.values()
    ]


def _few_of_a_check(keys: Iterable[ReadingKey], most: int) -> list[ReadingKey]:
    """The first of these readings, but only so many of one check."""
    chosen: list[ReadingKey] = []
    for key in keys:
        if sum(other.check == key.check for other in chosen) < _OF_ONE_CHECK:
            chosen.append(key)
    return chosen[:most]


def _charted(
    described: Sequence[ReadingFigures],
    all_series: Sequence[Series],
    serials: dict[int, str],
    text: Mapping[ReadingKey, str],
) -> list[ChartedReading]:
    result: list[ChartedReading] = []
    for one, series in zip(described, all_series, strict=False):  # the first of all are described
        made = chart(series) if one.unit != "" and one.n >= FEWEST_TO_CHART else None
        if made is None:
            continue
        limits = Limits(low=one.limit_low, high=one.limit_high)
        names = [serials[int(run_id)] for run_id in series.run_ids[series.measured]]
        message = [str(caveat) for caveat in one.caveats]
        for rule in sorted({signal.rule for signal in made.signals}):
            at = [names[signal.at] for signal in made.signals if signal.rule == rule]
            message.append(f"{RUN_RULES[rule]}: {_at(at)}")
        if made.range_signals:
            message.append(
                f"a moving range beyond its limit: {_at([names[at] for at in made.range_signals])}"
            )
        result.append(
            ChartedReading(
                figures=one,
                individuals=individuals(text[one.key], one.unit, made, names, limits),
                ranges=moving_ranges(text[one.key], one.unit, made, names),
                distribution=distribution(text[one.key], one.unit, series.values[series.measured], limits),
                message=tuple(message),
            )
        )
        if len(result) == CHARTED:
            break
    return result


def _at(names: Sequence[str]) -> str:
    return f"at {names[0]}" + (f" and {len(names) - 1} more" if len(names) > 1 else "")


def _sides(series: Sequence[Series], serials: dict[int, str]) -> SideComparison | None:
    result = side_differences(series)
    if not result:
        return None
    by_key = {one.key: one for one in series}
    differing = [side for side in result if side.p_corrected <= SIDES_LEVEL]
    drawn = _few_of_a_check((side.key for side in differing), SIDES_CHARTED)
    pictures: list[tuple[ReadingKey, Markup]] = []
    for side in (side for side in differing if side.key in drawn):
        runs, first, second = shared_values(by_key[side.key], by_key[side.other])
        names = [serials[int(run_id)] for run_id in runs]
        pictures.append((side.key, differences(side, first - second, names)))
    return SideComparison(
        channels=result[0].channels,
        compared=len(result),
        differing=tuple(differing),
        pictures=tuple(pictures),
    )


def _population(one: Series) -> Population | None:
    values = one.values[one.measured]
    if values.size < FEWEST_TO_CHART:
        return None
    low, high = (float(end) for end in np.percentile(values, _NINE_IN_TEN))
    return Population(low=low, high=high, units=int(values.size))


@dataclass(frozen=True, kw_only=True)
class UnitRunView:
    """One run of a unit: its line, how far it came, and the readings that did not pass, the worst first.

    message: the fault diagnosed of one that fails.
    """

    line: RunLine
    detail: RunDetail
    not_passed: tuple[tuple[Reading, Words], ...]
    more: int  # that did not pass and are not listed
    message: str


@dataclass(frozen=True, kw_only=True)
class Trend:
    """A reading through the unit's runs, and in words what it was in the last of them."""

    label: str
    picture: Markup
    last: str
    last_run: int
    floors: bool  # whether it was lost in the bench's floor in any of them


@dataclass(frozen=True, kw_only=True)
class UnitView:
    """Everything on a unit's page; runs the latest first."""

    unit: Unit
    runs: tuple[UnitRunView, ...]
    trends: tuple[Trend, ...]
    studied: int  # units of the batch that the trends are drawn before

    @property
    def floors(self) -> bool:
        """Whether any reading drawn was lost in the bench's floor."""
        return any(one.floors for one in self.trends)

    @property
    def standing(self) -> UnitRunView:
        """The run that says how the unit stands."""
        return next(run for run in self.runs if run.line is self.unit.stands)


def view_units(store: RunStore, units: Sequence[Unit], studies: Mapping[str, BatchStudy]) -> list[UnitView]:
    """Look at some units in few queries. studies: of their batches by slug, where there is one."""
    runs = [run.run_id for unit in units for run in unit.runs]
    details = store.details(runs)
    bad = store.not_passed(run for run in runs if details[run].not_passed)
    named = diagnosed_faults(store, (run for unit in units for run in unit.runs))
    by_batch = {study.batch.key: study for study in studies.values()}
    followed = [_followed(unit, by_batch.get(unit.batch), bad) for unit in units]
    # What a unit alone did not pass is looked up for such units only: they are few, and have many readings.
    series = _look_up(store, [one for one in followed if not one.own])
    of_failed = _look_up(store, [one for one in followed if one.own])
    return [
        UnitView(
            unit=one.unit,
            runs=tuple(
                _unit_run(run, details[run.run_id], bad.get(run.run_id, ()), named)
                for run in reversed(one.unit.runs)
            ),
            trends=tuple(_trends(one, of_failed if one.own else series)),
            studied=one.study.studied if one.study else 0,
        )
        for one in followed
    ]


def _unit_run(
    line: RunLine, detail: RunDetail, bad: Iterable[Reading], named: Mapping[int, Sequence[str]]
) -> UnitRunView:
    ordered = worst_first(bad)
    listed = tuple((reading, describe(reading)) for reading in ordered[:MOST_READINGS])
    message = fault_in_words(named.get(line.run_id)) if line.outcome == "fail" else ""
    return UnitRunView(
        line=line, detail=detail, not_passed=listed, more=len(ordered) - len(listed), message=message
    )


@dataclass(frozen=True, kw_only=True)
class _Followed:
    """A unit, the runs that its trends go through, and which readings they are of."""

    unit: Unit
    study: BatchStudy | None
    runs: tuple[int, ...]
    own: tuple[ReadingKey, ...]  # what it did not pass last

    @property
    def keys(self) -> Iterable[ReadingKey]:
        """First what this unit did not pass last, then what its batch is worst at."""
        return dict.fromkeys([*self.own, *(self.study.key_readings if self.study else ())])


def _followed(unit: Unit, study: BatchStudy | None, bad: Mapping[int, list[Reading]]) -> _Followed:
    runs = tuple(run.run_id for run in unit.runs if run.outcome in COMPLETE)[-_MOST_RUNS:]
    own = worst_first(bad.get(runs[-1], ())) if runs else []
    measured = [reading.key for reading in own if reading.unit != ""]
    return _Followed(unit=unit, study=study, runs=runs, own=tuple(measured[:_MOST_OWN]))


class _Lookup:
    """A series with the index of each run in it."""

    def __init__(self, series: Series) -> None:
        self.series = series
        self.index = {int(run_id): index for index, run_id in enumerate(series.run_ids)}


def _look_up(store: RunStore, units: Sequence[_Followed]) -> dict[ReadingKey, _Lookup]:
    """Read what the trends of some units go through."""
    runs = [run for unit in units for run in unit.runs]
    keys = {key for unit in units for key in unit.keys}
    return {one.key: _Lookup(one) for one in store.series(runs, keys=keys)} if keys else {}


def _trends(followed: _Followed, series: Mapping[ReadingKey, _Lookup]) -> Iterable[Trend]:
    drawn = 0
    for key in followed.keys:
        result = series.get(key)
        points = [] if result is None else _points(result, followed.runs)
        if result is None or not points or drawn == _MOST_TRENDS:
            continue
        drawn += 1
        last = points[-1]
        low, high = result.series.limits(result.index[last.run_id])
        population = followed.study.populations.get(key) if followed.study else None
        label, unit = label_of(key), result.series.unit
        picture = trend(label, unit, points, Limits(low=low, high=high), population)
        yield Trend(
            label=label,
            picture=picture,
            last=last.in_words(unit),
            last_run=last.run_id,
            floors=any(point.floor for point in points),
        )


def _points(result: _Lookup, runs: Sequence[int]) -> list[TrendPoint]:
    series = result.series
    indices = [result.index[run] for run in runs if run in result.index]
    return [
        TrendPoint(
            run_id=int(series.run_ids[index]),
            value=float(series.values[index]),
            floor=bool(series.floor[index]),
            verdict=series.verdicts[index],
        )
        for index in indices
        if np.isfinite(series.values[index])
    ]
