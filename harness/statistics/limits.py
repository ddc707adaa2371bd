"""Limits proposed from a population, with the reasoning in words."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from harness.statistics.capability import (
    FEWEST_FOR_NORMALITY,
    NORMALITY_LEVEL,
    Doubt,
    Side,
    normal_tolerance,
    normality,
    population_doubts,
    range_confidence,
)
from harness.statistics.control import finite_values, varies
from harness.units import counted, format_difference, format_value

FEWEST_FOR_LIMITS = 10
DECADES_OF_STEP = 1  # limits are rounded outwards to a tenth of the power of ten of their distance


@dataclass(frozen=True, kw_only=True)
class ProposedLimits:
    """Limits for a reading, None where open or where there are too few values; `reasoning` says why these."""

    low: float | None
    high: float | None
    reasoning: tuple[str, ...]
    doubts: tuple[Doubt, ...]


def propose_limits(
    values: ArrayLike,
    *,
    unit: str,
    side: Side = "two",
    guard: float = 0.0,
    current: tuple[float | None, float | None] = (None, None),
    proportion: float = 0.99,
    confidence: float = 0.95,
) -> ProposedLimits:
    """Propose limits that healthy units keep: a tolerance interval, wider by the guard, rounded outwards.

    values: of units that passed, in the order they were made, shape (n,). guard: the expanded uncertainty of
    one reading, which the judging takes from the limits again. current: the limits in force, None where open;
    a proposal never goes beyond them, since what the unit must do comes before what it happens to do.
    Values that are not normal get the range that was seen instead, with how sure that is.
    """
    data = finite_values(values, least=1)
    if data.size < FEWEST_FOR_LIMITS:
        passed = counted(data.size, "value")
        why = f"{passed} passed: too few to propose limits from, {FEWEST_FOR_LIMITS} or more are needed"
        return ProposedLimits(low=None, high=None, reasoning=(why,), doubts=())
    low, high, reasons = _spread(data, unit, side, proportion, confidence)
    if guard > 0:
        low, high = None if low is None else low - guard, None if high is None else high + guard
        reasons.append(
            f"Wider by {format_difference(guard, unit)}, the expanded uncertainty of one reading, because a "
            "reading passes only with its whole interval within."
        )
    low, high = _rounded(low, high, float(np.mean(data)))
    low, high, kept = _not_beyond(low, high, current)
    if kept:
        reasons.append("Not beyond the limit in force, which says what the unit must do.")
    return ProposedLimits(low=low, high=high, reasoning=tuple(reasons), doubts=population_doubts(data))


def _spread(
    data: np.ndarray, unit: str, side: Side, proportion: float, confidence: float
) -> tuple[float | None, float | None, list[str]]:
    mean, sigma = float(np.mean(data)), float(np.std(data, ddof=1))
    told = (
        f"{data.size} values, mean {_said(mean, unit, 5)}, "
        f"standard deviation {format_difference(sigma, unit)}."
    )
    normal = data.size >= FEWEST_FOR_NORMALITY and varies(data) and normality(data).p >= NORMALITY_LEVEL
    if normal:
        interval = normal_tolerance(data, proportion=proportion, confidence=confidence, side=side)
        why = (
            f"Taken as normal: {interval.factor:.2f} standard deviations hold {100 * proportion:g} % of "
            f"all units with {100 * confidence:g} % confidence."
        )
        return interval.low, interval.high, [told, why]
    sure = range_confidence(data.size, proportion=proportion, side=side)
    manner = "Not normal" if varies(data) else "All alike"
    why = (
        f"{manner}: the smallest and largest seen, which hold "
        f"{100 * proportion:g} % of all units with {100 * sure:.0f} % confidence only."
    )
    low = None if side == "upper" else float(data.min())
    high = None if side == "lower" else float(data.max())
    return low, high, [told, why]


def _said(value: float, unit: str, digits: int) -> str:
    """With a prefix where the unit takes one; decibels and degrees by their size."""
    if unit in ("dB", "dBu", "dBV", "deg"):
        return f"{value:.{digits}g} {unit}"
    return format_value(value, unit, digits=digits)


def _rounded(low: float | None, high: float | None, mean: float) -> tuple[float | None, float | None]:
    """Round outwards to two digits of the distance from the mean, so that a limit reads as one."""
    distances = [abs(end - mean) for end in (low, high) if end is not None and end != mean]
    if not distances:
        return low, high
    step = 10.0 ** (math.floor(math.log10(min(distances))) - DECADES_OF_STEP)
    decimals = max(0, -round(math.log10(step)))
    return (
        None if low is None else round(math.floor(low / step) * step, decimals),
        None if high is None else round(math.ceil(high / step) * step, decimals),
    )


def _not_beyond(
    low: float | None, high: float | None, current: tuple[float | None, float | None]
) -> tuple[float | None, float | None, bool]:
    kept = False
    if low is not None and current[0] is not None and low < current[0]:
        low, kept = current[0], True
    if high is not None and current[1] is not None and high > current[1]:
        high, kept = current[1], True
    return low, high, kept
