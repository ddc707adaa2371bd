"""Verdicts, with the worked examples of JCGM 106:2012."""

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from harness.errors import ReadingError
from harness.judge import Decision, judge, judge_polarity, limits_for, unit_verdict
from harness.reading import Estimate, Limit, Verdict


def estimate(value: float, standard: float, k: float = 2.0) -> Estimate:
    return Estimate(
        value=value,
        standard=standard,
        low=value - k * standard,
        high=value + k * standard,
        coverage_factor=k,
        floor=False,
        budget=(),
    )


def floor_at(value: float) -> Estimate:
    whole = estimate(value, 0.0)
    return replace(whole, standard=None, low=-math.inf, floor=True)


@pytest.mark.parametrize(
    ("value", "standard", "low", "high", "k", "verdict", "why"),
    [  # figures of the examples from memory of JCGM 106:2012, recomputed
        (-5.47, 0.05, None, -5.40, 2.0, "unproven", "7.3 breakdown voltage: conforms with 0.92"),
        (-5.47, 0.05, None, -5.40, norm.ppf(0.919), "pass", "the same at 0.919"),
        (509.7, 8.6, 490, None, 2.0, "pass", "7.3 burst strength: conforms with 0.99"),
        (13.6, 1.8, 12.5, 16.3, 2.0, "unproven", "7.4 oil viscosity: conforms with 0.66"),
        (107.0, 0.02 * 107.0, None, 100.0, norm.ppf(0.999), "fail", "guarded rejection at 0.999: 107 km/h"),
        (106.0, 0.02 * 106.0, None, 100.0, norm.ppf(0.999), "unproven", "just under it, 106 km/h"),
        (1500.179, 0.04, 1499.80, 1500.20, 0.5, "pass", "9 resistors: accepted to 1500.18, guard band 0.02"),
        (1500.181, 0.04, 1499.80, 1500.20, 0.5, "unproven", "and no further"),
    ],
)
def test_guarded_verdicts_of_the_standard_s_examples(
    value: float, standard: float, low: float | None, high: float | None, k: float, verdict: str, why: str
) -> None:
    assert judge(estimate(value, standard, k), low, high) == verdict, why


@settings(deadline=None, derandomize=True)
@given(
    value=st.floats(-3, 3),
    standard=st.floats(0.01, 2),
    high=st.floats(-1, 1),
    k=st.sampled_from([1.0, 1.645, 2.0]),
)
def test_a_one_sided_pass_is_never_less_sure_than_its_coverage(
    value: float, standard: float, high: float, k: float
) -> None:
    """JCGM 106:2012, 7.3: the probability of conformance of a one-sided limit is the normal integral."""
    conforms = norm.cdf((high - value) / standard)
    verdict = judge(estimate(value, standard, k), None, high)
    if verdict == "pass":
        assert conforms >= norm.cdf(k) - 1e-9
    elif verdict == "fail":
        assert conforms <= norm.cdf(-k) + 1e-9
    else:
        assert norm.cdf(-k) - 1e-9 <= conforms <= norm.cdf(k) + 1e-9


@pytest.mark.parametrize(("over_u", "risk"), [(0.8224, 0.05), (0.98, 0.025), (1.0, 0.02275), (1.1632, 0.01)])
def test_a_guard_band_of_so_many_expanded_uncertainties_risks_so_much(over_u: float, risk: float) -> None:
    """ILAC-G8:09/2019, 4.2 (as tla.sgs.com quotes it): at the acceptance limit, w = r U, U of k = 2."""
    value = 10.0 - over_u * 2 * 0.1
    assert norm.sf(10.0, loc=value, scale=0.1) == pytest.approx(risk, rel=1e-3)
    assert judge(estimate(value - 1e-9, 0.1, k=2 * over_u), None, 10.0) == "pass"
    assert judge(estimate(value + 1e-9, 0.1, k=2 * over_u), None, 10.0) == "unproven"


def test_a_simple_decision_looks_at_the_value_alone() -> None:
    assert judge(estimate(0.99, 1.0), None, 1.0, decision="simple") == "pass"
    assert judge(estimate(1.01, 1.0), None, 1.0, decision="simple") == "fail"


@pytest.mark.parametrize("decision", ["guarded", "simple"])
@pytest.mark.parametrize(
    ("floor_db", "low_db", "high_db", "verdict"),
    [
        (-101, None, -100, "pass"),
        (-92, None, -100, "unproven"),  # "not measurable: floor -92, limit -100" is no pass
        (-40, -6, None, "fail"),  # a signal that should be there is below the floor
        (-3, -6, None, "unproven"),
        (-40, -0.2, 0.2, "fail"),
    ],
)
def test_a_floor_passes_only_below_the_limit(
    decision: Decision, floor_db: float, low_db: float | None, high_db: float | None, verdict: str
) -> None:
    assert judge(floor_at(floor_db), low_db, high_db, decision=decision) == verdict


@settings(deadline=None, derandomize=True)
@given(field=st.sampled_from(["value", "low", "high"]), decision=st.sampled_from(["guarded", "simple"]))
def test_what_is_no_number_never_passes(field: str, decision: Decision) -> None:
    not_a_number: dict[str, Any] = {field: math.nan}
    broken = replace(estimate(0.0, 0.1), **not_a_number)
    assert judge(broken, None, None, decision=decision) == "unproven"
    assert judge(broken, -1, 1, decision=decision) == "unproven"


def test_the_prediction_s_own_uncertainty_widens_the_interval() -> None:
    reading = estimate(0.13, 0.03)
    assert judge(reading, -0.2, 0.2) == "pass"
    assert (
        judge(reading, -0.2, 0.2, expected_standard=0.03) == "unproven"
    )  # 0.13 + 2 hypot(0.03, 0.03) = 0.215


@pytest.mark.parametrize(
    ("limit", "expected", "result"),
    [
        (Limit(kind="within", unit="dB", high=0.2), -4.6, (-4.8, -4.4)),
        (Limit(kind="within", unit="A", high=0.15, relative=True), 0.02, (0.017, 0.023)),
        (Limit(kind="within", unit="V", high=0.1, relative=True), -2.0, (-2.2, -1.8)),
        (Limit(kind="below", unit="dB", high=-80.0), None, (None, -80.0)),
        (Limit(kind="above", unit="dB", low=40.0), None, (40.0, None)),
        (Limit(kind="between", unit="V", low=-0.001, high=0.001), None, (-0.001, 0.001)),
    ],
)
def test_limits_in_the_limit_s_unit(
    limit: Limit, expected: float | None, result: tuple[float | None, ...]
) -> None:
    assert limits_for(limit, expected) == pytest.approx(result)


@pytest.mark.parametrize("expected", [None, math.nan, -math.inf])
def test_a_limit_round_no_prediction_is_refused(expected: float | None) -> None:
    with pytest.raises(ReadingError, match="predicts no value"):
        limits_for(Limit(kind="within", unit="dB", high=0.2), expected)


@pytest.mark.parametrize(
    ("result", "expected", "verdict"),
    [(1, 1, "pass"), (-1, -1, "pass"), (-1, 1, "fail"), (0, 1, "unproven"), (math.nan, 1, "unproven")],
)
def test_polarity_must_be_as_predicted(result: float, expected: int, verdict: str) -> None:
    assert judge_polarity(result, expected) == verdict


@pytest.mark.parametrize(
    ("verdicts", "unit"),
    [
        (["pass", "pass"], "pass"),
        (["pass", "unproven"], "unproven"),
        (["pass", "missing"], "unproven"),
        (["missing", "unproven", "fail"], "fail"),
        ([], "unproven"),
    ],
)
def test_a_unit_passes_only_when_every_reading_does(verdicts: list[Verdict], unit: str) -> None:
    assert unit_verdict(verdicts) == unit
