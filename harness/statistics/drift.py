"""Whether one thing moves in time: a golden unit, and with it the bench."""

import math
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from harness.statistics.control import finite_values

FEWEST_FOR_SLOPES = 5
MANY_RUNS = 60  # beyond, Kendall's distribution is as good as normal
Method = Literal["theil-sen", "regression"]


@dataclass(frozen=True, kw_only=True)
class Drift:
    """A straight line through values in time: `slope` per unit of time with its interval; `p` of no trend."""

    n: int
    slope: float
    low: float
    high: float
    at_start: float  # the line at the first time
    p: float
    method: Method
    confidence: float

    @property
    def significant(self) -> bool:
        """Whether the interval of the slope leaves out zero."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True, kw_only=True)
class Line:
    """A least-squares line with the standard deviations of its parameters and of what it leaves."""

    slope: float
    intercept: float
    slope_standard: float
    intercept_standard: float
    residual_sigma: float
    freedom: int


def drift(
    times: ArrayLike, values: ArrayLike, *, method: Method = "theil-sen", confidence: float = 0.95
) -> Drift:
    """Fit a trend to values in time.

    times, values: shape (n,), n >= 5 (the regression 3), times not all equal, in any unit. Theil-Sen takes
    the median of all slopes (Sen's interval; p from Kendall's tau) and shrugs off a stray run: of less than
    five even all slopes are no 95 % interval. The regression is least squares with Student's t.
    Raises ValueError. Sources: Theil (1950); Sen, JASA 63 (1968); NIST/SEMATECH e-Handbook 4.4 for least
    squares.
    """
    t, v = _checked(times, values, least=3 if method == "regression" else FEWEST_FOR_SLOPES)
    if method == "regression":
        return _regression(t, v, confidence)
    from scipy.stats import kendalltau, theilslopes

    if t.size <= MANY_RUNS:
        slope, low, high = _sens_slope(t, v, confidence)
    else:
        slope, _, low, high = map(float, theilslopes(v, t, alpha=confidence))
    tau_p = 1.0 if np.ptp(v) == 0 else float(kendalltau(t, v).pvalue)
    return Drift(
        n=t.size,
        slope=slope,
        low=low,
        high=high,
        at_start=float(np.median(v) - slope * np.median(t) + slope * t.min()),
        p=tau_p,
        method=method,
        confidence=confidence,
    )


def least_p_of_trend(n: int) -> float:
    """Of n values that only rise or only fall: one of all orders, and its mirror image."""
    return 2.0 / math.factorial(n)


def _sens_slope(
    t: NDArray[np.float64], v: NDArray[np.float64], confidence: float
) -> tuple[float, float, float]:
    """The median of all slopes; its interval by Kendall's own distribution, for few runs not yet normal."""
    one, other = np.triu_indices(t.size, 1)
    apart = t[other] != t[one]
    slopes = np.sort((v[other] - v[one])[apart] / (t[other] - t[one])[apart])
    # One slope fewer at each end as long as so few against the trend are rarer than the tail.
    rarer = int(np.searchsorted(_cumulated_inversions(t.size), (1.0 - confidence) / 2.0, side="right"))
    left_out = min(max(0, rarer - 1), (slopes.size - 1) // 2)
    return float(np.median(slopes)), float(slopes[left_out]), float(slopes[-1 - left_out])


@cache
def _cumulated_inversions(n: int) -> NDArray[np.float64]:
    """The chance that a random order of n has at most 0, 1, 2, … pairs against the trend (Kendall 1938)."""
    chances = np.ones(1)
    for size in range(2, n + 1):
        chances = np.convolve(chances, np.full(size, 1.0 / size))
    return np.cumsum(chances)


def least_squares_line(x: ArrayLike, y: ArrayLike) -> Line:
    """Fit y = intercept + slope x. x, y: shape (n,), n >= 3, x not all equal; else ValueError.

    Source: NIST/SEMATECH e-Handbook 4.4.3.
    """
    a, b = _checked(x, y)
    n, x_mean, y_mean = a.size, float(np.mean(a)), float(np.mean(b))
    spread = float(np.sum((a - x_mean) ** 2))
    slope = float(np.sum((a - x_mean) * (b - y_mean))) / spread
    left = (b - y_mean) - slope * (a - x_mean)
    sigma = math.sqrt(float(np.sum(left**2)) / (n - 2))
    return Line(
        slope=slope,
        intercept=y_mean - slope * x_mean,
        slope_standard=sigma / math.sqrt(spread),
        intercept_standard=sigma * math.sqrt(1.0 / n + x_mean**2 / spread),
        residual_sigma=sigma,
        freedom=n - 2,
    )


def _regression(t: NDArray[np.float64], v: NDArray[np.float64], confidence: float) -> Drift:
    from scipy.special import stdtr, stdtrit

    line = least_squares_line(t, v)
    half = float(stdtrit(line.freedom, (1.0 + confidence) / 2.0)) * line.slope_standard
    if line.slope_standard == 0:
        p = 1.0 if line.slope == 0 else 0.0
    else:
        p = 2.0 * float(stdtr(line.freedom, -abs(line.slope) / line.slope_standard))
    return Drift(
        n=t.size,
        slope=line.slope,
        low=line.slope - half,
        high=line.slope + half,
        at_start=line.intercept + line.slope * float(t.min()),
        p=p,
        method="regression",
        confidence=confidence,
    )


def _checked(
    first: ArrayLike, second: ArrayLike, *, least: int = 3
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    a, b = finite_values(first, least=least), finite_values(second, least=least)
    if a.size != b.size:
        raise ValueError(f"each value needs its time, got {a.size} times and {b.size} values")
    if np.ptp(a) == 0:
        raise ValueError("all times are equal: there is no trend to find")
    return a, b
