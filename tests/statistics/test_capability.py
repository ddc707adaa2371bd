"""Capability, normality and tolerance, against the NIST/SEMATECH e-Handbook, scipy and simulation."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import anderson, binom, nct, norm

from harness.statistics.capability import (
    anderson_darling_p,
    capability,
    noncentral_t,
    normal_tolerance,
    normality,
    one_sided_factor,
    population_caveats,
    propose_limits,
    range_confidence,
    two_sided_factor,
)


def sample_of(mean: float, sigma: float, n: int) -> NDArray[np.float64]:
    """n values, normal by construction, with exactly this mean and standard deviation."""
    values = norm.ppf((np.arange(1, n + 1) - 0.5) / n)
    values = np.random.default_rng(n).permutation(values)
    return np.asarray(mean + sigma * (values - values.mean()) / values.std(ddof=1))


def test_cp_and_cpk_are_the_handbooks() -> None:
    """e-Handbook 6.1.6: USL 20, LSL 8, mean 16, sigma 2."""
    result = capability(sample_of(16.0, 2.0, 50), 8.0, 20.0)
    assert result.cp is not None
    assert (result.cp.value, result.cpu, result.cpl, result.cpk.value) == pytest.approx(
        (1.0, 0.6667, 1.3333, 0.6667), abs=5e-5
    )


def test_the_interval_of_cpk_is_bissells() -> None:
    """Bissell (1990), as e-Handbook 6.1.6 gives it; the formula is from memory, evaluated here by hand."""
    result = capability(sample_of(16.0, 2.0, 50), 8.0, 20.0).cpk
    half = 1.959964 * math.sqrt(1 / 450 + (2 / 3) ** 2 / 98)
    assert (result.low, result.high) == pytest.approx((2 / 3 - half, 2 / 3 + half), abs=1e-6)


def test_one_sided_indices_agree_with_one_sided_tolerance_factors() -> None:
    """Two roads: an index of k / 3 leaves the proportion whose factor is k at the interval's end."""
    n, proportion = 43, 0.90
    k = one_sided_factor(n, proportion=proportion, confidence=0.975)
    result = capability(sample_of(0.0, 1.0, n), None, k)
    assert result.cpk.low == pytest.approx(norm.ppf(proportion) / 3, rel=1e-6)
    assert (result.cp, result.cpl, result.cpu) == (None, None, result.cpk.value)


@pytest.mark.parametrize("freedom", [2, 4, 19, 100])
@pytest.mark.parametrize("statistic", [-8.0, -0.3, 0.0, 0.4, 3.0, 12.0, 30.0])
@pytest.mark.parametrize("away", [-2.0, -0.5, 0.0, 1.0, 2.5])
def test_the_non_central_t_is_scipys_where_that_works(freedom: int, statistic: float, away: float) -> None:
    centre = statistic + away
    assert noncentral_t(statistic, freedom, centre) == pytest.approx(
        float(nct.cdf(statistic, freedom, centre)), abs=1e-7
    )


def test_an_index_far_from_its_limit_still_has_an_interval() -> None:
    """A process at Cpu 40: the interval is then chi-squared's, as for Cp."""
    values = sample_of(0.0, 0.01, 25)
    one, two = capability(values, None, 1.2).cpk, capability(values, -1.2, 1.2).cp
    assert two is not None
    assert (one.value, one.low, one.high) == pytest.approx((two.value, two.low, two.high), rel=1e-3)


def test_the_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """By simulation, seed 7: a process of Cp 1.2, Cpk 1.0, samples of 40."""
    rng = np.random.default_rng(7)
    held = {"cp": 0, "cpu": 0, "cpk": 0}
    trials = 200
    for _ in range(trials):
        values = rng.normal(0.6, 1.0, 40)
        result, upper = capability(values, -3.6, 3.6), capability(values, None, 3.6)
        assert result.cp is not None
        held["cp"] += result.cp.low <= 1.2 <= result.cp.high
        held["cpu"] += upper.cpk.low <= 1.0 <= upper.cpk.high
        held["cpk"] += result.cpk.low <= 1.0 <= result.cpk.high
    fewest = binom.ppf(0.001, trials, 0.95)
    assert min(held["cp"], held["cpu"]) >= fewest
    assert held["cpk"] >= binom.ppf(0.001, trials, 0.93)  # an approximation


@pytest.mark.parametrize("seed", range(4))
def test_the_anderson_darling_statistic_is_scipys(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = [rng.normal(5, 2, 30), rng.exponential(1, 60), rng.uniform(0, 1, 200), rng.normal(0, 1, 8)][seed]
    n = values.size
    scipys = float(anderson(values, "norm", method="interpolate").statistic)  # type: ignore[call-overload]  # newer than its stubs
    assert normality(values).statistic == pytest.approx(scipys * (1 + 0.75 / n + 2.25 / n**2), rel=1e-9)


# Critical values for an unknown mean and sigma: Stephens, JASA 69 (1974); D'Agostino and Stephens (1986),
# table 4.7: 0.631 at 10 %, 0.752 at 5 %, 1.035 at 1 %, of the adjusted statistic.
@pytest.mark.parametrize(("statistic", "p"), [(0.631, 0.10), (0.752, 0.05), (1.035, 0.01)])
def test_p_of_the_critical_values_is_their_level(statistic: float, p: float) -> None:
    assert anderson_darling_p(statistic) == pytest.approx(p, rel=0.03)


def test_normal_values_are_seldom_called_otherwise() -> None:
    rng = np.random.default_rng(11)
    called = sum(normality(rng.normal(0, 1, 25)).p < 0.05 for _ in range(1000))
    assert binom.ppf(0.0005, 1000, 0.05) <= called <= binom.ppf(0.9995, 1000, 0.05)


# NIST/SEMATECH e-Handbook 7.2.6.3 (prc263.htm).
def test_tolerance_factors_are_the_handbooks() -> None:
    assert two_sided_factor(43, proportion=0.90, confidence=0.99) == pytest.approx(2.217, abs=5e-4)
    assert one_sided_factor(43, proportion=0.90, confidence=0.99) == pytest.approx(1.8740, abs=5e-5)
    assert one_sided_factor(6, proportion=0.90, confidence=0.99) == pytest.approx(4.4111, abs=5e-5)


# 95/95 one-sided, exact. A table in circulation has 4.166 for n = 5; the non-central t gives 4.203.
@pytest.mark.parametrize(
    ("n", "factor"), [(5, 4.203), (10, 2.911), (20, 2.396), (30, 2.220), (50, 2.065), (100, 1.927)]
)
def test_exact_one_sided_factors(n: int, factor: float) -> None:
    assert one_sided_factor(n, proportion=0.95, confidence=0.95) == pytest.approx(factor, abs=5e-4)


# Wilks: 59 values for one side, 93 for both, at 95/95 (common tables of zero and one allowed failures).
def test_the_range_of_enough_values_holds_95_percent() -> None:
    assert range_confidence(59, proportion=0.95, side="upper") >= 0.95
    assert range_confidence(58, proportion=0.95, side="upper") < 0.95
    assert range_confidence(93, proportion=0.95) >= 0.95
    assert range_confidence(92, proportion=0.95) < 0.95


def test_a_tolerance_interval_holds_what_it_says() -> None:
    rng = np.random.default_rng(13)
    held = 0
    for _ in range(400):
        interval = normal_tolerance(rng.normal(0, 1, 20), proportion=0.9, confidence=0.95)
        assert interval.low is not None
        assert interval.high is not None
        held += norm.cdf(interval.high) - norm.cdf(interval.low) >= 0.9
    assert held >= binom.ppf(0.001, 400, 0.945)


def test_doubts_are_said() -> None:
    rng = np.random.default_rng(17)
    assert population_caveats(sample_of(0.0, 1.0, 50)) == ()
    (few,) = population_caveats([1.0, 1.1, 0.9, 1.05, 0.93])
    assert (few.kind, "only 5 values" in str(few)) == ("few", True)
    skewed = {caveat.kind: str(caveat) for caveat in population_caveats(rng.exponential(1.0, 100))}
    assert "Anderson-Darling" in skewed["not normal"]
    shifted = np.concatenate([rng.normal(0, 1, 40), rng.normal(4, 1, 40)])
    assert "not in control" in [caveat.kind for caveat in population_caveats(shifted)]


def test_capability_refuses_what_has_none() -> None:
    with pytest.raises(ValueError, match="without spread"):
        capability([1.0, 1.0, 1.0], 0.0, 2.0)
    with pytest.raises(ValueError, match="without spread"):
        capability([0.1 + 0.2, 0.3], 0.0, 2.0)  # a rounding is no spread
    with pytest.raises(ValueError, match="without a limit"):
        capability([1.0, 2.0, 3.0], None, None)


def test_values_whose_squares_are_no_numbers_have_no_spread() -> None:
    """A file of records may hold anything; nothing that was measured is so small."""
    with pytest.raises(ValueError, match="all 9 values are equal"):
        capability(1e-200 * np.arange(9.0), -1.0, 1.0)


def test_limits_are_proposed_with_their_reasons() -> None:
    values = sample_of(-6.02, 0.01, 50)
    proposal = propose_limits(values, unit="dB", guard=0.008)
    factor = two_sided_factor(50, proportion=0.99, confidence=0.95)
    wanted = -6.02 - factor * 0.01 - 0.008
    assert proposal.low is not None
    assert proposal.low == pytest.approx(wanted, abs=0.0011)
    assert proposal.low <= wanted  # rounded outwards
    assert proposal.low == round(proposal.low, 3)
    reasons = " ".join(proposal.reasoning)
    assert "50 values, mean -6.02 dB, standard deviation 0.01 dB" in reasons
    assert "99 % of all units with 95 % confidence" in reasons
    assert "0.008 dB, the expanded uncertainty" in reasons
    assert proposal.caveats == ()


def test_a_proposal_never_loosens_the_limit_in_force() -> None:
    proposal = propose_limits(sample_of(0.0, 0.1, 50), unit="dB", current=(-0.2, 1.0))
    assert proposal.low == -0.2
    assert proposal.high is not None
    assert 0.3 < proposal.high < 0.5
    assert "Not beyond the limit in force" in proposal.reasoning[-1]


def test_values_that_are_not_normal_get_the_range_that_was_seen() -> None:
    values = np.random.default_rng(19).exponential(1.0, 93)
    proposal = propose_limits(values, unit="dB", side="upper")
    assert proposal.low is None
    assert values.max() <= proposal.high <= 1.1 * values.max()
    assert "with 61 % confidence only" in " ".join(proposal.reasoning)  # 1 - 0.99^93


def test_values_that_are_all_alike_are_not_called_anything_else() -> None:
    proposal = propose_limits([0.02955] * 12, unit="A", guard=0.0003)
    assert "mean 29.55 mA" in proposal.reasoning[0]
    assert proposal.reasoning[1].startswith("All alike: the smallest and largest seen")


def test_few_values_propose_nothing() -> None:
    proposal = propose_limits([1.0] * 9, unit="dB")
    assert (proposal.low, proposal.high) == (None, None)
    assert "9 values passed: too few to propose limits" in proposal.reasoning[0]
