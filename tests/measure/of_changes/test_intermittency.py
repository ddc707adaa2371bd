"""Failure bounds against Newcombe's table, the NIST handbook and closed forms."""

import pytest

from harness.errors import UsageError
from harness.quantities.cycle import failure_rate


@pytest.mark.parametrize(
    ("failures", "operations", "lower", "upper"),
    [
        # Newcombe, Stat. Med. 17 (1998) 857, table I, method 5 (read in copies that agree)
        (81, 263, 0.2527, 0.3676),
        (15, 148, 0.0578, 0.1617),
        (0, 20, 0.0, 0.1684),
        (1, 29, 0.0009, 0.1776),
        (20, 20, 0.8316, 1.0),
    ],
)
def test_clopper_pearson_is_newcombes(failures: int, operations: int, lower: float, upper: float) -> None:
    result = failure_rate(failures, operations, sides="two")
    assert result.lower == pytest.approx(lower, abs=6e-5)
    assert result.upper == pytest.approx(upper, abs=6e-5)


def test_the_nist_handbooks_example() -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.1: 4 defects in 20, 90 %: 0.071354 and 0.401029 (exact 0.4010281)."""
    result = failure_rate(4, 20, confidence=0.90, sides="two")
    assert result.lower == pytest.approx(0.071354, abs=2e-6)
    assert result.upper == pytest.approx(0.401029, abs=2e-6)


@pytest.mark.parametrize(
    ("operations", "upper"),
    [(10, 0.258866), (30, 0.095034), (60, 0.048703), (100, 0.029513), (300, 0.0099361), (1000, 0.00299125)],
)
def test_no_failure_bounds_the_rate_by_three_over_n(operations: int, upper: float) -> None:
    """1 - 0.05^(1/n), the "rule of three" (Hanley and Lippman-Hand, JAMA 249, 1983, from memory)."""
    assert failure_rate(0, operations).upper == pytest.approx(upper, rel=2e-5)
    assert failure_rate(0, operations).upper < 3 / operations


@pytest.mark.parametrize(
    ("confidence", "reliability", "operations"),
    [
        (0.90, 0.90, 22), (0.90, 0.95, 45), (0.90, 0.99, 230), (0.90, 0.999, 2302),
        (0.95, 0.80, 14), (0.95, 0.90, 29), (0.95, 0.95, 59), (0.95, 0.99, 299), (0.95, 0.999, 2995),
        (0.99, 0.90, 44), (0.99, 0.95, 90), (0.99, 0.99, 459), (0.99, 0.999, 4603),
    ],
)  # fmt: skip
def test_a_success_run_of_the_tables_length_proves_what_they_say(
    confidence: float, reliability: float, operations: int
) -> None:
    """Closed form: n = ln(1 - C)/ln R, rounded up; one operation less is too few."""
    assert failure_rate(0, operations, confidence=confidence).upper <= 1 - reliability + 1e-12
    assert failure_rate(0, operations - 1, confidence=confidence).upper > 1 - reliability


@pytest.mark.parametrize(("rate", "needed"), [(0.05, (59, 93, 124, 153)), (0.10, (29, 46, 61, 76))])
def test_with_failures_allowed_it_takes_longer(rate: float, needed: tuple[int, int, int, int]) -> None:
    """Binomial sampling plans, 95 % confidence, 0 to 3 failures allowed (closed form)."""
    for allowed, operations in enumerate(needed):
        assert failure_rate(allowed, operations).upper <= rate
        assert failure_rate(allowed, operations - 1).upper > rate


def test_counts_that_cannot_be_are_refused() -> None:
    with pytest.raises(UsageError, match="5 failures in 4 operations"):
        failure_rate(5, 4)
    with pytest.raises(UsageError, match="confidence"):
        failure_rate(0, 10, confidence=1.0)
