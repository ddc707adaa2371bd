"""What two measurements of one reading come to; intervals and verdicts of the table are closed form."""

import math
from dataclasses import replace

import pytest

from harness.judge import Decision, judge
from harness.measure.budget import at_least, below
from harness.reading import (
    Estimate,
    Fact,
    Limit,
    LostToBench,
    Measurand,
    MeasuredAgain,
    Reading,
    ReadingKey,
    Verdict,
)
from harness.session.repeats.confirmation import agree, confirmed, is_doubtful, same_value, unconfirmed
from tests.known import known

LIMIT = Limit(kind="between", unit="dB", low=-0.5, high=0.5)
U_DB = 0.1


def reading(
    value_db: float | None,
    decision: Decision = "simple",
    facts: tuple[Fact, ...] = (),
    acquisition: int = 1,
) -> Reading:
    """A gain within ± 0.5 dB, with an expanded uncertainty of 0.1 dB; missing without a value."""
    estimate = None
    verdict: Verdict = "missing"
    if value_db is not None:
        estimate = Estimate(
            value=value_db,
            standard=U_DB / 2,
            low=value_db - U_DB,
            high=value_db + U_DB,
            coverage_factor=2.0,
            floor=False,
            budget=(),
        )
        verdict = judge(estimate, LIMIT.low, LIMIT.high, decision=decision)
    return Reading(
        key=ReadingKey(check="Gain", measurand=Measurand(quantity="gain", state="idle")),
        unit="dB",
        estimate=estimate,
        expected=None,
        limit_low=LIMIT.low,
        limit_high=LIMIT.high,
        verdict=verdict,
        reason="",
        facts=facts,
        acquisitions=(acquisition,),
        route="in > K1 > out",
        setup="left",
    )


@pytest.mark.parametrize(
    ("first_db", "again_db", "cause", "verdict", "value_db"),
    [
        (-6.0, -6.02, "", "fail", -6.02),
        (-6.0, -3.0, "", "fail", -3.0),  # both outside, whatever it is
        (-6.0, 0.0, "", "unproven", 0.0),
        (-6.0, 0.0, "the supply was off", "pass", 0.0),
        (-0.52, -0.46, "", "pass", -0.49),  # alike: their mean is judged, not the later
        (-0.56, -0.46, "", "fail", -0.51),
        (None, 0.0, "", "unproven", 0.0),
        (None, 0.0, "the current came late", "pass", 0.0),
        (None, -6.0, "", "unproven", -6.0),
        (-6.0, None, "", "unproven", -6.0),
        (None, None, "", "missing", None),
    ],
)
def test_a_reading_that_did_not_pass_is_what_both_measurements_come_to(
    first_db: float | None, again_db: float | None, cause: str, verdict: Verdict, value_db: float | None
) -> None:
    result = confirmed(
        reading(first_db), reading(again_db, acquisition=2), limit=LIMIT, decision="simple", cause=cause
    )
    assert result.verdict == verdict
    assert (result.estimate and result.estimate.value) == (value_db and pytest.approx(value_db))
    assert result.acquisitions == (1, 2)
    assert result.facts == (
        MeasuredAgain(
            verdict=reading(first_db).verdict,
            value=first_db,
            again_verdict=reading(again_db).verdict,
            again_value=again_db,
            cause=cause,
        ),
    )


def test_what_the_bench_lost_at_first_is_what_the_second_measurement_says() -> None:
    lost = reading(None, facts=(LostToBench(instrument="oscilloscope"),))
    assert confirmed(lost, reading(0.0), limit=LIMIT, decision="guarded").verdict == "pass"
    assert confirmed(lost, reading(-6.0), limit=LIMIT, decision="guarded").verdict == "fail"


def test_a_bound_agrees_with_no_value() -> None:
    """A relay that was not seen to move in a whole record, and then in 5 ms."""
    still = replace(known(reading(6.0).estimate), high=math.inf)
    first = replace(reading(6.0), estimate=still)
    assert not agree(still, reading(0.0).estimate)
    assert confirmed(first, reading(0.0), limit=LIMIT, decision="guarded", cause="late").verdict == "pass"
    assert confirmed(first, reading(0.0), limit=LIMIT, decision="guarded").verdict == "unproven"


def test_a_contact_that_fails_once_is_named_by_its_route() -> None:
    result = confirmed(reading(-6.0), reading(0.0), limit=LIMIT, decision="guarded")
    assert result.reason == (
        "it failed at -6.00 dB, and passed at 0.00 dB after all relays were released and set again: a "
        "contact that is not reliable, or the bench. Its route: in > K1 > out"
    )


def test_only_what_failed_or_is_missing_is_measured_again() -> None:
    doubtful = [is_doubtful(reading(value_db)) for value_db in (0.0, -6.0, None)]
    assert doubtful == [False, True, True]
    assert not is_doubtful(replace(reading(0.0), verdict="unproven"))


def test_no_unit_fails_by_a_reading_that_could_not_be_measured_again() -> None:
    result = unconfirmed(reading(-6.0))
    assert (result.verdict, result.reason) == (
        "unproven",
        "it failed at -6.00 dB, and could not be measured again",
    )
    assert unconfirmed(reading(None)) == reading(None)


@pytest.mark.parametrize(
    ("bound", "is_same"), [(below(-60.0), False), (below(0.05), True), (at_least(102.0), False)]
)
def test_a_value_agrees_with_a_bound_that_it_may_keep(bound: Estimate, is_same: bool) -> None:
    assert same_value(reading(0.01), replace(reading(0.0), estimate=bound)) is is_same
