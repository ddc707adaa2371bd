"""How well a process fits its limits, and which limits it would fit.

Sources: NIST/SEMATECH e-Handbook 6.1.6 (capability), 7.2.6.3 and 7.2.6.4 (tolerance intervals);
D. C. Montgomery, Introduction to Statistical Quality Control, chapter 8.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from harness.statistics.control import (
    EXACT,
    finite_values,
    instability,
    mean_and_sigma,
    moving_ranges,
    varies,
)
from harness.statistics.noncentral import noncentral_centre

FEWEST_FOR_NORMALITY = 8
NORMALITY_LEVEL = 0.05
FEW = 30  # below which a capability is a rough guess, whatever its interval says

Side = Literal["two", "upper", "lower"]


@dataclass(frozen=True, kw_only=True)
class Doubt:
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
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, kw_only=True)
class ToleranceInterval:
    """An interval that holds at least `proportion` of all with `confidence`; open ends are None."""

    low: float | None
    high: float | None
    factor: float
    proportion: float
    confidence: float


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
    values), of the Cpk of two limits by Bissell's approximation. `doubts` says where the values are few, not
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
        sigma_short=float(np.mean(moving_ranges(data))) / EXACT.d2,
        cp=cp,
        cpl=cpl,
        cpu=cpu,
        cpk=interval(min(sides), n, confidence),
        confidence=confidence,
        doubts=population_doubts(data),
    )


def population_doubts(values: ArrayLike) -> tuple[Doubt, ...]:
    """Say why figures that presume a normal process in control may not hold: few, not normal, not in control.

    values: shape (n,), n >= 2, in the order they were made.
    """
    data = finite_values(values, least=2)
    doubts: list[Doubt] = []
    if data.size < FEW:
        few = f"only {data.size} values; {FEW} or more make a figure worth the name"
        doubts.append(Doubt(kind="few", sentence=few))
    if varies(data) and data.size >= FEWEST_FOR_NORMALITY:
        test = normality(data)
        if test.p < NORMALITY_LEVEL:
            why = f"not normal (Anderson-Darling {test.statistic:.2f}, p = {test.p:.2g})"
            doubts.append(
                Doubt(kind="not normal", sentence=f"{why}: shares outside limits cannot be read from sigma")
            )
    doubts.extend(Doubt(kind="not in control", sentence=sentence) for sentence in instability(data))
    return tuple(doubts)


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
    values: ArrayLike, *, proportion: float = 0.99, confidence: float = 0.95, side: Side = "two"
) -> ToleranceInterval:
    """Give the interval that holds the proportion of a normal population with confidence.

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
        proportion=proportion,
        confidence=confidence,
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
