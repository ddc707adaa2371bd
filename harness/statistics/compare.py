"""Which readings differ: left from right, one batch from another; corrected for how many are compared."""

import math
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Generic, Literal, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from harness.reading import ReadingKey
from harness.records.history import Series
from harness.statistics.control_charts import ROUNDING, finite_values, mean_and_sigma, middle, varies

Test = Literal["welch", "mann-whitney"]
HOLM_MEANS = "the chance of even one false difference among all of them is at most 5 % (Holm's correction)"
LEVEL = 0.05
CONFIDENCE = 0.95  # of every interval
MOST_FOR_EXACT = 10_000  # values on one side times on the other: twice as many on each take seconds a reading
FEWEST_FOR_RANKS = 8
ROOM = 10.0
"""Ranks are used where samples that lie wholly apart would still have so many times less than the level."""


@dataclass(frozen=True, kw_only=True)
class PairedDifference:
    """The mean difference of pairs (first less second) with its interval, and `p` of there being none."""

    n: int
    mean: float
    sigma: float
    low: float
    high: float
    p: float
    confidence: float = CONFIDENCE


@dataclass(frozen=True, kw_only=True)
class Difference:
    """One comparison of two samples: second less first.

    `shift` with its interval, `low` to `high`, and `p` are of the test named: by Welch of the means; by Mann
    and Whitney the median of all differences between the two, which one faulty unit hardly moves.
    """

    n_first: int
    n_second: int
    mean_first: float
    mean_second: float
    low: float
    shift: float
    high: float
    test: Test
    p: float


Key = TypeVar("Key", bound=Hashable)


@dataclass(frozen=True, kw_only=True)
class Comparison(Generic[Key]):
    """One of many comparisons: its own difference, `p` corrected for all of them, and whether it moved."""

    key: Key
    difference: Difference
    p_corrected: float
    moved: bool


def paired_difference(first: ArrayLike, second: ArrayLike) -> PairedDifference:
    """Compare values that belong together, such as left and right of the same units.

    first, second: shape (n,), n >= 2, pair by pair. Student's t of the differences. Source: NIST/SEMATECH
    e-Handbook 7.3.1.1.
    """
    from scipy.special import stdtr, stdtrit

    left, right = finite_values(first, least=2), finite_values(second, least=2)
    if left.size != right.size:
        raise ValueError(f"pairs need as many on each side, got {left.size} and {right.size}")
    differences = left - right
    n = differences.size
    mean, sigma = mean_and_sigma(differences)
    standard = sigma / math.sqrt(n)
    half = float(stdtrit(n - 1, (1.0 + CONFIDENCE) / 2.0)) * standard
    rounding = ROUNDING * float(max(np.abs(left).max(), np.abs(right).max()))
    if np.ptp(differences) <= rounding:  # what the signs alone are worth
        p = 1.0 if abs(mean) <= rounding else 2.0 ** (1 - n)
    else:
        p = 2.0 * float(stdtr(n - 1, -abs(mean) / standard))
    return PairedDifference(n=n, mean=mean, sigma=sigma, low=mean - half, high=mean + half, p=p)


def sample_differences(
    pairs: Iterable[tuple[ArrayLike, ArrayLike]], *, test: Test | None = None, of: int = 1
) -> list[Difference]:
    """Compare pairs of samples of shape (n,), n >= 2.

    test: Welch's t (unequal spreads), or Mann-Whitney's ranks, which one faulty unit cannot sway. By default
    by the number of values alone, never by what they look like: ranks from 8 on each side, where they could
    show a difference through a correction for `of` comparisons; else Welch.
    """
    samples = [(finite_values(a, least=2), finite_values(b, least=2)) for a, b in pairs]
    tests: list[Test] = [
        test or ("mann-whitney" if _ranks_can_show(a.size, b.size, of) else "welch") for a, b in samples
    ]
    by_ranks = [pair for pair, chosen in zip(samples, tests, strict=True) if chosen == "mann-whitney"]
    p_of_ranks = iter(_rank_p(by_ranks) if by_ranks else ())
    result = []
    for (a, b), chosen in zip(samples, tests, strict=True):
        if chosen == "welch":
            shift, low, high, p = _welch(a, b)
        else:
            (shift, low, high), p = _rank_shift(a, b), next(p_of_ranks)
        result.append(
            Difference(
                n_first=a.size,
                n_second=b.size,
                mean_first=float(np.mean(a)),
                mean_second=float(np.mean(b)),
                low=low,
                shift=shift,
                high=high,
                test=chosen,
                p=p,
            )
        )
    return result


def _ranks_can_show(n_first: int, n_second: int, of: int) -> bool:
    if min(n_first, n_second) < FEWEST_FOR_RANKS:
        return False
    return _least_p(n_first, n_second) * of * ROOM <= LEVEL


@lru_cache(maxsize=100)
def _least_p(n_first: int, n_second: int) -> float:
    """Of samples that lie wholly apart: one of all ways to deal the values out, and its mirror image."""
    return 2.0 / math.comb(n_first + n_second, n_first)


def _welch(a: NDArray[np.float64], b: NDArray[np.float64]) -> tuple[float, float, float, float]:
    """Shift, low, high and p. Without any spread, p is what the order of the values alone is worth."""
    from scipy.special import stdtr, stdtrit

    shares = float(np.var(a, ddof=1)) / a.size, float(np.var(b, ddof=1)) / b.size
    shift, standard = float(np.mean(b) - np.mean(a)), math.sqrt(sum(shares))
    if not (varies(a) or varies(b)):
        alike = abs(shift) <= ROUNDING * max(abs(a[0]), abs(b[0]))
        return shift, shift, shift, 1.0 if alike else _least_p(a.size, b.size)
    freedom = sum(shares) ** 2 / (shares[0] ** 2 / (a.size - 1) + shares[1] ** 2 / (b.size - 1))
    half = float(stdtrit(freedom, (1.0 + CONFIDENCE) / 2.0)) * standard
    return shift, shift - half, shift + half, 2.0 * float(stdtr(freedom, -abs(shift) / standard))


def _rank_shift(a: NDArray[np.float64], b: NDArray[np.float64]) -> tuple[float, float, float]:
    """Shift, low and high.

    Source: Hodges and Lehmann, Annals of Mathematical Statistics 34 (1963), with the interval that Mann and
    Whitney's test gives (Moses; Hollander and Wolfe, Nonparametric Statistical Methods, section 4.3).
    """
    from scipy.special import ndtri

    apart = np.sort(np.subtract.outer(b, a), axis=None)
    reach = float(ndtri((1.0 + CONFIDENCE) / 2.0)) * math.sqrt(apart.size * (a.size + b.size + 1) / 12.0)
    left_out = max(0, math.floor(apart.size / 2.0 - reach))
    return middle(apart), float(apart[left_out]), float(apart[-1 - left_out])


def _rank_p(samples: Sequence[tuple[NDArray[np.float64], NDArray[np.float64]]]) -> list[float]:
    """Mann and Whitney's p of each pair; exact where no two of its values are equal and it has not too many.

    Pairs of like sizes are tested together: a call takes much longer than the test.
    """
    from scipy.stats import mannwhitneyu

    alike: dict[tuple[int, int, bool], list[int]] = {}
    for number, (a, b) in enumerate(samples):
        ties = np.unique(np.concatenate([a, b])).size < a.size + b.size
        alike.setdefault((a.size, b.size, not ties and a.size * b.size <= MOST_FOR_EXACT), []).append(number)
    p = np.empty(len(samples))
    for (_, _, exact), numbers in alike.items():
        first, second = zip(*(samples[number] for number in numbers), strict=True)
        p[numbers] = mannwhitneyu(first, second, axis=1, method="exact" if exact else "asymptotic").pvalue
    return p.tolist()


def compare_batches(first: Mapping[Key, ArrayLike], second: Mapping[Key, ArrayLike]) -> list[Comparison[Key]]:
    """Compare two batches reading by reading, corrected (Holm) for how many there are; the surest first.

    Readings that only one batch has, or with less than two values in either, are left out.
    """
    shared = [key for key in first if key in second and min(np.size(first[key]), np.size(second[key])) >= 2]
    compared = sample_differences([(first[key], second[key]) for key in shared], of=len(shared))
    corrected = holm([difference.p for difference in compared])
    result = [
        Comparison(key=key, difference=difference, p_corrected=float(p), moved=bool(p <= LEVEL))
        for key, difference, p in zip(shared, compared, corrected, strict=True)
    ]
    return sorted(result, key=lambda one: (one.p_corrected, one.difference.p))


def holm(p_values: ArrayLike) -> NDArray[np.float64]:
    """Correct p values for being many: shape (n,), in the order given, none above 1.

    Source: Holm, Scandinavian Journal of Statistics 6 (1979).
    """
    p = np.asarray(p_values, dtype=np.float64)
    order = np.argsort(p)
    corrected = np.empty(p.size)
    corrected[order] = np.minimum(np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1)), 1.0)
    return corrected


@dataclass(frozen=True, kw_only=True)
class SideDifference:
    """First channel less second of one reading, unit by unit; `p` is corrected for all readings."""

    key: ReadingKey  # of the first channel
    other: ReadingKey  # of the second
    unit: str
    channels: tuple[str, str]
    difference: PairedDifference
    p_corrected: float


def compare(first: Sequence[Series], second: Sequence[Series]) -> list[Comparison[ReadingKey]]:
    """Compare two batches reading by reading, corrected (Holm) for how many; the surest difference first."""
    return compare_batches(_values_by_key(first), _values_by_key(second))


def side_differences(series: Sequence[Series]) -> list[SideDifference]:
    """Compare the two channels unit by unit, reading by reading; the surest difference first.

    Channels in the order of their names. Readings that only one of two channels has are left out.
    """
    by_key = {one.key: one for one in series if one.key.measurand.channel}
    channels = sorted({key.measurand.channel for key in by_key})
    if len(channels) != 2:
        return []
    left, right = channels
    result = []
    for key, one in by_key.items():
        mirrored = replace(key, measurand=key.measurand.mirrored(left, right))
        if key.measurand.channel == left and mirrored in by_key:
            _, first, second = shared_values(one, by_key[mirrored])
            if first.size >= 2:
                result.append((one, mirrored, paired_difference(first, second)))
    corrected = holm([difference.p for *_, difference in result])
    sides = [
        SideDifference(
            key=one.key,
            other=other,
            unit=one.unit,
            channels=(left, right),
            difference=difference,
            p_corrected=float(p),
        )
        for (one, other, difference), p in zip(result, corrected, strict=True)
    ]
    return sorted(sides, key=lambda side: (side.p_corrected, side.difference.p))


def shared_values(
    one: Series, other: Series
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Return the runs in which both were measured, and the values of each, run by run."""
    if np.array_equal(one.run_ids, other.run_ids):
        both = one.measured & other.measured
        return one.run_ids[both], one.values[both], other.values[both]
    runs, here, there = np.intersect1d(
        one.run_ids[one.measured], other.run_ids[other.measured], return_indices=True
    )
    return runs, one.values[one.measured][here], other.values[other.measured][there]


def _values_by_key(series: Sequence[Series]) -> Mapping[ReadingKey, NDArray[np.float64]]:
    return {one.key: one.values[one.measured] for one in series}
