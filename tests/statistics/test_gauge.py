"""The gauge study and its sums, against the AIAG manual's example and NIST's certified values."""

import numpy as np
import pytest

from harness.statistics.control_charts import mean_and_sigma
from harness.statistics.gauge import gauge_anova, tolerance_width
from tests.statistics.msa import MSA

MAVRO = [
    2.00180, 2.00170, 2.00180, 2.00190, 2.00180, 2.00170, 2.00150, 2.00140, 2.00150, 2.00150,
    2.00170, 2.00180, 2.00180, 2.00190, 2.00190, 2.00210, 2.00200, 2.00160, 2.00140, 2.00130,
    2.00130, 2.00150, 2.00150, 2.00160, 2.00150, 2.00140, 2.00130, 2.00140, 2.00150, 2.00140,
    2.00150, 2.00160, 2.00150, 2.00160, 2.00190, 2.00200, 2.00200, 2.00210, 2.00220, 2.00230,
    2.00240, 2.00250, 2.00270, 2.00260, 2.00260, 2.00260, 2.00270, 2.00260, 2.00250, 2.00240,
]  # fmt: skip
MICHELSO = [
    299.85, 299.74, 299.90, 300.07, 299.93, 299.85, 299.95, 299.98, 299.98, 299.88,
    300.00, 299.98, 299.93, 299.65, 299.76, 299.81, 300.00, 300.00, 299.96, 299.96,
    299.96, 299.94, 299.96, 299.94, 299.88, 299.80, 299.85, 299.88, 299.90, 299.84,
    299.83, 299.79, 299.81, 299.88, 299.88, 299.83, 299.80, 299.79, 299.76, 299.80,
    299.88, 299.88, 299.88, 299.86, 299.72, 299.72, 299.62, 299.86, 299.97, 299.95,
    299.88, 299.91, 299.85, 299.87, 299.84, 299.84, 299.85, 299.84, 299.84, 299.84,
    299.89, 299.81, 299.81, 299.82, 299.80, 299.77, 299.76, 299.74, 299.75, 299.76,
    299.91, 299.92, 299.89, 299.86, 299.88, 299.72, 299.84, 299.85, 299.85, 299.78,
    299.89, 299.84, 299.78, 299.81, 299.76, 299.81, 299.79, 299.81, 299.82, 299.85,
    299.87, 299.87, 299.81, 299.74, 299.81, 299.94, 299.95, 299.80, 299.81, 299.87,
]  # fmt: skip


def test_the_analysis_of_variance_is_the_manuals() -> None:
    study = gauge_anova(MSA, tolerance=8.0)
    unit, appraiser, both, repeat = study.table
    assert [row.freedom for row in study.table] == [9, 2, 18, 60]
    assert [row.sum_of_squares for row in study.table] == pytest.approx(
        [88.3619, 3.1673, 0.3590, 2.7589], abs=6e-5
    )
    assert [unit.mean_square, appraiser.mean_square] == pytest.approx([9.81799, 1.58363], abs=6e-6)
    assert [both.mean_square, repeat.mean_square] == pytest.approx([0.01994, 0.04598], abs=6e-6)
    assert (both.f, both.p) == pytest.approx((0.434, 0.974), abs=6e-4)
    assert study.interaction is None  # pooled


def test_the_components_are_the_manuals() -> None:
    study = gauge_anova(MSA, tolerance=8.0)
    variances = [
        part.sigma**2
        for part in (study.gauge, study.repeatability, study.reproducibility, study.unit, study.total)
    ]
    assert variances == pytest.approx([0.09143, 0.03997, 0.05146, 1.08645, 1.17788], abs=6e-6)
    assert [study.gauge.sigma, study.unit.sigma, study.total.sigma] == pytest.approx(
        [0.30237, 1.04233, 1.08530], abs=6e-6
    )
    assert [study.gauge.contribution_percent, study.unit.contribution_percent] == pytest.approx(
        [7.76, 92.24], abs=0.005
    )
    assert [study.gauge.study_percent, study.unit.study_percent] == pytest.approx([27.86, 96.04], abs=0.005)
    assert study.gauge.tolerance_percent == pytest.approx(22.68, abs=0.005)
    assert study.categories == 4  # 4.86, cut


HAND = [[[10, 12], [14, 16]], [[20, 22], [24, 26]]]  # worked by hand: sums of squares 200, 32, 0, 8


def test_a_study_worked_by_hand_pooled_and_not() -> None:
    pooled = gauge_anova(HAND)
    assert [row.sum_of_squares for row in pooled.table] == [200, 32, 0, 8]
    parts = (pooled.repeatability, pooled.reproducibility, pooled.unit)
    assert [part.sigma**2 for part in parts] == pytest.approx([1.6, 7.6, 49.6])
    apart = gauge_anova(HAND, pool_above_p=1.0)
    assert [
        part.sigma**2 for part in (apart.repeatability, apart.reproducibility, apart.unit)
    ] == pytest.approx([2, 8, 50])
    assert apart.interaction == 0.0  # came out negative


def test_a_simulated_study_finds_what_went_in() -> None:
    """Seed 21: sigma 1 between units, 0.3 between appraisers, 0.2 of interaction, 0.1 of repeats."""
    rng = np.random.default_rng(21)
    units, appraisers, trials = 200, 40, 3
    data = (
        rng.normal(0, 1, (units, 1, 1))
        + rng.normal(0, 0.3, (1, appraisers, 1))
        + rng.normal(0, 0.2, (units, appraisers, 1))
        + rng.normal(0, 0.1, (units, appraisers, trials))
    )
    study = gauge_anova(data)
    assert study.repeatability.sigma == pytest.approx(0.1, rel=0.05)
    assert study.interaction == pytest.approx(0.2, rel=0.05)
    assert study.reproducibility.sigma == pytest.approx(np.hypot(0.3, 0.2), rel=0.25)
    assert study.unit.sigma == pytest.approx(1.0, rel=0.15)


@pytest.mark.parametrize(("appraiser", "both"), [(0.5, 0.3), (0.0, 0.0)], ids=["apart", "pooled"])
def test_the_interval_of_a_gauge_holds_the_truth_as_often_as_it_says(appraiser: float, both: float) -> None:
    """By simulation, seed 1: five units, three appraisers, two trials; such intervals hold about 95 %."""
    rng = np.random.default_rng(1)
    truth = np.sqrt(appraiser**2 + both**2 + 0.25)
    held = 0
    for _ in range(200):
        study = gauge_anova(
            rng.normal(0, 2, (5, 1, 1))
            + rng.normal(0, appraiser, (1, 3, 1))
            + rng.normal(0, both, (5, 3, 1))
            + rng.normal(0, 0.5, (5, 3, 2))
        )
        assert study.gauge_low <= study.gauge.sigma <= study.gauge_high
        held += study.gauge_low <= truth <= study.gauge_high
    assert held >= 179  # less than that once in 2000 (binomial of 200 and 0.95, by scipy.stats)


def test_a_bench_without_spread_says_that_it_hides_it() -> None:
    study = gauge_anova(np.arange(3.0)[:, None, None] * np.ones((3, 2, 2)))
    assert study.gauge.sigma == 0
    assert study.categories == 0
    assert "the resolution hides it" in study.caveats[0]


@pytest.mark.parametrize("shape", [(3, 1, 2), (3, 2, 1), (3, 2)])
def test_a_study_that_is_not_crossed_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="crossed study"):
        gauge_anova(np.ones(shape))


def test_a_one_sided_tolerance_is_twice_the_distance_to_its_limit() -> None:
    assert tolerance_width(-0.2, 0.2, 0.1) == pytest.approx(0.4)
    assert tolerance_width(None, -80.0, -92.0) == pytest.approx(24.0)
    assert tolerance_width(None, None, 0.0) is None


# NIST StRD univariate, certified (Mavro, Michelso); the NumAcc sets as their definitions say, from memory.
@pytest.mark.parametrize(
    ("values", "mean", "sigma", "digits"),
    [
        (MAVRO, 2.00185600000000, 0.000429123454003053, 1e-11),
        (MICHELSO, 299.852400000000, 0.0790105478190518, 1e-11),
        ([10000001, 10000003, 10000002], 10000002, 1, 1e-14),
        ([1.2] + [1.1, 1.3] * 500, 1.2, 0.1, 1e-13),
        ([1000000.2] + [1000000.1, 1000000.3] * 500, 1000000.2, 0.1, 1e-8),
        ([10000000.2] + [10000000.1, 10000000.3] * 500, 10000000.2, 0.1, 1e-7),
    ],
    ids=["Mavro", "Michelso", "NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4"],
)
def test_univariate_figures_are_nists(values: list[float], mean: float, sigma: float, digits: float) -> None:
    found_mean, found_sigma = mean_and_sigma(np.array(values))
    assert found_mean == pytest.approx(mean, rel=1e-14)
    assert found_sigma == pytest.approx(sigma, rel=digits)
