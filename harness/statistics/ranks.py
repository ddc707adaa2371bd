"""What the order of values alone is worth: the p of Mann and Whitney's test and of Kendall's.

Computed as in scipy.stats, against which the tests hold it: that takes half a second to be imported, and for
each of a batch's readings ten times as long as the test itself.
"""

import math
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

MOST_PAIRS_FOR_EXACT = 10_000  # of Mann and Whitney: to count all orders of 200 on each side takes seconds
MOST_RUNS_FOR_EXACT = 33  # of Kendall


def mann_whitney_p(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    """How likely samples of one distribution would be so far apart, either way; values of shape (n,) each.

    Exact where no two values are equal and there are not too many pairs; else by the normal distribution,
    with corrections for ties and for continuity. Sources: Mann and Whitney, Annals of Mathematical
    Statistics 18 (1947); Hollander and Wolfe, Nonparametric Statistical Methods, section 4.1.
    """
    pairs, n = first.size * second.size, first.size + second.size
    in_order = np.sort(second)
    below, not_above = (int(np.searchsorted(in_order, first, side).sum()) for side in ("left", "right"))
    won = (below + not_above) / 2.0  # by the first; half of each pair of equal values
    lost = pairs - max(won, pairs - won)
    of_equal = ties(np.concatenate([first, second]))
    if not of_equal.size and pairs <= MOST_PAIRS_FOR_EXACT:
        return min(1.0, 2.0 * float(_chance_of_lost(*sorted((first.size, second.size)))[int(lost)]))
    from scipy.special import ndtr

    variance = pairs / 12.0 * ((n + 1) - float(np.sum(of_equal**3 - of_equal)) / (n * (n - 1)))
    if variance <= 0:
        return 1.0
    return min(1.0, 2.0 * float(ndtr(-(pairs / 2.0 - lost - 0.5) / math.sqrt(variance))))


def kendall_p(times: NDArray[np.float64], values: NDArray[np.float64]) -> float:
    """How likely values without a trend would rise or fall as steadily; both of shape (n,), n >= 3.

    Exact where nothing is equal and the runs are few, or almost all agree; else by the normal distribution.
    Source: Kendall, Rank Correlation Methods (1970).
    """
    n, pairs = times.size, times.size * (times.size - 1) // 2
    signs = np.sign(np.subtract.outer(times, times)) * np.sign(np.subtract.outer(values, values))
    excess = abs(int(signs.sum())) // 2  # of pairs that go one way over those that go the other
    of_equal = (ties(times), ties(values))
    against = (pairs - excess) // 2
    if not any(one.size for one in of_equal) and against <= 1:
        return min(1.0, least_p_of_trend(n - against))
    if not any(one.size for one in of_equal) and n <= MOST_RUNS_FOR_EXACT:
        orders = float(np.sum(orders_against_trend(n)[: against + 1]))
        return min(1.0, 2.0 * orders / math.factorial(n))
    from scipy.special import ndtr

    variance = variance_of_excess(n, *of_equal)
    if all(k.size for k in of_equal):
        m = n * (n - 1.0)
        twos = math.prod(float(np.sum(k * (k - 1) // 2)) for k in of_equal)
        threes = math.prod(float(np.sum(k * (k - 1) * (k - 2))) for k in of_equal)
        variance = variance + 2.0 * twos / m + threes / (9.0 * m * (n - 2))
    return 2.0 * float(ndtr(-excess / math.sqrt(variance))) if variance > 0 else 1.0


def variance_of_excess(n: int, *of_equal: NDArray[np.int64]) -> float:
    """Of how many pairs of n rise less how many fall, where there is no trend.

    of_equal: how many times, and how many values, are equal; as where only one of the two has any.
    """
    squares = sum(float(np.sum(k * (k - 1) * (2 * k + 5))) for k in of_equal if k.size)
    return (n * (n - 1.0) * (2 * n + 5) - squares) / 18.0


def least_p_of_trend(n: int) -> float:
    """Of n values that only rise or only fall: one of all orders, and its mirror image."""
    return 2.0 / math.factorial(n) if n <= _LAST_FACTORIAL else 0.0


_LAST_FACTORIAL = 170  # whose value a double can hold


@cache
def orders_against_trend(n: int) -> NDArray[np.float64]:
    """How many orders of n have 0, 1, 2, … pairs against the trend, up to half of all pairs.

    Source: Kendall, Biometrika 30 (1938).
    """
    orders = np.zeros(n * (n - 1) // 4 + 1)
    orders[0] = 1.0
    for size in range(2, n + 1):  # the newest stands before 0, 1, … or all of those that were there
        orders = np.cumsum(orders)
        orders[size:] = orders[size:] - orders[:-size]
    return orders


@lru_cache(maxsize=100)
def _chance_of_lost(fewer: int, more: int) -> NDArray[np.float64]:
    """The chance to lose at most 0, 1, 2, … pairs, up to half of all.

    The orders that lose u are the sum of those that lose less, each times what the divisors of the difference
    add up to, by u. Source: Löffler, Wissenschaftliche Zeitschrift der Martin-Luther-Universität 32 (1983);
    from memory.
    """
    from scipy.special import binom

    most = fewer * more // 2
    divisors = np.zeros(most + 1)
    for number in range(1, fewer + 1):
        divisors[number::number] += number
        divisors[more + number :: more + number] -= more + number
    backwards = divisors[::-1].copy()
    orders = np.zeros(most + 1)
    orders[0] = 1.0
    for lost in range(1, most + 1):
        orders[lost] = math.floor(orders[:lost] @ backwards[most - lost : most] / lost)  # a whole number
    return np.cumsum(orders / binom(fewer + more, fewer))


def ties(values: NDArray[np.float64]) -> NDArray[np.int64]:
    """How many values are equal, of each that comes more than once."""
    in_order = np.sort(values)
    edges = np.flatnonzero(in_order[1:] != in_order[:-1])
    if edges.size == values.size - 1:
        return np.zeros(0, dtype=np.int64)
    counts = np.diff(np.concatenate([[-1], edges, [values.size - 1]]))
    return counts[counts > 1]
