"""Whether a setup is as it should be: no DC on its pins, and what is driven arrives at the driven port."""

import numpy as np

from harness.circuit.predict import Prediction
from harness.errors import BenchError, SetupError
from harness.faults.lead_or_unit import Look, fits_roughly
from harness.job.fixture import Setup
from harness.job.state import State
from harness.measure.tones import SILENCE, Stimulus, TonePair
from harness.plan.setups import drive_rows, input_numbers
from harness.records.run import BenchFault
from harness.session.context import RunContext, peaks_of
from harness.session.events import Remark
from harness.session.recorder import CaptureRequest, FittedCapture
from harness.session.through import low_stimulus
from harness.session.through_signal import LOW_LEVEL_VRMS

PURPOSE = "leads"
LARGEST_DC_V = 0.5  # common practice, no source: above this, phantom power or an amplifier is connected
DC_PEAK_V = 2.0  # the range that DC is looked for on: a fault clips it, a scope's own offset is small on it
# Half a volt is looked for, and what mains is left in the mean of a period or so is far less.
DC_RECORD = TonePair(hot_hz=1e3, cold_hz=1.1e3, duration_s=0.02, samples=2000)
FOREIGN_LEG = 3.0  # a pin that sees the other leg's tone this many times above its own has the wrong lead
AS_SET = 0.02  # standard uncertainty of a level without a through reference: common practice, no source
OTHER_LEVEL = 0.2  # beyond what generator and scope can be wrong together
SAME_LEVEL = 0.05  # of both legs
NOTHING = 0.02  # of what the circuit predicts: less is nothing


def check_setup(context: RunContext, setup: Setup, state: State) -> Look | None:
    """Refuse DC and leads that are surely wrong; remark on what may be a lead or the unit.

    A setup of the switchboard that does not show what the circuit predicts is selected once more before that
    counts: a channel may have missed its command, and none of the unit's relays moves for it.
    Returns what was seen at the low level; None if nothing is driven.
    """
    context.drive.silence()
    refuse_dc(context, setup, state)
    if not context.plan.stimuli:
        return None
    first: Look | None = None
    refused = ""
    try:
        first = _look(context, setup, state)
    except SetupError as error:
        if setup.select is None:
            raise
        refused = str(error)
    if first is not None and (setup.select is None or _is_as_predicted(context, first)):
        _remark_on_silence(context, first)
        return first
    context.drive.silence()
    context.select_again(setup, state)
    look = _look(context, setup, state)
    if first is None or not fits_roughly(look.values, first.values):
        text = f"setup {setup.name!r} showed something else once its channels were opened and closed again: "
        text += refused or "a channel of the switchboard missed its command or was late, or a contact is bad"
        board = context.board.identity
        context.record(BenchFault(instrument=board.role, address=board.address), text)
        context.observe(Remark(text=f"{text}. It counts as a fault of the bench"))
    _remark_on_silence(context, look)
    return look


def _is_as_predicted(context: RunContext, look: Look) -> bool:
    return fits_roughly(look.values, _predicted(context, look.setup, look.state).transfer)


def _predicted(context: RunContext, setup: Setup, state: State) -> Prediction:
    return context.predict(setup, state, low_stimulus(context))


def _look(context: RunContext, setup: Setup, state: State) -> Look:
    """Record every viewed leg at the low level. Raises SetupError for what no single fault of a unit does."""
    stimulus, prediction = low_stimulus(context), _predicted(context, setup, state)
    fitted = capture_low(context, setup, state, stimulus, peaks_of(setup, prediction, LOW_LEVEL_VRMS))
    look = look_of(setup, state, fitted)
    seen, expected = np.abs(look.values), np.abs(prediction.transfer)
    rows = drive_rows(setup)
    if rows is not None:
        try:
            _refuse_silent(setup, seen[list(rows)], expected[list(rows)])
            _refuse_swapped(setup, seen[list(rows)])
            _refuse_other(setup, seen[list(rows)], expected[list(rows)])
        except SetupError:
            context.drive.set_again(stimulus)  # a generator that reads back another level is named first
            raise
    return look


def _remark_on_silence(context: RunContext, look: Look) -> None:
    setup, seen = look.setup, np.abs(look.values)
    expected = np.abs(_predicted(context, setup, look.state).transfer)
    for row, number in enumerate(input_numbers(setup)):
        if expected[row].max() > 0.01 and seen[row].max() < NOTHING * expected[row].max():
            leg = "hot" if row % 2 == 0 else "cold"
            context.observe(
                Remark(
                    text=f"{setup.name}: input {number} sees nothing at {setup.view[row // 2]}.{leg}. "
                    "The lead may be off, or the unit may be open there; readings that fail are "
                    "checked against both causes"
                )
            )


def look_of(setup: Setup, state: State, fitted: FittedCapture) -> Look:
    """A capture at the low level, over the e.m.f. as it was set."""
    values = fitted.fit.phasors[:, :2] / (LOW_LEVEL_VRMS / 2)
    noise = fitted.fit.standard[:, :2] / (LOW_LEVEL_VRMS / 2)
    frequency, other = fitted.fit.frequencies_hz[:2]
    return Look(
        setup=setup,
        state=state,
        frequencies_hz=(frequency, other),
        values=np.asarray(values),
        standard=np.asarray(np.hypot(noise, AS_SET * np.abs(values))),
    )


def capture_low(
    context: RunContext, setup: Setup, state: State, stimulus: Stimulus, peaks_v: dict[int, float]
) -> FittedCapture:
    """Drive a low level and record every viewed leg. peaks_v: by input, what is expected."""
    context.drive.apply(stimulus)
    return context.recorder.take(
        CaptureRequest(setup=setup, state=state, stimulus=stimulus, peaks_v=peaks_v, purpose=PURPOSE)
    )


def refuse_dc(context: RunContext, setup: Setup, state: State) -> None:
    """Raise BenchError if a viewed pin has DC on it, with the generator silent."""
    peaks_v = dict.fromkeys(input_numbers(setup), DC_PEAK_V)
    scope = context.bench.oscilloscope
    coarse = min(
        (setting for setting in scope.volts_per_division if setting * scope.divisions >= 2 * DC_PEAK_V),
        default=max(scope.volts_per_division),
    )
    request = CaptureRequest(
        setup=setup, state=state, stimulus=SILENCE, peaks_v=peaks_v, purpose=PURPOSE, short=DC_RECORD
    )
    fitted = context.recorder.fit(context.recorder.capture_at(request, dict.fromkeys(peaks_v, coarse)))
    for row, number in enumerate(fitted.capture.inputs):
        offset_v = float(fitted.fit.offset_v[row])
        if fitted.capture.clipped[row] or abs(offset_v) > LARGEST_DC_V:
            leg = "hot" if row % 2 == 0 else "cold"
            raise BenchError(
                f"{offset_v:+.2f} V DC at {setup.view[row // 2]}.{leg} (input {number}), more than "
                f"{LARGEST_DC_V:g} V: nothing is driven. Disconnect what feeds it: phantom power, an "
                "amplifier, a supply on the wrong pins",
                instrument="the wiring",
            )


def _refuse_silent(setup: Setup, seen: np.ndarray, expected: np.ndarray) -> None:
    """No single fault of a unit keeps the drive from both legs of the port that it is connected to.

    seen, expected: of the two legs of the driven port, (2, 2), as in the functions below.
    """
    if expected.max() > 0.1 and np.all(seen < NOTHING * expected.max()):
        channels = ", ".join(map(str, setup.select or ()))
        by = f"switchboard channels {channels}" if channels else "its leads"
        raise SetupError(
            f"setup {setup.name!r}: nothing arrives at the driven port {setup.drive}: check {by}, the "
            "generator and the scope's inputs there. This is not a fault of the unit",
            instrument="the wiring",
        )


def _refuse_swapped(setup: Setup, seen: np.ndarray) -> None:
    """The driven port's own pins can't be swapped by the unit: generator or scope leads are."""
    own, other = np.diagonal(seen), (seen[0, 1], seen[1, 0])
    if all(wrong > FOREIGN_LEG * right and wrong > 0.1 for wrong, right in zip(other, own, strict=True)):
        raise SetupError(
            f"setup {setup.name!r}: {setup.drive} shows the cold output on its hot pin and the hot output "
            "on its cold pin: the generator's leads or the scope's are swapped there. This is not a fault "
            "of the unit",
            instrument="the wiring",
        )


def _refuse_other(setup: Setup, seen: np.ndarray, expected: np.ndarray) -> None:
    """No single fault of a unit changes both legs of the driven port alike, with nothing between them."""
    own = np.diagonal(seen) / np.maximum(np.diagonal(expected), NOTHING)
    mean = float(own.mean())
    alike = bool(np.all(np.abs(own - mean) < SAME_LEVEL * mean))
    crossed = seen[:, ::-1].diagonal() - mean * expected[:, ::-1].diagonal()
    if alike and abs(mean - 1) > OTHER_LEVEL and np.all(np.abs(crossed) < SAME_LEVEL):
        raise SetupError(
            f"setup {setup.name!r}: both legs of the driven port {setup.drive} show {mean:.2f} times "
            "the driven level: check the generator's level, its load setting and the probes there. This is "
            "not a fault of the unit",
            instrument="the wiring",
        )
