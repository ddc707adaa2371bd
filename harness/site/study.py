"""A batch looked at: its yields, what it fails by, its readings in figures and those in doubt in charts."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from markupsafe import Markup

from harness.records.history import ReadingKey, RunLine, Series
from harness.records.store import RunStore
from harness.site.charts import (
    Limits,
    Population,
    YieldGroup,
    distribution,
    individuals,
    yield_chart,
    yield_groups,
)
from harness.site.model import BatchOfUnits
from harness.statistics.batch import Batch, ReadingFigures, chart, figures
from harness.statistics.control import RUN_RULES
from harness.statistics.yields import ParetoLine, first_complete_runs, pareto

LATEST_UNITS = 200
"""Figures and charts of readings are of so many units, the latest; yields and causes are of all."""

CHARTED = 12
FEWEST_TO_CHART = 5
_KEY_READINGS = 6
_OF_ONE_CHECK = 2
_MIDDLE = (5.0, 50.0, 95.0)  # percentiles between which nine in ten lie


@dataclass(frozen=True, kw_only=True)
class ChartedReading:
    """A reading with its pictures and what its chart says in words."""

    figures: ReadingFigures
    individuals: Markup
    distribution: Markup
    said: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Study:
    """A batch and its figures. `figures` the least capable first; `charted` the first of them."""

    batch: BatchOfUnits
    studied: int  # units that the figures are of
    groups: tuple[YieldGroup, ...]
    yield_picture: Markup | None
    faults: tuple[ParetoLine, ...]
    checks: tuple[ParetoLine, ...]
    readings: tuple[ParetoLine, ...]
    figures: tuple[ReadingFigures, ...]
    charted: tuple[ChartedReading, ...]
    populations: dict[ReadingKey, Population]

    @cached_property
    def key_readings(self) -> list[ReadingKey]:
        """Readings that are worth following in every unit: the least capable, few of one check."""
        chosen: list[ReadingKey] = []
        for one in self.figures:
            of_check = sum(key.check == one.key.check for key in chosen)
            if one.key in self.populations and one.key.unit != "" and of_check < _OF_ONE_CHECK:
                chosen.append(one.key)
        return chosen[:_KEY_READINGS]


def study_batch(store: RunStore, batch: BatchOfUnits) -> Study:
    """Look at a batch: all of its runs for yields and causes, its latest units for the readings."""
    firsts = first_complete_runs(batch.runs)
    latest = firsts[-LATEST_UNITS:]
    series = store.series(run.run_id for run in latest)
    whole = Batch(lines=batch.runs, firsts=tuple(latest), series=tuple(series))
    by_key = {one.key: one for one in whole.series}
    described = sorted((figures(one) for one in whole.series), key=_least_capable_first)
    groups = yield_groups(firsts)
    faults, checks, readings = _causes(store, firsts)
    return Study(
        batch=batch,
        studied=len(latest),
        groups=tuple(groups),
        yield_picture=yield_chart(groups) if groups else None,
        faults=tuple(faults),
        checks=tuple(checks),
        readings=tuple(readings),
        figures=tuple(described),
        charted=tuple(_charted(described, by_key, latest)),
        populations={key: found for key, one in by_key.items() if (found := _population(one)) is not None},
    )


def _causes(
    store: RunStore, firsts: Sequence[RunLine]
) -> tuple[list[ParetoLine], list[ParetoLine], list[ParetoLine]]:
    """What units failed by at first: faults diagnosed, checks, readings, each once a unit."""
    bad = [run.run_id for run in firsts if run.outcome != "pass"]
    found = store.not_passed(bad)
    checks = pareto(check for some in found.values() for check in {one.check for one in some})
    labels = pareto(label for some in found.values() for label in {key_of(one).label for one in some})
    events = store.latest_events("diagnosis", bad)
    named = {run: json.loads(event.text)["faults"] for run, event in events.items()}
    diagnosed = Batch(lines=(), firsts=tuple(firsts), series=(), diagnosed=named).diagnosed_faults
    return diagnosed, checks, labels


def key_of(reading: object) -> ReadingKey:
    """What makes a reading the same in another run."""
    return ReadingKey(**{name: getattr(reading, name) for name in ReadingKey.__dataclass_fields__})


def _least_capable_first(found: ReadingFigures) -> tuple[bool, float, str]:
    if found.capability is None:
        return True, -float(found.not_passed), found.key.label
    return False, found.capability.cpk.value, found.key.label


def _charted(
    described: Sequence[ReadingFigures], by_key: dict[ReadingKey, Series], runs: Sequence[RunLine]
) -> list[ChartedReading]:
    serials = {run.run_id: run.serial for run in runs}
    found: list[ChartedReading] = []
    for one in described:
        series = by_key[one.key]
        made = chart(series) if one.key.unit != "" and one.n >= FEWEST_TO_CHART else None
        if made is None or len(found) == CHARTED:
            continue
        limits = Limits(low=one.limit_low, high=one.limit_high)
        names = [serials[int(run_id)] for run_id in series.run_ids[series.measured]]
        said = [str(doubt) for doubt in one.doubts]
        for rule in sorted({signal.rule for signal in made.signals}):
            at = [names[signal.at] for signal in made.signals if signal.rule == rule]
            more = f" and {len(at) - 1} more" if len(at) > 1 else ""
            said.append(f"{RUN_RULES[rule]}: at {at[0]}{more}")
        found.append(
            ChartedReading(
                figures=one,
                individuals=individuals(one.key.label, one.key.unit, made, names, limits),
                distribution=distribution(
                    one.key.label, one.key.unit, series.values[series.measured], limits
                ),
                said=tuple(said),
            )
        )
    return found


def _population(one: Series) -> Population | None:
    values = one.values[one.measured]
    if values.size < FEWEST_TO_CHART:
        return None
    low, middle, high = (float(end) for end in np.percentile(values, _MIDDLE))
    return Population(low=low, middle=middle, high=high, units=int(values.size))
