"""Whether one thing moves in time: a golden unit, and with it the bench.

Of one run against those before it, moved is what both statistics and sense say: beyond what single values
scatter about their mean, corrected for how many readings there are, and beyond the expanded uncertainty that
the reading claims for itself. With few earlier runs there is no scatter to go by, and what the reading claims
stands for it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from harness.reading import ReadingKey
from harness.records.history import RunLine, Series
from harness.statistics.compare import holm
from harness.statistics.control_charts import finite_values
from harness.statistics.yields import COMPLETE

FEWEST_FOR_SLOPES = 5
FEWEST_FOR_SCATTER = 3
LEVEL = 0.01  # the chance to stop a bench that has not moved, over all readings together
CONFIDENCE = 0.95  # of the interval of a slope
COVERAGE = 2.0  # of a reading's expanded uncertainty
SECONDS_A_DAY = 86_400.0
MANY_RUNS = 60  # beyond, Kendall's distribution is as good as normal


@dataclass(frozen=True, kw_only=True)
class Drift:
    """A straight line through values in time: `slope` per unit of time with its interval; `p` of no trend."""

    n: int
    slope: float
    low: float
    high: float
    at_start: float  # the line at the first time
    p: float
    method: Literal["theil-sen"] = "theil-sen"
    confidence: float = CONFIDENCE

    @property
    def significant(self) -> bool:
        """Whether the interval of the slope leaves out zero."""
        return self.low > 0 or self.high < 0


def drift(times: ArrayLike, values: ArrayLike) -> Drift:
    """Fit a trend to values in time: the median of all slopes, which shrugs off an outlier run.

    times, values: shape (n,), n >= 5, times not all equal, in any unit. Sen's interval; p from Kendall's tau.
    Of less than five even all slopes are no 95 % interval. Raises ValueError.
    Sources: Theil (1950); Sen, JASA 63 (1968).
    """
    from scipy.stats import kendalltau, theilslopes

    t, v = (finite_values(array, least=FEWEST_FOR_SLOPES) for array in (times, values))
    if t.size != v.size:
        raise ValueError(f"each value needs its time, got {t.size} times and {v.size} values")
    if np.ptp(t) == 0:
        raise ValueError("all times are equal: there is no trend to find")
    if t.size <= MANY_RUNS:
        slope, low, high = _sens_slope(t, v)
    else:
        slope, _, low, high = map(float, theilslopes(v, t, alpha=CONFIDENCE))
    return Drift(
        n=t.size,
        slope=slope,
        low=low,
        high=high,
        at_start=float(np.median(v) - slope * np.median(t) + slope * t.min()),
        p=1.0 if np.ptp(v) == 0 else float(kendalltau(t, v).pvalue),
    )


def least_p_of_trend(n: int) -> float:
    """Of n values that only rise or only fall: one of all orders, and its mirror image."""
    return 2.0 / math.factorial(n)


def _sens_slope(t: NDArray[np.float64], v: NDArray[np.float64]) -> tuple[float, float, float]:
    """The median of all slopes; its interval by Kendall's own distribution, for few runs not yet normal."""
    earlier, later = np.triu_indices(t.size, 1)
    apart = t[later] != t[earlier]
    slopes = np.sort((v[later] - v[earlier])[apart] / (t[later] - t[earlier])[apart])
    # One slope fewer at each end as long as so few against the trend are rarer than the tail.
    rarer = int(np.searchsorted(_cumulated_inversions(t.size), (1.0 - CONFIDENCE) / 2.0, side="right"))
    left_out = min(max(0, rarer - 1), (slopes.size - 1) // 2)
    return float(np.median(slopes)), float(slopes[left_out]), float(slopes[-1 - left_out])


@cache
def _cumulated_inversions(n: int) -> NDArray[np.float64]:
    """The chance that a random order of n has at most 0, 1, 2, … pairs against the trend (Kendall 1938)."""
    chances = np.ones(1)
    for size in range(2, n + 1):
        chances = np.convolve(chances, np.full(size, 1.0 / size))
    return np.cumsum(chances)


@dataclass(frozen=True, kw_only=True)
class Shift:
    """One reading of the golden unit now against its history; numbers in the reading's unit.

    n: values in the history, or bounds where it has nothing else. value: None if there is none now. mean: of
    the values; of bounds the lowest. is_bound, mean_is_bound: whether that is a level which the reading lies
    below. expanded: what the reading claims. p: of a single value so far out by chance, corrected for all
    readings; None if there is no value now.
    """

    key: ReadingKey
    unit: str
    n: int
    value: float | None
    mean: float
    sigma: float | None
    expanded: float
    p: float | None
    moved: bool
    is_bound: bool = False
    mean_is_bound: bool = False

    @property
    def shift(self) -> float | None:
        """Now less the mean of the history; of bounds, the least that it must have moved by."""
        if self.value is None:
            return None
        shift = self.value - self.mean
        lower_fits, higher_fits = self.mean_is_bound, self.is_bound
        return 0.0 if (lower_fits and shift < 0.0) or (higher_fits and shift > 0.0) else shift

    @property
    def times(self) -> float:
        """How many expanded uncertainties it has moved by."""
        if self.shift is None:
            return math.inf
        return abs(self.shift) / self.expanded if self.expanded > 0 else math.inf * bool(self.shift)


def golden_shifts(series: Sequence[Series], run_id: int) -> list[Shift]:
    """Compare one run with the others of the golden unit, the furthest out first.

    series: through the history and the run. Readings without a value or a bound in the history are left out;
    one that had any and has none now has moved. A bound is compared as a bound: a reading "below -104 dB"
    has not moved from -108 dB, nor has one of -108 dB from "below -104 dB". A single future value of a normal
    population lies within t s sqrt(1 + 1/n) of the mean of n: NIST/SEMATECH e-Handbook 7.2.1 with the
    variance of a difference. Of a short history the claimed standard uncertainty is taken for s, and t for
    normal.
    """
    result = [shift for reading in series if (shift := _shift(reading, run_id)) is not None]
    tested = [index for index, shift in enumerate(result) if shift.p is not None]
    corrected = holm([result[index].p or 0.0 for index in tested])
    by_index = dict(zip(tested, map(float, corrected), strict=True))
    judged = [_judged(shift, by_index.get(index)) for index, shift in enumerate(result)]
    return sorted(
        judged, key=lambda shift: (not shift.moved, 1.0 if shift.p is None else shift.p, -shift.times)
    )


def _shift(reading: Series, run_id: int) -> Shift | None:
    now = reading.run_ids == run_id
    there = np.isfinite(reading.values)
    bounds = reading.values[there & reading.floor & ~now]
    before = reading.values[reading.measured & ~now]
    if not before.size and not bounds.size:
        return None
    n = int(before.size or bounds.size)
    value = reading.values[there & now]
    is_bound = bool(value.size) and bool(reading.floor[there & now][0])
    sigma = float(np.std(before, ddof=1)) if before.size >= FEWEST_FOR_SCATTER else None
    claimed = _claimed(reading, ~now if is_bound else now)
    result = Shift(
        key=reading.key,
        unit=reading.unit,
        n=n,
        value=float(value[0]) if value.size else None,
        mean=float(np.mean(before)) if before.size else float(np.min(bounds)),
        sigma=sigma,
        expanded=COVERAGE * claimed,
        p=None,
        moved=False,
        is_bound=is_bound,
        # Where some of a history's runs saw nothing, a value below the mean of the others is no change.
        mean_is_bound=bool(bounds.size),
    )
    return result if result.shift is None else replace(result, p=_chance(result, claimed))


def _claimed(reading: Series, chosen: NDArray[np.bool_]) -> float:
    """The standard uncertainty of the values among these; a bound has none of its own."""
    known = reading.standard[chosen & reading.measured & np.isfinite(reading.standard)]
    return float(np.median(known)) if known.size else 0.0


def _chance(shift: Shift, claimed: float) -> float:
    from scipy.special import ndtr, stdtr

    away = abs(shift.shift or 0.0)
    reach = (claimed if shift.sigma is None else shift.sigma) * math.sqrt(1.0 + 1.0 / shift.n)
    if reach == 0:
        return float(away == 0)
    return 2.0 * float(ndtr(-away / reach) if shift.sigma is None else stdtr(shift.n - 1, -away / reach))


def _judged(shift: Shift, p: float | None) -> Shift:
    moved = shift.shift is None or p is None or (p <= LEVEL and abs(shift.shift) > shift.expanded)
    return replace(shift, p=p, moved=moved)


@dataclass(frozen=True, kw_only=True)
class ReadingDrift:
    """How one reading of the golden unit moves, a day; `p` corrected for all of them."""

    key: ReadingKey
    unit: str
    drift: Drift
    p_corrected: float


def golden_drift(runs: Sequence[RunLine], series: Sequence[Series]) -> list[ReadingDrift]:
    """How the readings of one unit, run again and again, move a day (Theil-Sen); the surest first.

    runs: of that unit, oldest first; series: through these. Readings with less than five values, or made at
    one time, have no trend.
    """
    days = {run.run_id: run.started.timestamp() / SECONDS_A_DAY for run in runs if run.outcome in COMPLETE}
    start = min(days.values(), default=0.0)
    result: list[tuple[Series, Drift]] = []
    for reading in series:
        begun = np.array([days.get(run_id, np.nan) for run_id in reading.run_ids.tolist()])
        chosen = reading.measured & np.isfinite(begun)
        times = begun[chosen] - start
        if times.size >= FEWEST_FOR_SLOPES and np.ptp(times) > 0:
            result.append((reading, drift(times, reading.values[chosen])))
    corrected = holm([moving.p for _, moving in result])
    drifts = [
        ReadingDrift(key=reading.key, unit=reading.unit, drift=moving, p_corrected=float(p))
        for (reading, moving), p in zip(result, corrected, strict=True)
    ]
    return sorted(drifts, key=lambda moving: (moving.p_corrected, moving.drift.p))
