"""Yields and their limits, against published intervals."""

from dataclasses import replace
from typing import Literal

import pytest

from harness.records.history import RunLine
from harness.records.run import Outcome
from harness.statistics.yields import (
    YIELD_DEFINITION,
    clopper_pearson,
    first_complete_runs,
    pareto,
    yields,
)
from tests.statistics.test_batch_figures import LINE


def runs(*pairs: tuple[str, Outcome | Literal["interrupted"]]) -> list[RunLine]:
    return [replace(LINE, serial=serial, outcome=outcome) for serial, outcome in pairs]


# Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, to its four digits; the two marked rows are the
# same method by other hands, from memory.
@pytest.mark.parametrize(
    ("count", "total", "low", "high"),
    [
        (81, 263, 0.2527, 0.3676),
        (15, 148, 0.0578, 0.1617),
        (0, 20, 0.0, 0.1684),
        (1, 29, 0.0009, 0.1776),
        (490, 500, 0.9635, 0.9904),  # not Newcombe
        (20, 20, 0.8316, 1.0),  # not Newcombe
    ],
)
def test_the_interval_of_a_proportion_is_the_published_one(
    count: int, total: int, low: float, high: float
) -> None:
    result = clopper_pearson(count, total)
    assert (result.low, result.high) == pytest.approx((low, high), abs=5e-5)
    assert result.value == count / total


def test_the_interval_agrees_with_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20 at 90 %; it prints 0.401029 where 0.4010281 is exact."""
    result = clopper_pearson(4, 20, confidence=0.90)
    assert (result.low, result.high) == pytest.approx((0.071354, 0.401029), abs=2e-6)


# 0 of n at 95 % one-sided is 90 % two-sided: Hanley and Lippman-Hand, JAMA 249 (1983), exact column.
@pytest.mark.parametrize(
    ("total", "high"), [(10, 0.258866), (30, 0.095034), (100, 0.029513), (1000, 0.00299125)]
)
def test_no_failure_in_n_leaves_the_share_of_the_rule_of_three(total: int, high: float) -> None:
    assert clopper_pearson(0, total, confidence=0.90).high == pytest.approx(high, rel=1e-4)


def test_of_nothing_nothing_is_known() -> None:
    result = clopper_pearson(0, 0)
    assert (result.value, result.low, result.high) == (None, 0.0, 1.0)


@pytest.mark.parametrize(("count", "total"), [(3, 2), (-1, 2)])
def test_counts_that_cannot_be_are_refused(count: int, total: int) -> None:
    with pytest.raises(ValueError, match="cannot be counted"):
        clopper_pearson(count, total)


def test_first_pass_yield_counts_first_complete_runs_only() -> None:
    result = yields(
        runs(
            ("A", "stopped"),  # the bench's doing: A's first complete run is the next
            ("A", "pass"),
            ("B", "fail"),
            ("B", "pass"),  # a retest or a repair: final yield only
            ("C", "unproven"),
            ("D", "pass"),
            ("D", "fail"),  # came back: not good in the end
            ("E", "interrupted"),  # never measured in full: no unit of this yield
        )
    )
    assert (result.first_pass.count, result.first_pass.total) == (2, 4)
    assert (result.final.count, result.final.total) == (2, 4)
    assert (result.units, result.complete_runs, result.other_runs) == (4, 6, 2)


def test_the_first_complete_run_is_kept_in_order_and_the_definition_says_so() -> None:
    history = runs(("A", "stopped"), ("B", "fail"), ("A", "pass"), ("B", "pass"))
    assert first_complete_runs(history) == [history[1], history[2]]
    assert "first complete run" in YIELD_DEFINITION
    assert "Stopped and interrupted runs" in YIELD_DEFINITION


def test_a_pareto_ranks_and_adds_up() -> None:
    lines = pareto(["K2 stuck", "K1 open", "K1 open", "leg open", "K1 open"])
    assert [(line.label, line.count) for line in lines] == [("K1 open", 3), ("K2 stuck", 1), ("leg open", 1)]
    assert [line.share for line in lines] == pytest.approx([0.6, 0.2, 0.2])
    assert [line.cumulative for line in lines] == pytest.approx([0.6, 0.8, 1.0])
    assert pareto([]) == []
