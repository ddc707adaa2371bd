"""How much of what differs between units is the bench: repeatability and reproducibility.

A crossed study: every unit is measured several times under each of several conditions, called appraisers in
the trade. For an automatic bench an appraiser is a complete fresh setup, an operator, a day or a bench; the
re-plugging must be inside the study. Source: AIAG, Measurement Systems Analysis, 4th edition (2010),
chapter III section B; NIST/SEMATECH e-Handbook 2.4.
"""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from harness.reading import ReadingKey
from harness.records.history import RunLine, Series, label_of
from harness.statistics.yields import COMPLETE
from harness.units import counted

By = Literal["operator", "bench", "day"]

STUDY_SIGMAS = 6.0
CONFIDENCE = 0.95
POOL_ABOVE_P = 0.25
"""An interaction with a p above this is counted as repeatability (AIAG MSA, 4th edition, as quoted)."""

NDC_FACTOR = 1.41
"""What the manual prints for the square root of two."""


@dataclass(frozen=True, kw_only=True)
class AnovaRow:
    """One line of an analysis of variance; `f` and `p` are None if nothing is tested."""

    source: str
    freedom: int
    sum_of_squares: float
    mean_square: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True, kw_only=True)
class GaugeComponent:
    """One component of a gauge study: its sigma, and that in per cent of the whole and of the tolerance."""

    sigma: float
    contribution_percent: float  # of the total variance
    study_percent: float  # of the total sigma
    tolerance_percent: float | None  # STUDY_SIGMAS sigmas of the tolerance's width


@dataclass(frozen=True, kw_only=True)
class GaugeStudy:
    """The result of a study. `interaction` is None if it was pooled into the repeatability.

    gauge_low, gauge_high: the 95 % interval of the gauge's sigma. Two or three appraisers leave it wide at
    its upper end, however many the trials.
    """

    units: int
    appraisers: int
    trials: int
    repeatability: GaugeComponent
    reproducibility: GaugeComponent
    gauge: GaugeComponent  # both together
    gauge_low: float
    gauge_high: float
    unit: GaugeComponent  # between units
    total: GaugeComponent
    categories: int  # number of distinct categories
    table: tuple[AnovaRow, ...]
    interaction: float | None  # its sigma, within reproducibility
    caveats: tuple[str, ...]
    method: Literal["anova"] = "anova"


def tolerance_width(low: float | None, high: float | None, mean: float) -> float | None:
    """Width of the tolerance: between both limits, or twice the distance from the mean to the only one."""
    if low is not None and high is not None:
        return high - low
    limit = low if high is None else high
    return None if limit is None else 2.0 * abs(mean - limit)


def gauge_anova(
    values: ArrayLike, *, tolerance: float | None = None, pool_above_p: float = POOL_ABOVE_P
) -> GaugeStudy:
    """Analyse a crossed study by its variances.

    values: shape (units, appraisers, trials), all of two or more, finite. tolerance: the limits' width.
    The interaction is tested, and pooled into the repeatability where its p is above `pool_above_p`. A
    component that comes out below zero is zero. Raises ValueError.
    Source: AIAG MSA, 4th edition, chapter III section B, analysis of variance method.
    """
    data = _crossed(values)
    units, appraisers, trials = data.shape
    of_unit, of_appraiser, of_both, of_trial = _sums_of_squares(data)
    freedom_both, freedom_trial = (units - 1) * (appraisers - 1), units * appraisers * (trials - 1)
    trial = of_trial / freedom_trial
    crossed = _row("unit x appraiser", freedom_both, of_both, trial, freedom_trial)
    both = crossed.mean_square
    pooled = crossed.p is not None and crossed.p > pool_above_p
    freedom = freedom_both + freedom_trial if pooled else freedom_both
    repeat = (of_both + of_trial) / freedom if pooled else trial
    error = repeat if pooled else both
    by_unit = _row("unit", units - 1, of_unit, error, freedom)
    by_appraiser = _row("appraiser", appraisers - 1, of_appraiser, error, freedom)
    repeats = AnovaRow(
        source="repeatability", freedom=freedom_trial, sum_of_squares=of_trial, mean_square=trial
    )
    interaction = 0.0 if pooled else max(0.0, (both - trial) / trials)
    return _study(
        data.shape,
        interval=_gauge_interval(
            data.shape, by_appraiser.mean_square, both=None if pooled else both, error=repeat
        ),
        repeat=repeat,
        reproduce=max(0.0, (by_appraiser.mean_square - error) / (units * trials)) + interaction,
        unit=max(0.0, (by_unit.mean_square - error) / (appraisers * trials)),
        tolerance=tolerance,
        table=(by_unit, by_appraiser, crossed, repeats),
        interaction=None if pooled else math.sqrt(interaction),
    )


def _gauge_interval(
    shape: tuple[int, ...], by_appraiser: float, *, both: float | None, error: float
) -> tuple[float, float]:
    """The interval of the gauge's variance, from the mean squares that add up to it.

    both: of the interaction, None if it is pooled into the error. Modified large samples: Graybill and
    Wang, Journal of the American Statistical Association 75 (1980); for gauge studies Burdick, Borror and
    Montgomery, Journal of Quality Technology 35 (2003).
    """
    from scipy.special import gammainccinv

    units, appraisers, trials = shape
    in_each = units * trials  # values of one appraiser
    inner = (units - 1) * (appraisers - 1)
    outer = units * appraisers * (trials - 1)
    parts = [(by_appraiser / in_each, appraisers - 1)]
    if both is None:
        parts.append((error * (in_each - 1) / in_each, inner + outer))
    else:
        parts += [(both * (units - 1) / in_each, inner), (error * (trials - 1) / trials, outer)]
    tail = (1.0 - CONFIDENCE) / 2.0
    below = above = 0.0
    for part, freedom in parts:
        most, least = (2.0 * float(gammainccinv(freedom / 2.0, share)) for share in (tail, 1.0 - tail))
        below += (part * (1.0 - freedom / most)) ** 2
        above += (part * (freedom / least - 1.0)) ** 2
    middle = sum(part for part, _ in parts)
    return max(0.0, middle - math.sqrt(below)), middle + math.sqrt(above)


def _crossed(values: ArrayLike) -> NDArray[np.float64]:
    data = np.asarray(values, dtype=np.float64)
    if data.ndim != 3 or min(data.shape) < 2:
        raise ValueError(
            f"a crossed study needs the shape (units, appraisers, trials), two or more each; got {data.shape}"
        )
    if not np.isfinite(data).all():
        raise ValueError("a crossed study needs every value; repeat what is missing")
    return data


def _sums_of_squares(data: NDArray[np.float64]) -> tuple[float, float, float, float]:
    """Of units, of appraisers, of their interaction, and of repeats."""
    units, appraisers, trials = data.shape
    cells = data.mean(axis=2)
    by_unit, by_appraiser, grand = cells.mean(axis=1), cells.mean(axis=0), cells.mean()
    inner = cells - by_unit[:, None] - by_appraiser[None, :] + grand
    return (
        appraisers * trials * float(((by_unit - grand) ** 2).sum()),
        units * trials * float(((by_appraiser - grand) ** 2).sum()),
        trials * float((inner**2).sum()),
        float(((data - cells[:, :, None]) ** 2).sum()),
    )


def _row(source: str, freedom: int, square: float, error: float, error_freedom: int) -> AnovaRow:
    from scipy.special import fdtrc

    mean = square / freedom
    f = mean / error if error > 0 else (math.inf if mean > 0 else 0.0)
    p = float(fdtrc(freedom, error_freedom, f))
    return AnovaRow(source=source, freedom=freedom, sum_of_squares=square, mean_square=mean, f=f, p=p)


def _study(
    shape: tuple[int, ...],
    *,
    interval: tuple[float, float],
    repeat: float,
    reproduce: float,
    unit: float,
    tolerance: float | None,
    table: tuple[AnovaRow, ...],
    interaction: float | None,
) -> GaugeStudy:
    """Put variances together."""
    gauge = repeat + reproduce
    total = gauge + unit
    # A component below zero was taken for zero: the interval is still that of the sum, and holds it.
    low, high = min(interval[0], gauge), max(interval[1], gauge)

    def component(variance: float) -> GaugeComponent:
        sigma = math.sqrt(variance)
        return GaugeComponent(
            sigma=sigma,
            contribution_percent=100.0 * variance / total if total > 0 else 0.0,
            study_percent=100.0 * math.sqrt(variance / total) if total > 0 else 0.0,
            tolerance_percent=100.0 * STUDY_SIGMAS * sigma / tolerance if tolerance else None,
        )

    return GaugeStudy(
        units=shape[0],
        appraisers=shape[1],
        trials=shape[2],
        repeatability=component(repeat),
        reproducibility=component(reproduce),
        gauge=component(gauge),
        gauge_low=math.sqrt(low),
        gauge_high=math.sqrt(high),
        unit=component(unit),
        total=component(total),
        categories=math.floor(NDC_FACTOR * math.sqrt(unit / gauge)) if gauge > 0 else 0,
        table=table,
        interaction=interaction,
        caveats=() if gauge > 0 else ("no spread between repeats at all: the resolution hides it",),
    )


# A study from runs in the records: the same units, run several times under several conditions.


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
    trials = min((len(cells[unit, appraiser]) for unit in units for appraiser in appraisers), default=0)
    if min(len(units), len(appraisers), trials) < 2:
        raise ValueError(
            f"the runs cross {counted(len(units), 'unit')} with {counted(len(appraisers), by)}, "
            f"{counted(trials, 'time')} each; a study needs two or more of each"
        )
    return Crossing(
        units=tuple(units),
        appraisers=tuple(appraisers),
        trials=trials,
        runs=tuple(
            tuple(tuple(cells[unit, appraiser][:trials]) for appraiser in appraisers) for unit in units
        ),
        left_out=len(complete) - len(units) * len(appraisers) * trials,
    )


def studies(crossing: Crossing, series: Sequence[Series]) -> list[ReadingStudy]:
    """Study every reading of a crossing by analysis of variance, the largest share of its tolerance first.

    series: through the runs of the crossing (or more). A reading that some run lacks a value of has no study.
    """
    return sorted((_study_of(crossing, reading) for reading in series), key=_by_share)


def _study_of(crossing: Crossing, reading: Series) -> ReadingStudy:
    measured = reading.measured
    values = dict(zip(reading.run_ids[measured].tolist(), reading.values[measured].tolist(), strict=True))
    wanted = [run for unit in crossing.runs for appraiser in unit for run in appraiser]
    absent = sum(run not in values for run in wanted)
    if reading.unit == "" or absent:
        reason = (
            f"{absent} of {len(wanted)} runs have no value"
            if reading.unit
            else "a polarity has no spread to study"
        )
        return ReadingStudy(key=reading.key, unit=reading.unit, study=None, reason=reason)
    data = np.array([values[run] for run in wanted]).reshape(np.shape(crossing.runs))
    tolerance = tolerance_width(*reading.limits(), float(data.mean()))
    study = gauge_anova(data, tolerance=tolerance)
    return ReadingStudy(key=reading.key, unit=reading.unit, study=study, reason="")


def _appraiser(run: RunLine, by: By) -> str:
    match by:
        case "operator":
            return run.operator or "nobody named"
        case "bench":
            return run.bench_name
        case "day":
            return f"{run.started:%Y-%m-%d}"


def _by_share(result: ReadingStudy) -> tuple[float, str]:
    share = None if result.study is None else result.study.gauge.tolerance_percent
    return (1.0 if share is None else -share), label_of(result.key)
