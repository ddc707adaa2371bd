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
from harness.quantities.judged import Judged
from harness.quantities.seen import StateSeen
from harness.reading import Estimate, Reading
from harness.session.recorder import Taken


@dataclass(frozen=True, kw_only=True, eq=False)
class Measured:
    """An acquisition that has been made: its hookup, and what was taken or the reason why nothing was."""

    hookup: Hookup
    stimulus: Stimulus
    taken: Taken | None
    transfer: Transfer | None
    prediction: Prediction | None
    reason: str


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
        return missing_reading(planned, str(error), sequence=sequence, setup=setup, records=records)
    return _reading(planned, judged, found, expected, sequence=sequence, setup=setup, records=records)


def missing_reading(
    planned: Planned,
    reason: str,
    *,
    sequence: CheckSequence,
    setup: str = "",
    records: tuple[int, ...] = (),
) -> Reading:
    """A reading that could not be taken."""
    judged = Judged(verdict="missing", reason=reason)
    return _reading(planned, judged, None, None, sequence=sequence, setup=setup, records=records)


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
    try:
        seen = [_seen(planned, index, one, reference, gain_accuracy) for index, one in enumerate(measured)]
    except ReadingError as error:
        return missing_reading(planned, str(error), sequence=sequence, setup=setup, records=records)
    return make_reading(planned, seen, sequence=sequence, setup=setup, records=records)


def _seen(
    planned: Planned, index: int, one: Measured, reference: Reference | None, gain_accuracy: float
) -> StateSeen:
    """A capture for a reading; ReadingError where the inputs that it is made from were not well captured."""
    if one.taken is None:
        raise ReadingError(one.reason)
    view = planned.given.views[index]
    rows = {*view.rows, *(view.driven_rows or ())}
    refusal = one.taken.refusal(sorted(one.taken.capture.inputs[row] for row in rows))
    if refusal:
        raise ReadingError(refusal)
    if one.reason:
        raise ReadingError(one.reason)
    made = one.prediction
    return StateSeen(
        stimulus=one.stimulus,
        capture=one.taken.capture,
        fit=one.taken.fit,
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
    sequence: CheckSequence,
    setup: str,
    records: tuple[int, ...],
) -> Reading:
    one = planned.measurand
    return Reading(
        check=planned.key.check,
        quantity=one.quantity,
        state=one.state,
        channel=one.channel,
        port=one.port,
        hookup=setup,
        frequency_hz=one.frequency_hz,
        unit=planned.quantity.unit,
        value=found.value if found else None,
        standard=found.standard if found else None,
        low=found.low if found else None,
        high=found.high if found else None,
        coverage_factor=sequence.coverage_factor,
        floor=found.floor if found else False,
        expected=expected.value if expected else None,
        expected_standard=expected.standard if expected else None,
        limit_low=judged.low,
        limit_high=judged.high,
        verdict=judged.verdict,
        reason=judged.reason,
        budget=found.budget if found else (),
        acquisitions=records,
        route=planned.route,
    )
