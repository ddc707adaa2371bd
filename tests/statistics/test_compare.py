"""Differences and trends, against scipy, published examples and NIST's certified regression."""

import itertools

import numpy as np
import pytest
from numpy.typing import ArrayLike
from scipy import stats

from harness.statistics.compare import (
    Difference,
    Test,
    compare_batches,
    holm,
    paired_difference,
    sample_differences,
)
from harness.statistics.drift import drift, least_p_of_trend

# Fifteen p values of Benjamini and Hochberg, J. R. Statist. Soc. B 57 (1995), section 4: at 5 % their
# procedure rejects four, Bonferroni's (and Holm's) three. Quoted from memory.
THROMBOLYSIS_P = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240,
    0.4262, 0.5719, 0.6528, 0.7590, 1.0000,
]  # fmt: skip


def compare_samples(
    first: ArrayLike, second: ArrayLike, *, test: Test | None = None, of: int = 1
) -> Difference:
    (result,) = sample_differences([(first, second)], test=test, of=of)
    return result


def test_the_correction_rejects_as_published() -> None:
    shuffled = np.random.default_rng(5).permutation(THROMBOLYSIS_P)
    assert int((holm(shuffled) <= 0.05).sum()) == 3


def test_holm_by_hand() -> None:
    assert holm([0.03, 0.01, 0.02, 0.9]) == pytest.approx([0.06, 0.04, 0.06, 0.9])
    assert holm([0.6, 0.7]) == pytest.approx([1.0, 1.0])
    assert holm([]).size == 0


@pytest.mark.parametrize("seed", [1, 2])
def test_welch_and_its_interval_are_scipys(seed: int) -> None:
    rng = np.random.default_rng(seed)
    first, second = rng.normal(0, 1, 12), rng.normal(0.5, 3, 30)
    result = compare_samples(first, second, test="welch")
    scipys = stats.ttest_ind(second, first, equal_var=False)
    interval = scipys.confidence_interval()
    assert result.p == pytest.approx(scipys.pvalue)
    assert (result.low, result.high) == pytest.approx((interval.low, interval.high))
    assert result.shift == pytest.approx(second.mean() - first.mean())


def test_ranks_give_the_median_difference_as_published() -> None:
    """Permeability of a membrane: Hollander and Wolfe, Nonparametric Statistical Methods, chapter 4.

    Two-sided p 0.2544, estimate 0.305, 95 % interval -0.15 to 0.76; data and figures from memory.
    """
    x = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46]
    y = [1.15, 0.88, 0.90, 0.74, 1.21]
    result = compare_samples(y, x, test="mann-whitney")
    assert result.p == pytest.approx(0.2544, abs=5e-5)
    assert result.shift == pytest.approx(0.305)
    assert (result.low, result.high) == pytest.approx((-0.15, 0.76), abs=1e-9)


def test_the_paired_difference_is_scipys() -> None:
    rng = np.random.default_rng(8)
    left = rng.normal(0, 1, 20)
    right = left + rng.normal(0.1, 0.05, 20)
    result = paired_difference(left, right)
    scipys = stats.ttest_rel(left, right)
    interval = scipys.confidence_interval()
    assert result.p == pytest.approx(scipys.pvalue)
    assert (result.low, result.high) == pytest.approx((interval.low, interval.high))


def test_the_test_is_chosen_by_how_many_values_there_are() -> None:
    few, many = [0.0, 1.0, 2.0], list(range(8))
    assert compare_samples(few, many).test == "welch"
    assert compare_samples(many, many).test == "mann-whitney"
    # Eight and eight wholly apart have p = 2 / C(16, 8) = 1.6e-4: nothing is left of it among 359 readings.
    assert compare_samples(many, many, of=359).test == "welch"
    assert compare_samples(range(10), range(10), of=359).test == "mann-whitney"


def test_ten_units_against_ten_show_a_reading_that_moved_among_hundreds() -> None:
    """Wholly apart: p is 2 / C(20, 10) exactly, not the 1.8e-4 of a normal approximation."""
    rng = np.random.default_rng(4)
    first = {number: rng.normal(0, 1, 10) for number in range(359)}
    second = {number: rng.normal(0, 1, 10) for number in range(359)}
    second[5] = second[5] + 20.0
    result = compare_batches(first, second)
    assert [one.key for one in result if one.moved] == [5]
    assert result[0].difference.p == pytest.approx(2 / 184_756)
    assert result[0].difference.low < 20.0 < result[0].difference.high


def test_one_faulty_unit_does_not_hide_a_shift_from_ranks() -> None:
    rng = np.random.default_rng(9)
    before, after = rng.normal(0, 0.01, 20), rng.normal(0.03, 0.01, 20)
    after[4] = -60.0  # a dead unit
    assert compare_samples(before, after, test="welch").p > 0.05
    assert compare_samples(before, after).p < 1e-4


def test_the_reading_that_moved_is_found_among_many_that_did_not() -> None:
    rng = np.random.default_rng(10)
    first = {f"reading {number}": rng.normal(0, 1, 20) for number in range(200)}
    second = {f"reading {number}": rng.normal(0, 1, 20) for number in range(200)}
    second["reading 77"] = second["reading 77"] + 3.0
    second["only here"] = np.zeros(20)
    first["one value"], second["one value"] = np.array([1.0]), np.array([2.0])
    result = compare_batches(first, second)
    assert len(result) == 200
    assert [one.key for one in result if one.moved] == ["reading 77"]
    assert result[0].difference.shift == pytest.approx(3.0, abs=1.0)
    assert sum(one.difference.p <= 0.05 for one in result) > 3  # what correction is for


def test_values_without_spread_differ_as_surely_as_their_order_says() -> None:
    """What a coarse reading shows twice may be chance: one of all ways to deal out, or of signs."""
    assert compare_samples([1.0, 1.0], [1.0, 1.0]).p == 1.0
    assert compare_samples([1.0, 1.0], [-1.0, -1.0]).p == pytest.approx(1 / 3)  # 2 of C(4, 2)
    assert paired_difference([1.0, 2.0, 3.0], [0.0, 1.0, 2.0]).p == pytest.approx(1 / 4)
    # 0.02 as the difference of doubles: what is left of it at the sixteenth digit is no spread
    assert paired_difference([0.02, 0.03], [0.0, 0.01]).p == pytest.approx(1 / 2)
    assert compare_samples([1.0] * 10, [1.0] * 10).p == pytest.approx(1.0)
    assert paired_difference([1.0, 2.0], [1.0, 2.0]).p == 1.0


def test_a_drift_is_found_and_no_drift_is_not() -> None:
    rng = np.random.default_rng(12)
    days = np.arange(30.0)
    moving = drift(days, 0.002 * days + rng.normal(0, 0.005, 30))
    assert moving.significant
    assert moving.low < 0.002 < moving.high
    assert moving.p < 1e-4
    still = [drift(days, rng.normal(0, 0.005, 30)) for _ in range(200)]
    result = sum(one.significant for one in still)
    assert stats.binom.ppf(0.001, 200, 0.05) <= result <= stats.binom.ppf(0.999, 200, 0.05)


def test_one_stray_run_does_not_move_the_robust_trend() -> None:
    days = np.arange(20.0)
    values = 0.001 * days
    values[19] = 5.0
    assert drift(days, values).slope == pytest.approx(0.001)
    assert np.polyfit(days, values, 1)[0] > 0.05  # which least squares would not withstand


def test_trends_need_times_that_differ() -> None:
    with pytest.raises(ValueError, match="times are equal"):
        drift([1.0] * 5, range(5))
    with pytest.raises(ValueError, match="needs its time"):
        drift(range(5), range(6))
    with pytest.raises(ValueError, match="3 values are too few; expected 5 or more"):
        drift([1.0, 2.0, 3.0], [1.0, 2.0, 3.5])
    flat = drift(range(5), [1.0] * 5)
    assert (flat.slope, flat.significant, flat.p) == (0.0, False, 1.0)


@pytest.mark.parametrize("n", [5, 6])
def test_sens_interval_holds_no_trend_in_95_of_100_orders_of_few_runs(n: int) -> None:
    """By every order there is; the normal approximation holds 92 of 100 of five."""
    every = [drift(range(n), order) for order in itertools.permutations(map(float, range(n)))]
    assert np.mean([one.low <= 0 <= one.high for one in every]) >= 0.95
    assert every[0].p == pytest.approx(least_p_of_trend(n)) == pytest.approx(2 / len(every))
    assert all(one.p <= 0.05 for one in every if one.significant)


@pytest.mark.parametrize("sizes", [(12, 30), (100, 100), (101, 100)], ids=str)
def test_readings_compared_together_come_out_as_each_alone(sizes: tuple[int, int]) -> None:
    rng = np.random.default_rng(5)
    first = {number: rng.normal(0.0, 1.0, sizes[0] - number % 2) for number in range(6)}
    second = {number: rng.normal(0.3 * number, 1.0, sizes[1]) for number in range(6)}
    first[4], second[4] = np.round(first[4], 1), np.round(second[4], 1)  # with ties
    pairs = [(first[key], second[key]) for key in first]
    assert sample_differences(pairs, test="mann-whitney") == [
        compare_samples(one, other, test="mann-whitney") for one, other in pairs
    ]


def test_of_very_many_units_the_ranks_have_the_normal_p() -> None:
    """To count all orders of 200 on each side out takes scipy seconds a reading, and a batch has hundreds."""
    rng = np.random.default_rng(1)
    before, after = rng.normal(0.0, 1.0, 200), rng.normal(0.3, 1.0, 200)
    result = compare_samples(before, after, of=359)
    assert result.test == "mann-whitney"
    assert result.p == stats.mannwhitneyu(before, after, method="asymptotic").pvalue
