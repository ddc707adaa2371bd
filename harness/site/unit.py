"""What a unit's page shows: its runs, what did not pass in them, its key readings before the batch."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from harness.reading import Reading
from harness.records.history import ReadingKey, RunLine, Series
from harness.records.overview import RunDetail
from harness.records.store import RunStore
from harness.report.words import Words, describe, worst_first
from harness.site.charts import Limits, TrendPoint, trend
from harness.site.model import Unit, complete
from harness.site.study import Study, key_of

MOST_READINGS = 60  # of one run that are listed; the report has them all
_MOST_TRENDS = 6
_MOST_OWN = 3  # of them, readings that this unit did not pass
_MOST_RUNS = 100  # of a unit that its trends go back to


@dataclass(frozen=True, kw_only=True)
class UnitRun:
    """One run of a unit: its line, how far it came, and the readings that did not pass, the worst first."""

    line: RunLine
    detail: RunDetail
    not_passed: tuple[tuple[Reading, Words], ...]
    more: int  # that did not pass and are not listed


@dataclass(frozen=True, kw_only=True)
class Trend:
    """A reading through the unit's runs."""

    key: ReadingKey
    picture: Markup


@dataclass(frozen=True, kw_only=True)
class UnitView:
    """Everything on a unit's page; runs the latest first."""

    unit: Unit
    runs: tuple[UnitRun, ...]
    trends: tuple[Trend, ...]
    studied: int  # units of the batch that the trends are drawn before


def view_units(store: RunStore, units: Sequence[Unit], studies: Mapping[str, Study]) -> list[UnitView]:
    """Look at some units in few queries. studies: of their batches by slug, where there is one."""
    runs = [run.run_id for unit in units for run in unit.runs]
    details, bad = store.details(runs), store.not_passed(runs)
    verdicts = [run.run_id for unit in units for run in complete(unit.runs)[-_MOST_RUNS:]]
    by_batch = {study.batch.key: study for study in studies.values()}
    here = {unit.batch for unit in units}
    keys = {key for batch in here & by_batch.keys() for key in by_batch[batch].key_readings}
    keys |= {key_of(reading) for some in bad.values() for reading in some}
    series = {one.key: _Lookup(one) for one in store.series(verdicts, keys=keys)} if keys else {}
    views = []
    for unit in units:
        study = by_batch.get(unit.batch)
        shown = tuple(
            _unit_run(run, details[run.run_id], bad.get(run.run_id, ())) for run in reversed(unit.runs)
        )
        views.append(
            UnitView(
                unit=unit,
                runs=shown,
                trends=tuple(_trends(unit, bad, series, study)),
                studied=study.studied if study else 0,
            )
        )
    return views


def _unit_run(line: RunLine, detail: RunDetail, bad: Iterable[Reading]) -> UnitRun:
    ordered = worst_first(bad)
    listed = tuple((reading, describe(reading)) for reading in ordered[:MOST_READINGS])
    return UnitRun(line=line, detail=detail, not_passed=listed, more=len(ordered) - len(listed))


class _Lookup:
    """A series with its places by run."""

    def __init__(self, series: Series) -> None:
        self.series = series
        self.place = {int(run_id): index for index, run_id in enumerate(series.run_ids)}


def _trends(
    unit: Unit, bad: Mapping[int, list[Reading]], series: Mapping[ReadingKey, _Lookup], study: Study | None
) -> Iterable[Trend]:
    """First what this unit did not pass last, then what its batch is worst at."""
    runs = [run.run_id for run in complete(unit.runs)][-_MOST_RUNS:]
    if not runs:
        return
    own = [key_of(reading) for reading in worst_first(bad.get(runs[-1], ()))]
    own = [key for key in own if key.unit != ""][:_MOST_OWN]
    common = study.key_readings if study else []
    drawn = 0
    for key in dict.fromkeys([*own, *common]):
        found = series.get(key)
        points = [] if found is None else _points(found, runs)
        if found is None or not points or drawn == _MOST_TRENDS:
            continue
        drawn += 1
        last = found.place[points[-1].run_id]
        limits = Limits(
            low=_finite(found.series.limit_low[last]), high=_finite(found.series.limit_high[last])
        )
        population = study.populations.get(key) if study else None
        yield Trend(key=key, picture=trend(key.label, key.unit, points, limits, population))


def _points(found: _Lookup, runs: Sequence[int]) -> list[TrendPoint]:
    series = found.series
    places = [found.place[run] for run in runs if run in found.place]
    return [
        TrendPoint(
            run_id=int(series.run_ids[place]),
            value=float(series.values[place]),
            verdict=series.verdicts[place],
        )
        for place in places
        if np.isfinite(series.values[place])
    ]


def _finite(limit: float) -> float | None:
    return float(limit) if np.isfinite(limit) else None
