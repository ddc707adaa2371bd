"""A gauge study from runs in the records: the same units, run several times under several conditions."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from harness.reading import ReadingKey
from harness.records.history import RunLine, Series, label_of
from harness.statistics.gauge import GaugeStudy, gauge_anova, tolerance_width
from harness.statistics.yields import COMPLETE
from harness.units import counted

By = Literal["operator", "bench", "day"]


@dataclass(frozen=True, kw_only=True)
class Crossing:
    """Runs laid out as a crossed study: run numbers by unit and appraiser, as many trials in each.

    `left_out`: complete runs that did not fit (a unit that some appraiser never ran, a trial too many).
    """

    units: tuple[str, ...]
    appraisers: tuple[str, ...]
    trials: int
    runs: tuple[tuple[tuple[int, ...], ...], ...]  # [unit][appraiser][trial]
    left_out: int


@dataclass(frozen=True, kw_only=True)
class ReadingStudy:
    """One reading's study, or None with the reason why it has none."""

    key: ReadingKey
    unit: str
    study: GaugeStudy | None
    reason: str


def cross(runs: Sequence[RunLine], *, by: By) -> Crossing:
    """Lay complete runs out by unit and operator, bench or day (UTC), oldest first.

    Units that some appraiser never ran are left out, and trials beyond the fewest of any cell. Raises
    ValueError where less than two units, appraisers or trials remain.
    """
    cells: defaultdict[tuple[str, str], list[int]] = defaultdict(list)
    complete = [run for run in runs if run.outcome in COMPLETE]
    for run in complete:
        cells[run.serial, _appraiser(run, by)].append(run.run_id)
    appraisers = sorted({appraiser for _, appraiser in cells})
    units = [
        serial
        for serial in dict.fromkeys(run.serial for run in complete)
        if all((serial, appraiser) in cells for appraiser in appraisers)
    ]
    trials = min((len(cells[unit, one]) for unit in units for one in appraisers), default=0)
    if min(len(units), len(appraisers), trials) < 2:
        raise ValueError(
            f"the runs cross {counted(len(units), 'unit')} with {counted(len(appraisers), by)}, "
            f"{counted(trials, 'time')} each; a study needs two or more of each"
        )
    return Crossing(
        units=tuple(units),
        appraisers=tuple(appraisers),
        trials=trials,
        runs=tuple(tuple(tuple(cells[unit, one][:trials]) for one in appraisers) for unit in units),
        left_out=len(complete) - len(units) * len(appraisers) * trials,
    )


def studies(crossing: Crossing, series: Sequence[Series]) -> list[ReadingStudy]:
    """Study every reading of a crossing by analysis of variance, the largest share of its tolerance first.

    series: through the runs of the crossing (or more). A reading that some run lacks a value of has no study.
    """
    found = [_study(crossing, one) for one in series]
    return sorted(found, key=_order)


def _study(crossing: Crossing, one: Series) -> ReadingStudy:
    if one.unit == "":
        return ReadingStudy(
            key=one.key, unit=one.unit, study=None, reason="a polarity has no spread to study"
        )
    values: Mapping[int, float] = dict(
        zip(one.run_ids[one.measured].tolist(), one.values[one.measured].tolist(), strict=True)
    )
    wanted = [run for unit in crossing.runs for appraiser in unit for run in appraiser]
    absent = sum(run not in values for run in wanted)
    if absent:
        return ReadingStudy(
            key=one.key, unit=one.unit, study=None, reason=f"{absent} of {len(wanted)} runs have no value"
        )
    data = np.array([values[run] for run in wanted]).reshape(np.shape(crossing.runs))
    low, high = float(one.limit_low[-1]), float(one.limit_high[-1])
    tolerance = tolerance_width(
        low if np.isfinite(low) else None, high if np.isfinite(high) else None, float(data.mean())
    )
    return ReadingStudy(key=one.key, unit=one.unit, study=gauge_anova(data, tolerance=tolerance), reason="")


def _appraiser(run: RunLine, by: By) -> str:
    match by:
        case "operator":
            return run.operator or "nobody named"
        case "bench":
            return run.bench_name
        case "day":
            return f"{run.started:%Y-%m-%d}"


def _order(found: ReadingStudy) -> tuple[float, str]:
    share = None if found.study is None else found.study.gauge.tolerance_percent
    return (1.0 if share is None else -share), label_of(found.key)
