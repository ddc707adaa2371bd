"""Control charts, against the worked examples of the NIST/SEMATECH e-Handbook, section 6.3.2."""

import numpy as np
import pytest

from harness.statistics.control_charts import (
    D2,
    D4,
    RUN_RULES,
    cusum_chart,
    ewma_chart,
    individuals_chart,
    instability,
    run_signals,
)

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # e-Handbook 6.3.2.2

EWMA_DATA = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
EWMA_PRINTED = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip

CUSUM_DATA = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip
CUSUM_HIGH = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
CUSUM_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]


def test_the_individuals_chart_is_the_handbooks() -> None:
    """It has the factors of the range of two to three digits: 1.128 and 3.267."""
    chart = individuals_chart(FLOW)
    assert chart.ranges == pytest.approx([2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5])
    assert chart.centre == pytest.approx(50.81)
    assert chart.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert (round(D2, 3), round(D4, 3)) == (1.128, 3.267)
    assert (chart.lower, chart.upper) == pytest.approx((45.8159, 55.8041), abs=1e-3 * 1.8778)
    assert chart.upper_range == pytest.approx(6.1347, abs=1e-3)
    assert (chart.signals, chart.range_signals) == ((), ())


def test_the_ewma_is_the_handbooks() -> None:
    chart = ewma_chart(EWMA_DATA, target=50.0, sigma=2.0539, weight=0.3)
    assert chart.average == pytest.approx(EWMA_PRINTED, abs=0.0051)
    # The handbook prints 47.4115 below, from a factor cut to four digits; 47.41157 is exact.
    assert (chart.lower[-1], chart.upper[-1]) == pytest.approx((47.4115, 52.5884), abs=1e-4)
    assert chart.signals == ()


def test_ewma_limits_open_up_to_their_asymptote() -> None:
    chart = ewma_chart(EWMA_DATA, target=50.0, sigma=2.0, weight=0.3)
    assert chart.upper[0] - 50.0 == pytest.approx(3 * 2.0 * 0.3)  # of one value, weighted
    assert np.all(np.diff(chart.upper) > 0)
    assert chart.upper[-1] - 50.0 == pytest.approx(3 * 2.0 * np.sqrt(0.3 / 1.7), rel=1e-4)


def test_the_cusum_is_the_handbooks() -> None:
    chart = cusum_chart(CUSUM_DATA, target=325.0, allowance=0.3175, decision=4.1959)
    # Half-way values are rounded either way there.
    assert chart.high == pytest.approx(CUSUM_HIGH, abs=0.0051)
    assert chart.low == pytest.approx(CUSUM_LOW, abs=0.0051)
    assert chart.signals[0] == 13


# Each rule by the shortest run that meets it and one that just does not; sigma 1 around 0.
# Nelson, Journal of Quality Technology 16 (1984), from memory; the runs are made here.
@pytest.mark.parametrize(
    ("rule", "meets", "misses"),
    [
        (1, [3.1], [3.0]),
        (2, [0.1] * 9, [0.1] * 8 + [0.0]),
        (3, [-0.5, -0.2, 0.0, 0.1, 0.4, 0.7], [-0.5, -0.2, 0.0, 0.0, 0.4, 0.7]),
        (4, [0.2, -0.2] * 7, [0.2, -0.2] * 6 + [0.2, 0.3]),
        (5, [2.1, 0.0, 2.1], [2.1, 0.0, -2.1]),
        (6, [1.1, 1.1, 0.0, 1.1, 1.1], [1.1, 1.1, 0.0, -1.1, 1.1]),
        (7, [0.9, -0.5] * 7 + [0.9], [0.9, -0.5] * 7 + [1.0]),
        (8, [1.1, -1.2] * 4, [1.1, -1.2] * 3 + [1.1, 0.9]),
    ],
)
def test_each_run_rule_is_met_by_its_run_and_not_by_the_next_best(
    rule: int, meets: list[float], misses: list[float]
) -> None:
    (signal,) = run_signals(meets, centre=0.0, sigma=1.0, rules=[rule])
    assert (signal.rule, signal.at, signal.sentence) == (rule, len(meets) - 1, RUN_RULES[rule])
    assert run_signals(misses, centre=0.0, sigma=1.0, rules=[rule]) == ()
    mirrored = run_signals([-value for value in meets], centre=0.0, sigma=1.0, rules=[rule])
    assert [one.points for one in mirrored] == [signal.points]


def test_two_of_three_is_told_where_it_becomes_true() -> None:
    signals = run_signals([2.1, 2.2, 0.0, 0.0], centre=0.0, sigma=1.0, rules=[5])
    assert signals == ()  # two points are not three yet, and the third is not beyond
    (signal,) = run_signals([0.0, 2.1, 2.2, 0.0], centre=0.0, sigma=1.0, rules=[5])
    assert (signal.at, signal.points) == (2, (1, 2))


def test_values_in_control_seldom_signal() -> None:
    """Rule 1 alone: 0.27 % of normal values (closed form); all eight about 1 to 2 %."""
    rng = np.random.default_rng(20261125)
    values = rng.normal(0.0, 1.0, 20_000)
    alone = run_signals(values, centre=0.0, sigma=1.0, rules=[1])
    assert len(alone) / values.size == pytest.approx(0.0027, abs=0.0012)
    at = {signal.at for signal in run_signals(values, centre=0.0, sigma=1.0)}
    assert 0.005 < len(at) / values.size < 0.04


def test_a_good_batch_is_seldom_called_unstable_and_a_shifted_one_is() -> None:
    """Two tests at 1 % each, by simulation; an outlier value and a shift of two sigma half-way are found."""
    rng = np.random.default_rng(3)
    called = sum(bool(instability(rng.normal(0, 1, 40))) for _ in range(500))
    assert called <= 22
    shifted = [instability(np.r_[rng.normal(0, 1, 20), rng.normal(2, 1, 20)]) for _ in range(100)]
    assert sum("a shift or a drift" in " ".join(one) for one in shifted) >= 65
    outlier = instability(np.r_[rng.normal(0, 1, 30), 12.0, rng.normal(0, 1, 9)])
    assert "1 of 40 values lie further out than chance allows, the first as number 31" in " ".join(outlier)
    assert "unlike the one before it" in " ".join(instability([0.0, 1.0] * 10))


def test_values_that_never_vary_are_in_control() -> None:
    chart = individuals_chart([0.1 + 0.2] * 20)
    assert (chart.signals, chart.range_signals) == ((), ())
    assert chart.lower == chart.upper == chart.centre


@pytest.mark.parametrize("values", [[1.0], [1.0, float("nan")], [[1.0, 2.0]]])
def test_what_cannot_be_charted_is_refused(values: list[float | list[float]]) -> None:
    with pytest.raises(ValueError, match="values"):
        individuals_chart(values)
