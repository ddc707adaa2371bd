"""What order alone is worth, against published tables and every order there is."""

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.statistics.compare import sample_differences
from harness.statistics.drift import drift


def mann_whitney_p(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    return sample_differences([(first, second)], test="mann-whitney")[0].p


def kendall_p(times: NDArray[np.float64], values: NDArray[np.float64]) -> float:
    return drift(times, values).p


@pytest.mark.parametrize(("n", "critical"), [(8, 13), (10, 23), (15, 64), (20, 127)])
def test_mann_whitneys_critical_values_are_those_of_the_table(n: int, critical: int) -> None:
    """Two-sided 5 %, as many on each side: Hollander and Wolfe, and most textbooks; from memory."""

    def p(lost: int) -> float:
        """Of samples of which the first loses so many pairs: some values all of theirs, one what is left."""
        losses = np.zeros(n)
        losses[: lost // n], losses[lost // n] = n, lost % n
        return mann_whitney_p(n - 0.5 - losses + 0.001 * np.arange(n), np.arange(float(n)))

    assert p(critical) <= 0.05 < p(critical + 1)


def test_mann_whitney_counts_every_way_to_deal_the_values_out() -> None:
    values = np.arange(7.0)
    dealt = [np.isin(range(7), chosen) for chosen in itertools.combinations(range(7), 3)]
    won = [sum(a > b for a in values[one] for b in values[~one]) for one in dealt]
    for one, pairs in zip(dealt, won, strict=True):
        as_far = np.mean([abs(other - 6) >= abs(pairs - 6) for other in won])  # 6 of 12 in the middle
        assert mann_whitney_p(values[one], values[~one]) == pytest.approx(as_far)


def test_values_that_are_all_equal_say_nothing() -> None:
    assert mann_whitney_p(np.ones(10), np.ones(12)) == 1.0
    assert kendall_p(np.arange(10.0), np.ones(10)) == 1.0


def test_kendall_counts_every_order() -> None:
    times = np.arange(6.0)
    orders = [np.array(order) for order in itertools.permutations(times)]
    excess = [abs(np.sign(np.subtract.outer(order, order))[np.triu_indices(6, 1)].sum()) for order in orders]
    for one, away in zip(orders, excess, strict=True):
        assert kendall_p(times, one) == pytest.approx(np.mean(np.array(excess) >= away))


@pytest.mark.parametrize(("excess", "one_sided"), [(21, 0.036), (23, 0.023), (25, 0.014)])
def test_kendalls_table_of_ten_values(excess: int, one_sided: float) -> None:
    """Kendall, Rank Correlation Methods, appendix table 1; from memory."""
    values = np.arange(10.0)
    for _ in range((45 - excess) // 2):  # each swap of neighbours sets one more pair against the trend
        rising = np.flatnonzero(np.diff(values) > 0)[0]
        values[[rising, rising + 1]] = values[[rising + 1, rising]]
    assert kendall_p(np.arange(10.0), values) / 2 == pytest.approx(one_sided, abs=5e-4)
