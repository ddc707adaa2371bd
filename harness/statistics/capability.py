"""How well a process fits its limits, and which limits it would fit.

Sources: NIST/SEMATECH e-Handbook 6.1.6 (capability), 7.2.6.3 and 7.2.6.4 (tolerance intervals);
D. C. Montgomery, Introduction to Statistical Quality Control, chapter 8.
"""

import math
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from harness.statistics.control_charts import (
    D2,
    finite_values,
    instability,
    mean_and_sigma,
    moving_ranges,
    varies,
)
from harness.units import counted, format_difference, format_value

FEWEST_FOR_NORMALITY = 8
NORMALITY_LEVEL = 0.05
FEWEST_FOR_LIMITS = 10
PROPORTION, CONFIDENCE = 0.99, 0.95  # of all good units, that keep a proposed limit; and how sure that is
DECADES_OF_STEP = 1  # limits are rounded outwards to a tenth of the power of ten of their distance
FEW = 30  # below which a capability is a rough guess, whatever its interval says

Side = Literal["two", "upper", "lower"]


@dataclass(frozen=True, kw_only=True)
class Caveat:
    """Why a figure may not hold, by kind and as a sentence."""

    kind: Literal["few", "not normal", "not in control", "limits changed", "in part"]
    sentence: str

    def __str__(self) -> str:
        return self.sentence


@dataclass(frozen=True, kw_only=True)
class Normality:
    """The Anderson-Darling test for a normal distribution whose mean and sigma are the sample's.

    `statistic` is A² for samples of any size (adjusted); `p` about the probability of one as large.
    """

    statistic: float
    p: float


@dataclass(frozen=True, kw_only=True)
class Index:
    """A capability index with its confidence interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class Capability:
    """How the limits compare with the spread. An index whose limit is open is None.

    `sigma` is the standard deviation of all values (some call the indices made from it Pp and Ppk and keep
    Cp and Cpk for `sigma_short`, from the mean moving range of values in their order).
    """

    n: int
    mean: float
    sigma: float
    sigma_short: float
    cp: Index | None
    cpl: float | None
    cpu: float | None
    cpk: Index
    confidence: float
    caveats: tuple[Caveat, ...]


@dataclass(frozen=True, kw_only=True)
class ToleranceInterval:
    """An interval that holds at least `proportion` of all with `confidence`; open ends are None."""

    low: float | None
    high: float | None
    factor: float


def normality(values: ArrayLike) -> Normality:
    """Test whether values may be normal. values: shape (n,), n >= 8, not all equal; else ValueError.

    Source: D'Agostino and Stephens, Goodness-of-Fit Techniques (1986), table 4.9.
    """
    from scipy.special import log_ndtr

    data = np.sort(finite_values(values, least=FEWEST_FOR_NORMALITY))
    if not varies(data):
        raise ValueError("values that are all equal have no distribution to test")
    mean, sigma = mean_and_sigma(data)
    z = (data - mean) / sigma
    n = data.size
    weights = 2.0 * np.arange(1, n + 1) - 1.0
    square = -n - float(np.mean(weights * (log_ndtr(z) + log_ndtr(-z[::-1]))))
    adjusted = square * (1.0 + 0.75 / n + 2.25 / n**2)
    return Normality(statistic=adjusted, p=anderson_darling_p(adjusted))


def capability(
    values: ArrayLike, low: float | None, high: float | None, *, confidence: float = 0.95
) -> Capability:
    """Compare values with their limits: Cp, Cpk and the one-sided Cpl, Cpu, Cp and Cpk with their intervals.

    values: shape (n,), in the order they were made, n >= 2. low, high: None where open; not both.
    Intervals: of Cp from chi-squared, of the Cpk of one limit from the non-central t (both exact for normal
    values), of the Cpk of two limits by Bissell's approximation. `caveats` says where the values are few, not
    normal, or not in control.
    Raises ValueError where there is no limit, or no spread.
    """
    data = finite_values(values, least=2)
    if low is None and high is None:
        raise ValueError("without a limit there is no capability; expected low, high or both")
    if not varies(data):
        raise ValueError(f"all {data.size} values are equal: without spread there is no capability")
    n = data.size
    mean, sigma = mean_and_sigma(data)
    cpl = None if low is None else (mean - low) / (3.0 * sigma)
    cpu = None if high is None else (high - mean) / (3.0 * sigma)
    cp = None if low is None or high is None else _cp((high - low) / (6.0 * sigma), n, confidence)
    sides = [index for index in (cpl, cpu) if index is not None]
    interval = _one_sided if len(sides) == 1 else _bissell
    return Capability(
        n=n,
        mean=mean,
        sigma=sigma,
        sigma_short=float(np.mean(moving_ranges(data))) / D2,
        cp=cp,
        cpl=cpl,
        cpu=cpu,
        cpk=interval(min(sides), n, confidence),
        confidence=confidence,
        caveats=population_caveats(data),
    )


def population_caveats(values: ArrayLike) -> tuple[Caveat, ...]:
    """Say why figures that presume a normal process in control may not hold: few, not normal, not in control.

    values: shape (n,), n >= 2, in the order they were made.
    """
    data = finite_values(values, least=2)
    caveats: list[Caveat] = []
    if data.size < FEW:
        few = f"only {data.size} values; {FEW} or more make a figure worth the name"
        caveats.append(Caveat(kind="few", sentence=few))
    if varies(data) and data.size >= FEWEST_FOR_NORMALITY:
        test = normality(data)
        if test.p < NORMALITY_LEVEL:
            why = f"not normal (Anderson-Darling {test.statistic:.2f}, p = {test.p:.2g})"
            caveats.append(
                Caveat(kind="not normal", sentence=f"{why}: shares outside limits cannot be read from sigma")
            )
    caveats.extend(Caveat(kind="not in control", sentence=sentence) for sentence in instability(data))
    return tuple(caveats)


def two_sided_factor(n: int, *, proportion: float, confidence: float) -> float:
    """How many sigmas each side of the mean hold the proportion with confidence, of a normal population.

    Howe's approximation, good to a percent or so from n = 3 on.
    Source: NIST/SEMATECH e-Handbook 7.2.6.3; Howe, JASA 64 (1969).
    """
    from scipy.special import gammaincinv, ndtri

    _check_shares(n, proportion, confidence)
    z = float(ndtri((1.0 + proportion) / 2.0))
    chi_squared = 2.0 * float(gammaincinv((n - 1) / 2.0, 1.0 - confidence))
    return z * math.sqrt((n - 1) * (1.0 + 1.0 / n) / chi_squared)


def one_sided_factor(n: int, *, proportion: float, confidence: float) -> float:
    """How many sigmas to one side of the mean hold the proportion with confidence; exact for normal values.

    Source: NIST/SEMATECH e-Handbook 7.2.6.3, from the non-central t distribution.
    """
    from scipy.special import nctdtrit, ndtri

    _check_shares(n, proportion, confidence)
    root = math.sqrt(n)
    return float(nctdtrit(n - 1, float(ndtri(proportion)) * root, confidence)) / root


def normal_tolerance(
    values: ArrayLike, *, proportion: float, confidence: float, side: Side = "two"
) -> ToleranceInterval:
    """Return the interval that holds the proportion of a normal population with confidence.

    values: shape (n,), n >= 2.
    """
    data = finite_values(values, least=2)
    mean, sigma = mean_and_sigma(data)
    factor_of = two_sided_factor if side == "two" else one_sided_factor
    factor = factor_of(data.size, proportion=proportion, confidence=confidence)
    return ToleranceInterval(
        low=None if side == "upper" else mean - factor * sigma,
        high=None if side == "lower" else mean + factor * sigma,
        factor=factor,
    )


def range_confidence(n: int, *, proportion: float, side: Side = "two") -> float:
    """How sure it is that smallest and largest of n values (or one of them) hold the proportion.

    Needs no distribution. Source: Wilks, Annals of Mathematical Statistics 12 (1941); e-Handbook 7.2.6.4.
    """
    _check_shares(n, proportion, 0.5)
    if side == "two":
        return float(1.0 - n * proportion ** (n - 1) + (n - 1) * proportion**n)
    return float(1.0 - proportion**n)


def _cp(value: float, n: int, confidence: float) -> Index:
    from scipy.special import gammaincinv

    tail = (1.0 - confidence) / 2.0
    half = (n - 1) / 2.0
    low, high = (math.sqrt(float(gammaincinv(half, share)) / half) for share in (tail, 1.0 - tail))
    return Index(value=value, low=value * low, high=value * high)


def _one_sided(value: float, n: int, confidence: float) -> Index:
    """3 sqrt(n) times the index is non-central t; its interval is the range of centres that allow it."""
    scale, tail = 3.0 * math.sqrt(n), (1.0 - confidence) / 2.0
    low, high = (noncentral_centre(scale * value, n - 1, share) / scale for share in (1.0 - tail, tail))
    return Index(value=value, low=low, high=high)


def _bissell(value: float, n: int, confidence: float) -> Index:
    """Bissell (1990), as the e-Handbook 6.1.6 cites it."""
    from scipy.special import ndtri

    z = float(ndtri((1.0 + confidence) / 2.0))
    half = z * math.sqrt(1.0 / (9.0 * n) + value**2 / (2.0 * (n - 1)))
    return Index(value=value, low=value - half, high=value + half)


def anderson_darling_p(adjusted: float) -> float:
    """Table 4.9 of D'Agostino and Stephens, in its four ranges."""
    a = adjusted
    if a < 0.2:
        p = 1.0 - math.exp(-13.436 + 101.14 * a - 223.73 * a**2)
    elif a < 0.34:
        p = 1.0 - math.exp(-8.318 + 42.796 * a - 59.938 * a**2)
    elif a < 0.6:
        p = math.exp(0.9177 - 4.279 * a - 1.38 * a**2)
    else:
        # The parabola turns up beyond 153; no sample that far out has a p worth a name.
        p = math.exp(1.2937 - 5.709 * a + 0.0186 * a**2) if a < 13 else 0.0
    return min(max(p, 0.0), 1.0)


def _check_shares(n: int, proportion: float, confidence: float) -> None:
    if n < 2 or not 0 < proportion < 1 or not 0 < confidence < 1:
        raise ValueError(
            f"n = {n}, proportion {proportion}, confidence {confidence}: expected n of two or more, and "
            "shares between 0 and 1"
        )


@dataclass(frozen=True, kw_only=True)
class ProposedLimits:
    """Limits for a reading, None where open or where there are too few values; `reasoning` says why these."""

    low: float | None
    high: float | None
    reasoning: tuple[str, ...]
    caveats: tuple[Caveat, ...]


def propose_limits(
    values: ArrayLike,
    *,
    unit: str,
    side: Side = "two",
    guard: float = 0.0,
    current: tuple[float | None, float | None] = (None, None),
) -> ProposedLimits:
    """Propose limits that good units keep: a tolerance interval, wider by the guard, rounded outwards.

    values: of units that passed, in the order they were made, shape (n,). guard: the expanded uncertainty of
    one reading, which the judging takes from the limits again. current: the limits in force, None where open;
    a proposal never goes beyond them, since what the unit must do comes before what it happens to do.
    Values that are not normal get the range that was seen instead, with how sure that is.
    """
    data = finite_values(values, least=1)
    if data.size < FEWEST_FOR_LIMITS:
        passed = counted(data.size, "value")
        why = f"{passed} passed: too few to propose limits from, {FEWEST_FOR_LIMITS} or more are needed"
        return ProposedLimits(low=None, high=None, reasoning=(why,), caveats=())
    low, high, reasons = _spread(data, unit, side)
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
    return ProposedLimits(low=low, high=high, reasoning=tuple(reasons), caveats=population_caveats(data))


def _spread(data: np.ndarray, unit: str, side: Side) -> tuple[float | None, float | None, list[str]]:
    mean, sigma = float(np.mean(data)), float(np.std(data, ddof=1))
    bare = unit in ("dB", "dBu", "dBV", "deg")  # without a prefix
    written = f"{mean:.5g} {unit}" if bare else format_value(mean, unit, digits=5)
    text = f"{data.size} values, mean {written}, standard deviation {format_difference(sigma, unit)}."
    normal = data.size >= FEWEST_FOR_NORMALITY and varies(data) and normality(data).p >= NORMALITY_LEVEL
    if normal:
        interval = normal_tolerance(data, proportion=PROPORTION, confidence=CONFIDENCE, side=side)
        why = (
            f"Taken as normal: {interval.factor:.2f} standard deviations hold {100 * PROPORTION:g} % of "
            f"all units with {100 * CONFIDENCE:g} % confidence."
        )
        return interval.low, interval.high, [text, why]
    sure = range_confidence(data.size, proportion=PROPORTION, side=side)
    manner = "Not normal" if varies(data) else "All alike"
    why = (
        f"{manner}: the smallest and largest seen, which hold "
        f"{100 * PROPORTION:g} % of all units with {100 * sure:.0f} % confidence only."
    )
    low = None if side == "upper" else float(data.min())
    high = None if side == "lower" else float(data.max())
    return low, high, [text, why]


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
    """The limits kept within those in force, and whether that changed any."""
    lowest, highest = current
    within = (
        lowest if low is not None and lowest is not None and low < lowest else low,
        highest if high is not None and highest is not None and high > highest else high,
    )
    return *within, within != (low, high)


# The non-central t distribution, quick, and steady far out.


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

    On the normal scale, where it is nearly a straight line in the centre; to 1e-8 of the spread of the
    statistic.
    """
    from scipy.optimize import brentq
    from scipy.special import ndtri

    def excess(centre: float) -> float:
        return float(ndtri(min(max(noncentral_t(statistic, freedom, centre), _LEAST), _MOST))) - wanted

    wanted = float(ndtri(share))
    spread = math.sqrt(1.0 + statistic**2 / (2.0 * freedom))
    reach = 12.0 * spread + 12.0
    return brentq(excess, statistic - reach, statistic + reach, xtol=1e-8 * spread)


_LEAST, _MOST = 1e-300, 1.0 - 1e-16


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
