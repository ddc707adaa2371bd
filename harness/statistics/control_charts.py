"""Is the process in hand? Control charts for single values in the order they were made.

Individuals and moving ranges with the eight run rules, EWMA and tabular CUSUM. Sources: NIST/SEMATECH
e-Handbook of Statistical Methods 6.3.2; D. C. Montgomery, Introduction to Statistical Quality Control,
chapters 6 and 9; for the run rules L. S. Nelson, Journal of Quality Technology 16 (1984) 237-239.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


D2 = 2.0 / math.sqrt(math.pi)
"""Mean range of two values, in sigmas: the individuals' limits are at 3 / D2 = 2.66 mean moving ranges."""

D4 = 1.0 + 3.0 * math.sqrt(2.0 - D2**2) / D2
"""The upper limit of the range of two values over its mean; tables print 3.267."""

RUN_RULES = {
    1: "one point beyond three sigma",
    2: "nine points in a row on one side of the centre",
    3: "six points in a row, each higher (or each lower) than the one before",
    4: "fourteen points in a row going up and down by turns",
    5: "two of three points beyond two sigma on the same side",
    6: "four of five points beyond one sigma on the same side",
    7: "fifteen points in a row within one sigma of the centre",
    8: "eight points in a row none of which lies within one sigma, on both sides",
}
"""Nelson's eight tests for special causes, in our own words."""


FEWEST_FOR_STABILITY = 8
ROUNDING = 1e-12
SMALLEST = 1e-150  # less than anything measured, and what is smaller has no square


@dataclass(frozen=True, kw_only=True)
class Signal:
    """A run rule that is met: which, at which point (index from 0), and the points it is made of."""

    rule: int
    at: int
    points: tuple[int, ...]

    @property
    def sentence(self) -> str:
        """The rule in words."""
        return RUN_RULES[self.rule]


@dataclass(frozen=True, kw_only=True, eq=False)
class IndividualsChart:
    """Individuals, shape (n,), and moving ranges, shape (n - 1,), from each point to the next."""

    values: Floats
    ranges: Floats
    centre: float
    sigma: float  # from the mean moving range
    lower: float
    upper: float
    mean_range: float
    upper_range: float

    @cached_property
    def signals(self) -> tuple[Signal, ...]:
        """Where a run rule is met."""
        return run_signals(self.values, centre=self.centre, sigma=self.sigma)

    @property
    def range_signals(self) -> tuple[int, ...]:
        """Points (index from 0) whose moving range, from the point before, is beyond its limit."""
        return tuple(int(at) + 1 for at in np.flatnonzero(self.ranges > self.upper_range))


@dataclass(frozen=True, kw_only=True, eq=False)
class EwmaChart:
    """Exponentially weighted moving average and its limits, shape (n,), and the points outside them."""

    average: Floats
    lower: Floats
    upper: Floats
    signals: tuple[int, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class CusumChart:
    """Cumulative sums above and below the target, shape (n,), and the points where one passes `decision`."""

    high: Floats
    low: Floats
    decision: float
    signals: tuple[int, ...]


def individuals_chart(values: ArrayLike) -> IndividualsChart:
    """Chart single values in the order they were made.

    values: shape (n,), n >= 2, finite. Values that do not vary at all have limits at the centre and no
    signals. Raises ValueError for less than two values. Source: NIST/SEMATECH e-Handbook 6.3.2.2.
    """
    data = finite_values(values, least=2)
    moves = varies(data)
    ranges = moving_ranges(data) if moves else np.zeros(data.size - 1)
    mean_range = float(np.mean(ranges))
    centre = float(np.mean(data)) if moves else float(data[0])  # free of the mean's rounding
    sigma = mean_range / D2
    return IndividualsChart(
        values=data if moves else np.full(data.size, centre),
        ranges=ranges,
        centre=centre,
        sigma=sigma,
        lower=centre - 3.0 * sigma,
        upper=centre + 3.0 * sigma,
        mean_range=mean_range,
        upper_range=D4 * mean_range,
    )


def moving_ranges(values: Floats) -> Floats:
    """From each value to the next; shape (n - 1,)."""
    return np.abs(values[1:] - values[:-1])


def run_signals(
    values: ArrayLike, *, centre: float, sigma: float, rules: Sequence[int] = tuple(RUN_RULES)
) -> tuple[Signal, ...]:
    """Find where a run rule is met, in the order of points and then of rules.

    A run that goes on is reported again at each further point. A point exactly on a line is not beyond it;
    one on the centre belongs to no side. values: shape (n,). Source: see `RUN_RULES`.
    """
    distance = finite_values(values, least=1) - centre
    result: list[Signal] = []
    for rule in rules:
        window, points_of = _RULES[rule]
        if distance.size < window:
            continue
        windows = np.lib.stride_tricks.sliding_window_view(distance, window)
        taken = np.broadcast_to(points_of(windows, sigma), windows.shape)
        for start in np.flatnonzero(taken.any(axis=1)):
            points = tuple(int(start + point) for point in np.flatnonzero(taken[start]))
            result.append(Signal(rule=rule, at=int(start) + window - 1, points=points))
    return tuple(sorted(result, key=lambda signal: (signal.at, signal.rule)))


def instability(values: ArrayLike, *, level: float = 0.01) -> tuple[str, ...]:
    """Say in what way values are surely not in control: one far out, or neighbours too alike or too unlike.

    The run rules are for watching one chart; over a batch of fifty they cry wolf for every third good
    reading. These two do so once in a hundred batches each: a value beyond limits widened for how many values
    there are, and von Neumann's ratio of successive to total variation, which shows shifts, drifts and
    cycles. values: shape (n,), n >= 2, in the order they were made; less than eight tell nothing.
    Source: J. von Neumann, Annals of Mathematical Statistics 12 (1941); NIST/SEMATECH e-Handbook 6.3.2.2.
    """
    from scipy.special import ndtri, stdtrit

    chart = individuals_chart(values)
    data, n = chart.values, chart.values.size
    if n < FEWEST_FOR_STABILITY or not varies(data):
        return ()
    messages: list[str] = []
    # A mean moving range is worth about 0.62 (n - 1) degrees of freedom (Montgomery, chapter 6).
    widened = float(stdtrit(0.62 * (n - 1), 1.0 - level / (2.0 * n))) * chart.sigma
    far = np.flatnonzero(np.abs(data - chart.centre) > widened)
    if far.size:
        messages.append(
            f"not in control: {far.size} of {n} values lie further out than chance allows, the first as "
            f"number {int(far[0]) + 1}"
        )
    alike = 1.0 - float(np.sum(chart.ranges**2)) / (2.0 * float(np.sum((data - np.mean(data)) ** 2)))
    score = alike / math.sqrt((n - 2.0) / (n**2 - 1.0))
    if abs(score) > float(ndtri(1.0 - level / 2.0)):
        manner = "like the one before it: a shift or a drift" if score > 0 else "unlike the one before it"
        messages.append(f"not in control: each value is {manner} (von Neumann, {score:+.1f} sigma)")
    return tuple(messages)


def ewma_chart(values: ArrayLike, *, target: float, sigma: float, weight: float = 0.2) -> EwmaChart:
    """Smooth values so that a small lasting shift shows. The average starts at the target.

    sigma: of one value, from before. weight: of the newest value, 0 to 1. The limits are at three sigmas of
    the average, which widen from the first point on. Source: NIST/SEMATECH e-Handbook 6.3.2.4.
    """
    data = finite_values(values, least=1)
    if not 0 < weight <= 1:
        raise ValueError(f"a weight of {weight} cannot be; expected more than 0 and at most 1")
    if not (sigma > 0 and math.isfinite(sigma)):
        raise ValueError(f"a sigma of {sigma} has no limits; expected more than zero")
    average = np.empty_like(data)
    last = target
    for index, value in enumerate(data):
        last = weight * value + (1.0 - weight) * last
        average[index] = last
    share = 1.0 - (1.0 - weight) ** (2 * np.arange(1, data.size + 1))
    reach = 3.0 * sigma * np.sqrt(weight / (2.0 - weight) * share)
    outside = np.flatnonzero(np.abs(average - target) > reach)
    return EwmaChart(
        average=average, lower=target - reach, upper=target + reach, signals=tuple(map(int, outside))
    )


def cusum_chart(values: ArrayLike, *, target: float, allowance: float, decision: float) -> CusumChart:
    """Add up what goes beyond the target by more than the allowance, on either side; never below zero.

    allowance (k) and decision (h) in the unit of the values: often half a sigma and four or five sigmas.
    Source: NIST/SEMATECH e-Handbook 6.3.2.3.
    """
    data = finite_values(values, least=1)
    if allowance < 0 or decision <= 0:
        raise ValueError(
            f"allowance {allowance} and decision {decision}: expected zero or more, and more than zero"
        )
    high, low = np.empty_like(data), np.empty_like(data)
    above = below = 0.0
    for index, value in enumerate(data):
        above = max(0.0, above + value - target - allowance)
        below = max(0.0, below + target - allowance - value)
        high[index], low[index] = above, below
    outside = np.flatnonzero((high > decision) | (low > decision))
    return CusumChart(high=high, low=low, decision=decision, signals=tuple(map(int, outside)))


def finite_values(values: ArrayLike, *, least: int) -> Floats:
    """Values as float64 of shape (n,). Raises ValueError for another shape, too few, or no numbers."""
    data = np.asarray(values, dtype=np.float64)
    if data.ndim != 1:
        raise ValueError(f"values need the shape (n,), got {data.shape}")
    if data.size < least:
        raise ValueError(f"{data.size} values are too few; expected {least} or more")
    if not np.isfinite(data).all():
        raise ValueError("values need to be finite; take out what was missing or below a floor first")
    return data


def varies(values: Floats) -> bool:
    """Whether values differ by more than the rounding of doubles, which is no spread of anything measured."""
    if values.size < 2:
        return False
    least, most = float(values.min()), float(values.max())
    return most - least > max(ROUNDING * max(abs(least), abs(most)), SMALLEST)


def mean_and_sigma(values: Floats) -> tuple[float, float]:
    """Mean and standard deviation (n - 1) of values of shape (n,), n >= 2.

    As np.mean and np.std have them, which take three times as long for a batch's few values.
    """
    mean = float(np.add.reduce(values)) / values.size
    away = values - mean
    return mean, math.sqrt(float(np.add.reduce(away * away)) / (values.size - 1))


def middle(in_order: Floats) -> float:
    """The median of values in ascending order, shape (n,), n >= 1."""
    half = in_order.size // 2
    return float(in_order[half]) if in_order.size % 2 else float(in_order[half - 1] + in_order[half]) / 2.0


# A rule is given every window of the distances from the centre, shape (windows, points), and marks the points
# that meet it, none in a window that does not; shape (windows, 1) where all points of a window do or none.
_Rule = Callable[[Floats, float], Flags]


def _if_all(flags: Flags) -> Flags:
    return np.asarray(flags.all(axis=1))[:, np.newaxis]


def _most_beyond(count: int, sigmas: float) -> _Rule:
    def rule(windows: Floats, sigma: float) -> Flags:
        met = np.zeros(windows.shape, dtype=np.bool_)
        for side in (windows, -windows):
            beyond = side > sigmas * sigma
            # Reported at the point that completes it: the newest point must be one of them.
            enough = (beyond.sum(axis=1) >= count) & beyond[:, -1]
            met |= beyond & np.reshape(enough, (-1, 1))
        return met

    return rule


def _by_turns(windows: Floats, _sigma: float) -> Flags:
    steps = np.diff(windows, axis=1)
    return _if_all(steps[:, 1:] * steps[:, :-1] < 0)


def _none_within_one(windows: Floats, sigma: float) -> Flags:
    both_sides = _if_all(windows > 0) | _if_all(windows < 0)
    return _if_all(np.abs(windows) > sigma) & ~both_sides


_RULES: dict[int, tuple[int, _Rule]] = {
    1: (1, lambda windows, sigma: np.abs(windows) > 3.0 * sigma),
    2: (9, lambda windows, _: _if_all(windows > 0) | _if_all(windows < 0)),
    3: (6, lambda windows, _: _if_all(np.diff(windows) > 0) | _if_all(np.diff(windows) < 0)),
    4: (14, _by_turns),
    5: (3, _most_beyond(2, 2.0)),
    6: (5, _most_beyond(4, 1.0)),
    7: (15, lambda windows, sigma: _if_all(np.abs(windows) < sigma)),
    8: (8, _none_within_one),
}
"""By rule, how many points its run has, and which of them meet it."""
