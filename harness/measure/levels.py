"""Levels from powers: a mean square and its uncertainty to volts, decibels and dBu, floors said as floors."""

import math
from collections.abc import Sequence
from dataclasses import replace

from harness.measure.budget import DB_PER_NEPER
from harness.reading import Contribution, Estimate
from harness.units import ZERO_DBU_VRMS


def root_of_power(power: float, parts: Sequence[Contribution], *, k: float = 2.0) -> Estimate:
    """Square root of a power that may have been found by subtracting another one.

    parts: components with their standard uncertainties, in the power's unit; those of one name are combined.
    The interval is that of the power, converted at its ends. A power no further above zero than `k` times its
    uncertainty is a floor: the root lies below that of its upper end.
    """
    squares: dict[str, float] = {}
    for part in parts:
        squares[part.name] = squares.get(part.name, 0.0) + part.standard**2
    standard = math.sqrt(sum(squares.values()))
    if power <= k * standard:
        return below(math.sqrt(max(power, 0.0) + k * standard), k=k)
    value = math.sqrt(power)
    lines = [
        Contribution(name=name, standard=math.sqrt(square) / (2 * value))
        for name, square in squares.items()
        if square > 0
    ]
    return Estimate(
        value=value,
        standard=standard / (2 * value),
        low=math.sqrt(power - k * standard),
        high=math.sqrt(power + k * standard),
        coverage_factor=k,
        floor=False,
        budget=tuple(sorted(lines, key=lambda line: -line.standard)),
    )


def below(bound: float, *, k: float = 2.0) -> Estimate:
    """Nothing was found: what is there lies below `bound`."""
    return Estimate(
        value=bound, standard=None, low=-math.inf, high=bound, coverage_factor=k, floor=True, budget=()
    )


def in_db(estimate: Estimate, one: float = 1.0) -> Estimate:
    """20 log10 of an estimate of a magnitude over `one`; its interval is converted at its ends."""
    if estimate.floor or not estimate.value > 0:
        bound = _db(estimate.high / one)
        return replace(below(bound, k=estimate.coverage_factor), value=bound)
    share = DB_PER_NEPER / estimate.value
    return Estimate(
        value=_db(estimate.value / one),
        standard=None if estimate.standard is None else share * estimate.standard,
        low=_db(estimate.low / one),
        high=_db(estimate.high / one),
        coverage_factor=estimate.coverage_factor,
        floor=False,
        budget=tuple(replace(line, standard=share * line.standard) for line in estimate.budget),
    )


def in_dbu(estimate: Estimate) -> Estimate:
    """Level in dBu of an estimate in volts RMS."""
    return in_db(estimate, ZERO_DBU_VRMS)


def _db(ratio: float) -> float:
    return 20 * math.log10(ratio) if ratio > 0 else -math.inf
