"""What order alone is worth, against scipy.stats, published tables, and every order there is."""

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from harness.statistics.drift import drift
from harness.statistics.ranks import kendall_p, mann_whitney_p


def sample(rng, size, *, shift=0.0, ties=False):
    values = rng.normal(shift, 1.0, size)
    return np.round(values, 1) if ties else values


@pytest.mark.parametrize("ties", [False, True], ids=["no ties", "ties"])
@pytest.mark.parametrize(
    "sizes", [(2, 5), (8, 8), (12, 30), (30, 12), (100, 100), (101, 100), (300, 20)], ids=str
)
def test_mann_whitney_is_scipys(sizes, ties):
    """Beyond 10,000 pairs the normal approximation; scipy chooses it from nine values on each side on."""
    rng = np.random.default_rng(3)
    method = "asymptotic" if ties or math.prod(sizes) > 10_000 else "exact"
    for shift in (0.0, 0.3, 1.0, -5.0):
        first, second = sample(rng, sizes[0], ties=ties), sample(rng, sizes[1], shift=shift, ties=ties)
        if ties:
            first[0] = second[0]
        scipys = stats.mannwhitneyu(first, second, method=method).pvalue
        assert mann_whitney_p(first, second) == pytest.approx(scipys, rel=1e-12)


@pytest.mark.parametrize(("n", "critical"), [(8, 13), (10, 23), (15, 64), (20, 127)])
def test_mann_whitneys_critical_values_are_those_of_the_table(n, critical):
    """Two-sided 5 %, as many on each side: Hollander and Wolfe, and most textbooks; from memory."""

    def p(lost):
        """Of samples of which the first loses so many pairs: some values all of theirs, one what is left."""
        losses = np.zeros(n)
        losses[: lost // n], losses[lost // n] = n, lost % n
        return mann_whitney_p(n - 0.5 - losses + 0.001 * np.arange(n), np.arange(float(n)))

    assert p(critical) <= 0.05 < p(critical + 1)


def test_mann_whitney_counts_every_way_to_deal_the_values_out():
    values = np.arange(7.0)
    dealt = [np.isin(range(7), chosen) for chosen in itertools.combinations(range(7), 3)]
    won = [sum(a > b for a in values[one] for b in values[~one]) for one in dealt]
    for one, pairs in zip(dealt, won, strict=True):
        as_far = np.mean([abs(other - 6) >= abs(pairs - 6) for other in won])  # 6 of 12 in the middle
        assert mann_whitney_p(values[one], values[~one]) == pytest.approx(as_far)


def test_values_that_are_all_equal_say_nothing():
    assert mann_whitney_p(np.ones(10), np.ones(12)) == 1.0
    assert kendall_p(np.arange(10.0), np.ones(10)) == 1.0


@pytest.mark.parametrize("ties", [False, True], ids=["no ties", "ties"])
@pytest.mark.parametrize("n", [5, 12, 20, 33, 34, 100])
def test_kendall_is_scipys(n, ties):
    rng = np.random.default_rng(n)
    for slope in (0.0, 0.02, 0.2, -10.0):
        times = np.sort(rng.uniform(0.0, 10.0, n))
        values = slope * times + sample(rng, n, ties=ties)
        if ties:
            times[1], values[2] = times[0], values[3]
        scipys = stats.kendalltau(times, values).pvalue
        assert kendall_p(times, values) == pytest.approx(scipys, rel=1e-12)


def test_kendall_counts_every_order():
    times = np.arange(6.0)
    orders = [np.array(order) for order in itertools.permutations(times)]
    excess = [abs(np.sign(np.subtract.outer(one, one))[np.triu_indices(6, 1)].sum()) for one in orders]
    for one, away in zip(orders, excess, strict=True):
        assert kendall_p(times, one) == pytest.approx(np.mean(np.array(excess) >= away))


@pytest.mark.parametrize(("excess", "one_sided"), [(21, 0.036), (23, 0.023), (25, 0.014)])
def test_kendalls_table_of_ten_values(excess, one_sided):
    """Kendall, Rank Correlation Methods, appendix table 1; from memory."""
    values = np.arange(10.0)
    for _ in range((45 - excess) // 2):  # each swap of neighbours sets one more pair against the trend
        rising = np.flatnonzero(np.diff(values) > 0)[0]
        values[[rising, rising + 1]] = values[[rising + 1, rising]]
    assert kendall_p(np.arange(10.0), values) / 2 == pytest.approx(one_sided, abs=5e-4)


@pytest.mark.parametrize("n", [5, 33, 170, 171, 400])
def test_a_trend_that_never_turns_is_as_sure_as_one_order_of_all(n):
    times = np.arange(float(n))
    assert kendall_p(times, times) == pytest.approx(stats.kendalltau(times, times).pvalue, rel=1e-12, abs=0.0)


@pytest.mark.parametrize("ties", [False, True], ids=["no ties", "ties"])
def test_the_trend_of_many_runs_is_scipys(ties):
    rng = np.random.default_rng(7)
    times = np.sort(rng.uniform(0.0, 50.0, 80))
    values = 0.02 * times + sample(rng, 80, ties=ties)
    if ties:
        times = np.round(times)
    found = drift(times, values)
    slope, _, low, high = stats.theilslopes(values, times, alpha=0.95)
    assert (found.slope, found.low, found.high) == pytest.approx((slope, low, high), rel=1e-12)


def test_the_regressions_p_and_interval_are_scipys():
    rng = np.random.default_rng(8)
    times, values = np.arange(12.0), rng.normal(0.0, 1.0, 12)
    found = drift(times, values, method="regression")
    scipys = stats.linregress(times, values)
    half = stats.t.ppf(0.975, 10) * scipys.stderr
    assert found.p == pytest.approx(scipys.pvalue)
    assert (found.low, found.high) == pytest.approx((scipys.slope - half, scipys.slope + half))
