"""Sums, variances and one-way analysis of variance, exact to the digits that doubles have.

Held against the certified values of the NIST Statistical Reference Datasets.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, kw_only=True)
class AnovaRow:
    """One line of an analysis of variance; `f` and `p` are None where nothing is tested."""

    source: str
    freedom: int
    sum_of_squares: float
    mean_square: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True, kw_only=True)
class OneWay:
    """One-way analysis of variance of k groups: between, within, and what they say."""

    between: AnovaRow
    within: AnovaRow
    f: float
    p: float
    r_squared: float
    residual_sigma: float
    variance_between: float  # a component of variance, never below zero


@dataclass(frozen=True, kw_only=True)
class Univariate:
    """Mean, standard deviation (n - 1) and lag-1 autocorrelation of values in their order."""

    n: int
    mean: float
    sigma: float
    autocorrelation: float


def univariate(values: ArrayLike) -> Univariate:
    """Describe values of shape (n,), n >= 2, in two passes, so that a large mean costs no digits.

    The autocorrelation is NaN where all values are equal.
    """
    data = np.asarray(values, dtype=np.float64)
    mean, away = _centred(data)
    square = float(away @ away)
    return Univariate(
        n=data.size,
        mean=mean,
        sigma=math.sqrt(square / (data.size - 1)),
        autocorrelation=float(away[:-1] @ away[1:]) / square if square > 0 else math.nan,
    )


def one_way(groups: Mapping[object, ArrayLike]) -> OneWay:
    """Analyse k groups of values, k >= 2, of any sizes; raises ValueError for less, or no freedom within.

    Sums are of differences from the mean, never of squares. Source: NIST/SEMATECH e-Handbook 7.4.3.
    """
    from scipy.special import fdtrc

    samples = [np.asarray(group, dtype=np.float64) for group in groups.values()]
    sizes = np.array([sample.size for sample in samples])
    k, n = len(samples), int(sizes.sum())
    if k < 2 or n <= k or (sizes == 0).any():
        raise ValueError(f"{k} groups of {n} values: expected two groups or more, none empty, with repeats")
    origin = float(samples[0][0])
    shifted = [sample - origin for sample in samples]
    means = np.array([_centred(sample)[0] for sample in shifted])
    grand = float((sizes * means).sum()) / n
    between = float((sizes * (means - grand) ** 2).sum())
    within = sum(float(away @ away) for _, away in map(_centred, shifted))
    ms_between, ms_within = between / (k - 1), within / (n - k)
    f = ms_between / ms_within if ms_within > 0 else math.inf
    per_group = (n - float((sizes**2).sum()) / n) / (k - 1)
    return OneWay(
        between=AnovaRow(
            source="between", freedom=k - 1, sum_of_squares=between, mean_square=ms_between, f=f
        ),
        within=AnovaRow(source="within", freedom=n - k, sum_of_squares=within, mean_square=ms_within),
        f=f,
        p=float(fdtrc(k - 1, n - k, f)),
        r_squared=between / (between + within) if between + within > 0 else math.nan,
        residual_sigma=math.sqrt(ms_within),
        variance_between=max(0.0, (ms_between - ms_within) / per_group),
    )


def _centred(data: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
    """Mean and what is left of it, corrected for the rounding of a first mean."""
    origin = float(data[0])
    away = data - origin
    offset = math.fsum(away) / data.size
    away = away - offset
    return origin + offset, away
