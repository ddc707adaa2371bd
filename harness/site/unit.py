"""What a unit's page shows: its runs, what did not pass in them, its key readings before the batch."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from harness.reading import Reading, ReadingKey
from harness.records.history import RunDetail, RunLine, Series, label_of
from harness.records.store import RunStore
from harness.report.words import Words, describe, worst_first
from harness.site.charts import Limits, TrendPoint, trend
from harness.site.model import Unit, complete
from harness.site.study import Study
from harness.statistics.batch import diagnosed_faults, fault_in_words

MOST_READINGS = 60  # of one run that are listed; the report has them all
_MOST_TRENDS = 6
_MOST_OWN = 3  # of them, readings that this unit did not pass
_MOST_RUNS = 100  # of a unit that its trends go back to


@dataclass(frozen=True, kw_only=True)
class UnitRun:
    """One run of a unit: its line, how far it came, and the readings that did not pass, the worst first.

    said: the fault diagnosed of one that fails.
    """

    line: RunLine
    detail: RunDetail
    not_passed: tuple[tuple[Reading, Words], ...]
    more: int  # that did not pass and are not listed
    said: str


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
    runs: tuple[UnitRun, ...]
    trends: tuple[Trend, ...]
    studied: int  # units of the batch that the trends are drawn before

    @property
    def floors(self) -> bool:
        """Whether any reading drawn was lost in the bench's floor."""
        return any(one.floors for one in self.trends)

    @property
    def standing(self) -> UnitRun:
        """The run that says how the unit stands."""
        return next(run for run in self.runs if run.line is self.unit.stands)


def view_units(store: RunStore, units: Sequence[Unit], studies: Mapping[str, Study]) -> list[UnitView]:
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
) -> UnitRun:
    ordered = worst_first(bad)
    listed = tuple((reading, describe(reading)) for reading in ordered[:MOST_READINGS])
    said = fault_in_words(named.get(line.run_id)) if line.outcome == "fail" else ""
    return UnitRun(line=line, detail=detail, not_passed=listed, more=len(ordered) - len(listed), said=said)


@dataclass(frozen=True, kw_only=True)
class _Followed:
    """A unit, the runs that its trends go through, and which readings they are of."""

    unit: Unit
    study: Study | None
    runs: tuple[int, ...]
    own: tuple[ReadingKey, ...]  # what it did not pass last

    @property
    def keys(self) -> Iterable[ReadingKey]:
        """First what this unit did not pass last, then what its batch is worst at."""
        return dict.fromkeys([*self.own, *(self.study.key_readings if self.study else ())])


def _followed(unit: Unit, study: Study | None, bad: Mapping[int, list[Reading]]) -> _Followed:
    runs = tuple(run.run_id for run in complete(unit.runs)[-_MOST_RUNS:])
    own = worst_first(bad.get(runs[-1], ())) if runs else []
    measured = [reading.key for reading in own if reading.unit != ""]
    return _Followed(unit=unit, study=study, runs=runs, own=tuple(measured[:_MOST_OWN]))


class _Lookup:
    """A series with its places by run."""

    def __init__(self, series: Series) -> None:
        self.series = series
        self.place = {int(run_id): index for index, run_id in enumerate(series.run_ids)}


def _look_up(store: RunStore, units: Sequence[_Followed]) -> dict[ReadingKey, _Lookup]:
    """Read what the trends of some units go through."""
    runs = [run for one in units for run in one.runs]
    keys = {key for one in units for key in one.keys}
    return {one.key: _Lookup(one) for one in store.series(runs, keys=keys)} if keys else {}


def _trends(followed: _Followed, series: Mapping[ReadingKey, _Lookup]) -> Iterable[Trend]:
    drawn = 0
    for key in followed.keys:
        found = series.get(key)
        points = [] if found is None else _points(found, followed.runs)
        if found is None or not points or drawn == _MOST_TRENDS:
            continue
        drawn += 1
        last = points[-1]
        place = found.place[last.run_id]
        limits = Limits(
            low=_finite(found.series.limit_low[place]), high=_finite(found.series.limit_high[place])
        )
        population = followed.study.populations.get(key) if followed.study else None
        label, unit = label_of(key), found.series.unit
        picture = trend(label, unit, points, limits, population)
        yield Trend(
            label=label,
            picture=picture,
            last=last.in_words(unit),
            last_run=last.run_id,
            floors=any(point.floor for point in points),
        )


def _points(found: _Lookup, runs: Sequence[int]) -> list[TrendPoint]:
    series = found.series
    places = [found.place[run] for run in runs if run in found.place]
    return [
        TrendPoint(
            run_id=int(series.run_ids[place]),
            value=float(series.values[place]),
            floor=bool(series.floor[place]),
            verdict=series.verdicts[place],
        )
        for place in places
        if np.isfinite(series.values[place])
    ]


def _finite(limit: float) -> float | None:
    return float(limit) if np.isfinite(limit) else None
