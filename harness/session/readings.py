"""From what the bench showed to judged readings: the quantity measures and judges, whichever it is."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from harness.circuit.predict import Prediction
from harness.errors import ReadingError
from harness.job.fixture import Hookup
from harness.job.sequence import Sequence as CheckSequence
from harness.measure.reference import Reference
from harness.measure.tones import Stimulus
from harness.measure.transfer import Transfer, predicted_transfer
from harness.plan.model import Planned
from harness.quantities.forms import StateSeen
from harness.quantities.quantity import Judged
from harness.reading import Estimate, Expected, InputRefused, Reading
from harness.session.recorder import Taken
from harness.session.recovery import NotTaken


@dataclass(frozen=True, kw_only=True, eq=False)
class Measured:
    """An acquisition that has been made: its hookup, and what was taken or why nothing was."""

    hookup: Hookup
    stimulus: Stimulus
    taken: Taken | None
    transfer: Transfer | None
    prediction: Prediction | None
    missing: NotTaken


def make_reading(
    planned: Planned,
    seen: Sequence[Any],
    *,
    sequence: CheckSequence,
    setup: str = "",
    records: tuple[int, ...] = (),
) -> Reading:
    """Measure and judge one reading; where it cannot be taken it is missing, with the reason.

    seen: what the bench showed, as the reading's family of quantities has it. setup: where, and records: the
    numbers of the captures in the records.
    """
    k = sequence.coverage_factor
    try:
        found = planned.quantity.measure(planned, seen, k)
        expected = planned.quantity.expected(planned, seen, k)
        if expected is not None:
            found = planned.quantity.near(found, expected)
        judged = planned.quantity.judged(planned, seen, found, expected, decision=sequence.decision)
    except ReadingError as error:
        return missing_reading(planned, NotTaken(reason=str(error)), setup=setup, records=records)
    return _reading(planned, judged, found, expected, setup=setup, records=records)


def missing_reading(
    planned: Planned, missing: NotTaken, *, setup: str = "", records: tuple[int, ...] = ()
) -> Reading:
    """A reading that could not be taken."""
    judged = Judged(verdict="missing", reason=missing.reason, facts=missing.facts)
    return _reading(planned, judged, None, None, setup=setup, records=records)


def make_state_reading(
    planned: Planned,
    measured: Sequence[Measured],
    *,
    sequence: CheckSequence,
    reference: Reference | None,
    gain_accuracy: float,
) -> Reading:
    """Make one reading of captures in states; missing where one that it needs was not well captured."""
    setup = measured[-1].hookup.name if measured else ""
    records = tuple(one.taken.record for one in measured if one.taken is not None)
    for index, one in enumerate(measured):
        missing = _refusal(planned, index, one)
        if missing is not None:
            return missing_reading(planned, missing, setup=setup, records=records)
    seen = [
        _seen(one, taken, reference, gain_accuracy)
        for one, taken in ((one, one.taken) for one in measured)
        if taken is not None
    ]
    return make_reading(planned, seen, sequence=sequence, setup=setup, records=records)


def _refusal(planned: Planned, index: int, one: Measured) -> NotTaken | None:
    """Why this reading isn't made: a capture is missing, or its inputs were not well captured."""
    if one.taken is None:
        return one.missing
    view = planned.given.views[index]
    rows = {*view.rows, *(view.driven_rows or ())}
    problems = one.taken.refusals(sorted(one.taken.capture.inputs[row] for row in rows))
    if not problems:
        return one.missing if one.missing.reason else None
    return NotTaken(
        reason="; ".join(problem.sentence for problem in problems),
        facts=tuple(
            InputRefused(input=problem.input, problem=problem.kind)
            for problem in problems
            if problem.input is not None
        ),
    )


def _seen(one: Measured, taken: Taken, reference: Reference | None, gain_accuracy: float) -> StateSeen:
    made = one.prediction
    return StateSeen(
        stimulus=one.stimulus,
        capture=taken.capture,
        fit=taken.fit,
        transfer=one.transfer,
        predicted=None
        if made is None
        else predicted_transfer(made.transfer, made.spreads, made.spread_names),
        reference=reference,
        gain_accuracy=gain_accuracy,
    )


def _reading(
    planned: Planned,
    judged: Judged,
    found: Estimate | None,
    expected: Estimate | None,
    *,
    setup: str,
    records: tuple[int, ...],
) -> Reading:
    return Reading(
        key=planned.key,
        unit=planned.quantity.unit,
        estimate=found,
        expected=None if expected is None else Expected(value=expected.value, standard=expected.standard),
        limit_low=judged.low,
        limit_high=judged.high,
        verdict=judged.verdict,
        reason=judged.reason,
        facts=judged.facts,
        acquisitions=records,
        route=planned.route,
        setup=setup,
    )
