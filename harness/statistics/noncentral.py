"""The non-central t distribution, as capability needs it: quick, and steady far out."""

import math
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray


def noncentral_t(statistic: float, freedom: int, centre: float) -> float:
    """Distribution function of the non-central t, good to 1e-7; also far out, where scipy's gives up.

    T = (Z + centre) / S with normal Z and S = sqrt(chi-squared / freedom): integrated over whichever of the
    two leaves the smoother function.
    """
    from scipy.special import gammaincc, gammainccinv, gammaincinv, gammaln, ndtr

    if statistic < 0:
        return 1.0 - noncentral_t(-statistic, freedom, -centre)
    if statistic > math.sqrt(2.0 * freedom):
        start = min(max(-9.0, -centre), 9.0)  # below it S suffices whatever it is
        z, density = _normal_from(start)
        share = gammaincc(freedom / 2.0, freedom / 2.0 * ((z + centre) / statistic) ** 2)
        return float(ndtr(start) + (9.0 - start) / 2.0 * np.add.reduce(density * share))
    nodes, weights = _gauss_legendre()
    half = freedom / 2.0
    low, high = math.sqrt(2.0 * gammaincinv(half, 1e-15)), math.sqrt(2.0 * gammainccinv(half, 1e-15))
    x = low + (high - low) * (nodes + 1.0) / 2.0
    log_density = (freedom - 1) * np.log(x) - x**2 / 2.0 - (half - 1.0) * math.log(2.0) - gammaln(half)
    inside = np.exp(log_density) * ndtr(statistic * x / math.sqrt(freedom) - centre)
    return float((high - low) / 2.0 * np.sum(weights * inside))


_NODES = 64
"""Both integrands are smooth over some eighteen sigmas: 64 nodes agree with 200 to 2e-12."""


def noncentral_centre(statistic: float, freedom: int, share: float) -> float:
    """The centre at which the distribution function of the non-central t has this value at the statistic.

    By secants on the normal scale, where it is nearly a straight line in the centre, within a bracket that
    halves where a secant leaves it; to 1e-8 of the spread of the statistic.
    Source of the start: Johnson and Welch, Biometrika 31 (1940).
    """
    from scipy.special import ndtri

    spread = math.sqrt(1.0 + statistic**2 / (2.0 * freedom))
    low, high = statistic - 12.0 * spread - 12.0, statistic + 12.0 * spread + 12.0
    wanted = float(ndtri(share))
    centre = statistic * (1.0 - 1.0 / (4.0 * freedom)) - wanted * spread
    slope = -1.0 / spread
    before: tuple[float, float] | None = None
    for _ in range(_STEPS):
        inside = min(max(noncentral_t(statistic, freedom, centre), _LEAST), _MOST)
        excess = float(ndtri(inside)) - wanted
        low, high = (centre, high) if excess > 0 else (low, centre)
        if before is not None and excess != before[1]:
            slope = (excess - before[1]) / (centre - before[0])
        before = centre, excess
        following = centre - excess / slope
        if not low < following < high:
            following = (low + high) / 2.0
        if abs(following - centre) <= 1e-8 * spread:
            return following
        centre = following
    return centre


_LEAST, _MOST, _STEPS = 1e-300, 1.0 - 1e-16, 100


@lru_cache(maxsize=16)
def _normal_from(start: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where Z is looked at from here up to 9, and how likely it lies there; nearly always from -9."""
    nodes, weights = _gauss_legendre()
    z = start + (9.0 - start) * (nodes + 1.0) / 2.0
    return z, weights * (np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi))


@cache
def _gauss_legendre() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    return nodes, weights
