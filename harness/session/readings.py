"""From transfers to judged readings: the quantity, what the circuit expects, the limit and the verdict."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from harness.circuit.predict import Prediction
from harness.errors import ReadingError
from harness.job.fixture import Hookup, PortName
from harness.job.sequence import Sequence as CheckSequence
from harness.judge import judge, judge_polarity, limits_for
from harness.measure import quantities
from harness.measure.bare import Bare
from harness.measure.quantities import View
from harness.measure.reference import Reference
from harness.measure.transfer import Transfer, predicted_transfer
from harness.plan import steady
from harness.plan.hookups import is_across
from harness.plan.keys import key_of
from harness.plan.model import PlannedReading, Stimulus
from harness.plan.supply import SUPPLY_METER
from harness.quantities.registry import QUANTITIES
from harness.reading import Estimate, Expected, Fact, InputRefused, Limit, Reading, Verdict
from harness.roles import SupplyReading
from harness.session.recorder import Taken
from harness.session.recovery import NotTaken
from harness.session.steady_readings import Seen, distortion, from_transfers, noise_level, pair_view

NO_LEVEL_DB = -200.0  # what a circuit predicts below this comes of its own leaks, and is no prediction
INPUT_OFFSET_DIVISIONS = 0.1  # of an input without a zero: common practice, no source


@dataclass(frozen=True, kw_only=True, eq=False)
class Measured:
    """An acquisition that has been made: its hookup, and what was taken or why nothing was."""

    hookup: Hookup
    stimulus: Stimulus
    taken: Taken | None
    transfer: Transfer | None
    prediction: Prediction | None
    missing: NotTaken

    def rows(self, channel: str, net: str) -> tuple[int, int]:
        """Rows of a port's legs in this view."""
        place = self.hookup.view.index(PortName(channel=channel, net=net))
        return 2 * place, 2 * place + 1


def make_reading(
    planned: PlannedReading,
    measured: Sequence[Measured],
    *,
    sequence: CheckSequence,
    reference: Reference | None,
    gain_accuracy: float,
    bare: Bare,
) -> Reading:
    """Make one reading; where it cannot be taken it is missing, with the reason."""
    for one in measured:
        missing = _refusal(planned, one)
        if missing is not None:
            return _missing(planned, measured, missing)
    try:
        if planned.quantity in ("noise", "distortion"):
            found = _residual(planned, measured[0], bare, gain_accuracy, sequence.coverage_factor)
            return _judged(planned, measured, found, None, sequence)
        if planned.quantity == "offset":
            found = _offset(planned, measured[0], reference, gain_accuracy, sequence.coverage_factor)
            return _judged(planned, measured, found, None, sequence)
        transfers = [one.transfer for one in measured]
        found = _quantity(
            planned, measured, transfers, sequence.coverage_factor, referenced=reference is not None
        )
        expected = _expected(planned, measured, sequence.coverage_factor)
        if QUANTITIES[planned.quantity].unit == "deg" and expected is not None:
            found = quantities.near_deg(found, expected.value)
        return _judged(planned, measured, found, expected, sequence)
    except ReadingError as error:
        return _missing(planned, measured, NotTaken(reason=str(error)))


def supply_reading(
    planned: PlannedReading, supply: SupplyReading, expected_a: float, *, sequence: CheckSequence
) -> Reading:
    """Judge the relay supply's current in one state."""
    found = quantities.supply_current(
        supply.current_a,
        supply.current_standard_a,
        meter_accuracy=SUPPLY_METER,
        k=sequence.coverage_factor,
    )
    expected = Estimate(
        value=expected_a,
        standard=0.0,
        low=expected_a,
        high=expected_a,
        coverage_factor=sequence.coverage_factor,
        floor=False,
        budget=(),
    )
    return _judged(planned, (), found, expected, sequence)


def missing_reading(planned: PlannedReading, missing: NotTaken) -> Reading:
    """A reading from no acquisition that could not be taken."""
    return _missing(planned, (), missing)


def _missing(planned: PlannedReading, measured: Sequence[Measured], missing: NotTaken) -> Reading:
    return _reading(planned, measured, verdict="missing", reason=missing.reason, facts=missing.facts)


def _refusal(planned: PlannedReading, one: Measured) -> NotTaken | None:
    """Why this reading isn't made: an acquisition is missing, or its inputs were not well captured."""
    if one.taken is None:
        return one.missing
    channels = {planned.channel}
    if is_across(planned.check):
        channels = {planned.channel, planned.driven}
    elif QUANTITIES[planned.quantity].between_channels:
        channels = {_driven_channel(one)}
    inputs = {
        one.taken.capture.inputs[row]
        for channel in channels
        if PortName(channel=channel, net=_net(planned)) in one.hookup.view
        for row in one.rows(channel, _net(planned))
    }
    problems = one.taken.refusals(sorted(inputs))
    if not problems:
        return None
    return NotTaken(
        reason="; ".join(problem.sentence for problem in problems),
        facts=tuple(
            InputRefused(input=problem.input, problem=problem.kind)
            for problem in problems
            if problem.input is not None
        ),
    )


def _net(planned: PlannedReading) -> str:
    return planned.port.split(".")[0]


def _view(one: Measured, transfer: Transfer | None, channel: str, net: str) -> View:
    if transfer is None:
        raise ReadingError(one.missing.reason)
    hot, cold = one.rows(channel, net)
    return View(transfer=transfer, hot=hot, cold=cold)


def _quantity(
    planned: PlannedReading,
    measured: Sequence[Measured],
    transfers: Sequence[Transfer | None],
    coverage_factor: float,
    *,
    referenced: bool = False,
    predicted: bool = False,
) -> Estimate:
    """The planned quantity of these transfers, be they measured or predicted."""
    if QUANTITIES[planned.quantity].between_channels:
        first, other = measured
        compare = (
            quantities.channel_phase if planned.quantity == "channel_phase" else quantities.channel_match
        )
        return compare(
            _view(other, transfers[1], planned.channel, planned.port),
            _view(first, transfers[0], _driven_channel(first), planned.port),
            coverage_factor,
        )
    seen = [_seen(planned, one, transfer) for one, transfer in zip(measured, transfers, strict=True)]
    if planned.quantity in steady.QUANTITIES:
        return from_transfers(planned, seen, referenced=referenced, predicted=predicted, k=coverage_factor)
    one = measured[0]
    view = pair_view(seen, referenced=referenced, predicted=predicted)
    if planned.quantity == "crosstalk":
        driven = _view(one, transfers[0], planned.driven, planned.port)
        return quantities.crosstalk(view, driven, coverage_factor)
    simple: dict[str, Callable[[View, float], Estimate]] = {
        "gain": quantities.gain,
        "isolation": quantities.gain,
        "polarity": quantities.polarity,
        "phase": quantities.phase,
        "balance": quantities.balance,
        "balance_phase": quantities.balance_phase,
    }
    return simple[planned.quantity](view, coverage_factor)


def _seen(planned: PlannedReading, one: Measured, transfer: Transfer | None) -> Seen:
    """One acquisition of a reading, with the rows of its port."""
    if transfer is None:
        raise ReadingError(one.missing.reason)
    net = _net(planned)
    driven = PortName(channel=planned.driven, net=net) in one.hookup.view
    added = one.hookup.source_added
    return Seen(
        transfer=transfer,
        rows=one.rows(planned.channel, net),
        driven_rows=one.rows(planned.driven, net) if driven else None,
        frequency_hz=one.stimulus.frequency_hz,
        leg="" if added is None else added.leg,
        swapped=one.hookup.exchanged,
    )


def _residual(
    planned: PlannedReading, one: Measured, bare: Bare, gain_accuracy: float, coverage_factor: float
) -> Estimate:
    """What is in a pair's record besides its tone."""
    if one.taken is None:
        raise ReadingError(one.missing.reason)
    rows = one.rows(planned.channel, _net(planned))
    if planned.quantity == "noise":
        return noise_level(planned, one.taken.capture, rows, bare, gain_accuracy, coverage_factor)
    return distortion(planned, one.taken, rows, one.stimulus, bare, coverage_factor)


def _driven_channel(one: Measured) -> str:
    if one.hookup.drive is None:
        raise ReadingError("a through hookup drives no channel")
    return one.hookup.drive.channel


def _expected(
    planned: PlannedReading, measured: Sequence[Measured], coverage_factor: float
) -> Estimate | None:
    """What the circuit expects; None where it expects nothing but leakage."""
    transfers = [
        predicted_transfer(one.prediction.transfer, one.prediction.spreads, one.prediction.spread_names)
        for one in measured
        if one.prediction is not None
    ]
    if len(transfers) != len(measured):
        return None
    try:
        expected = _quantity(planned, measured, transfers, coverage_factor, predicted=True)
    except ReadingError:
        return None
    if expected.floor or (QUANTITIES[planned.quantity].unit == "dB" and expected.value < NO_LEVEL_DB):
        return None
    return expected


def _offset(
    planned: PlannedReading,
    one: Measured,
    reference: Reference | None,
    gain_accuracy: float,
    coverage_factor: float,
) -> Estimate:
    if one.taken is None:
        raise ReadingError(one.missing.reason)
    capture, fit = one.taken.capture, one.taken.fit
    rows = one.rows(planned.channel, _net(planned))
    settings = [capture.setting.inputs[capture.inputs[row]].volts_per_division for row in rows]
    zeros = [
        None if reference is None else reference.offset(capture.inputs[row], setting)
        for row, setting in zip(rows, settings, strict=True)
    ]
    offset_accuracy_v = INPUT_OFFSET_DIVISIONS * max(settings)
    leg = planned.port.partition(".")[2]
    if leg:
        index = 0 if leg == "hot" else 1
        return quantities.offset(
            fit,
            rows[index],
            zeros[index],
            gain_accuracy=gain_accuracy,
            offset_accuracy_v=offset_accuracy_v,
            k=coverage_factor,
        )
    return quantities.pair_offset(
        fit,
        rows,
        (zeros[0], zeros[1]),
        gain_accuracy=gain_accuracy,
        offset_accuracy_v=offset_accuracy_v,
        k=coverage_factor,
    )


def _judged(
    planned: PlannedReading,
    measured: Sequence[Measured],
    found: Estimate,
    expected: Estimate | None,
    sequence: CheckSequence,
) -> Reading:
    """Compare with the limit and say what came of it."""
    low: float | None = None
    high: float | None = None
    reason = ""
    verdict: Verdict
    if planned.quantity == "polarity":
        verdict = judge_polarity(found.value, expected.value if expected else 0.0)
        if found.value == 0.0:
            reason = "neither in phase nor inverted: look for a missing leg"
    else:
        limit = planned.limit or Limit(kind="between", unit=QUANTITIES[planned.quantity].unit)
        low, high = limits_for(limit, expected.value if expected else None)
        doubt = (expected.standard or 0.0) if expected and limit.kind == "within" else 0.0
        verdict = judge(found, low, high, decision=sequence.decision, expected_standard=doubt)
        if verdict == "unproven":
            reason = _why_unproven(planned, found)
    return _reading(
        planned, measured, found=found, expected=expected, low=low, high=high,
        verdict=verdict, reason=reason,
    )  # fmt: skip


def _why_unproven(planned: PlannedReading, found: Estimate) -> str:
    if not found.floor:
        return "the limit lies inside the uncertainty"
    if planned.quantity == "common_mode_rejection":
        return "no conversion was seen, but this bench would not see as little as the limit allows"
    return "what is there lies below the bench's floor, which is not below the limit"


def _reading(
    planned: PlannedReading,
    measured: Sequence[Measured],
    *,
    verdict: Verdict,
    reason: str,
    facts: tuple[Fact, ...] = (),
    found: Estimate | None = None,
    expected: Estimate | None = None,
    low: float | None = None,
    high: float | None = None,
) -> Reading:
    hookup = measured[-1].hookup if measured else None
    return Reading(
        key=key_of(planned, hookup),
        unit=QUANTITIES[planned.quantity].unit,
        estimate=found,
        expected=Expected(value=expected.value, standard=expected.standard) if expected else None,
        limit_low=low,
        limit_high=high,
        verdict=verdict,
        reason=reason,
        facts=facts,
        acquisitions=tuple(one.taken.record for one in measured if one.taken is not None),
        route=planned.route,
        setup=hookup.name if hookup else "",
    )
