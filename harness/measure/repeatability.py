"""How well records of one thing repeat, beyond their noise: three of each tone say little, all tones much."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STRAGGLER = 0.05  # how often one of series that are alike is taken for unlike: ISO 5725-2, 7.3.2
LEAST = 1e-300  # a variance that is none


@dataclass(frozen=True, kw_only=True)
class Spread:
    """How a few records of one tone differed, input by input, all relative to the mean level.

    records: their number. variance: experimental, of the levels. noise: the variance that noise alone gives
    one record.
    """

    records: int
    variance: tuple[float, ...]
    noise: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Repeatability:
    """Relative standard deviation of one record beyond its noise, by input; its degrees of freedom."""

    standard: tuple[float, ...]
    freedom: tuple[float, ...]


def pooled(spreads: Sequence[Spread]) -> tuple[Repeatability, ...]:
    """Repeatability at each tone, from the series of all tones together (JCGM 100:2008, 4.2.4).

    Each input has its own, as one may have a worse lead than another; of one input the tones are alike.
    Where one tone clearly differs (Cochran's test), it has its own and the others theirs.
    """
    apart: dict[int, Repeatability] = {}
    alike = [place for place, spread in enumerate(spreads) if spread.records > 1]
    while (odd := _odd_one([spreads[place] for place in alike])) is not None:
        place = alike.pop(odd)
        apart[place] = _of([spreads[place]])
    together = _of([spreads[place] for place in alike]) if alike else None
    return tuple(
        apart.get(place) or together or Repeatability(standard=(0.0,) * inputs, freedom=(math.inf,) * inputs)
        for place, inputs in ((place, len(spread.variance)) for place, spread in enumerate(spreads))
    )


def _of(spreads: Sequence[Spread]) -> Repeatability:
    """The pooled variance less that of the noise, and how sure it is.

    Series of different expectation, and a difference of variances, have fewer degrees of freedom than are in
    them: both by Satterthwaite's approximation (JCGM 100:2008, G.4.1).
    """
    freedom = np.array([spread.records - 1 for spread in spreads])[:, None]
    noise = np.array([spread.noise for spread in spreads])
    variance = _mean(np.array([spread.variance for spread in spreads]), freedom)
    beyond = np.maximum(variance - _mean(noise, freedom), 0.0)
    expected = noise + beyond
    with np.errstate(divide="ignore", invalid="ignore"):
        degrees = np.sum(freedom * expected, axis=0) ** 2 / np.sum(freedom * expected**2, axis=0)
        degrees = np.where(beyond > 0, degrees * (beyond / variance) ** 2, math.inf)
    return Repeatability(
        standard=tuple(np.sqrt(beyond).tolist()),
        freedom=tuple(degrees.tolist()),
    )


def _odd_one(spreads: Sequence[Spread]) -> int | None:
    """The series that scatters more than one of so many alike ever would; by all its inputs together.

    Cochran's test (ISO 5725-2, 7.3.3), of variances over what noise and the common repeatability make
    expected: the largest, over their sum. Inputs that move together say no more than one does.
    """
    if len(spreads) < 2:
        return None
    common = np.square(_of(spreads).standard)
    ratios = [
        float(np.mean(np.array(spread.variance) / (np.array(spread.noise) + common + LEAST)))
        for spread in spreads
    ]
    largest = int(np.argmax(ratios))
    share = ratios[largest] / (sum(ratios) + LEAST)
    half = (min(spread.records for spread in spreads) - 1) / 2
    chance = len(spreads) * beta_tail(share, half, half * (len(spreads) - 1))
    return largest if chance < STRAGGLER else None


def beta_tail(least: float, a: float, b: float) -> float:
    """Chance that a share of a sum, beta distributed, is at least this large.

    The share of one of n independent variances of ν degrees of freedom: a = ν/2 and b = ν(n - 1)/2.
    """
    from scipy.special import betaincc

    return float(betaincc(a, b, least))


def _mean(values: Floats, weights: NDArray[np.int_]) -> Floats:
    return np.asarray(np.sum(weights * values, axis=0) / np.sum(weights))
