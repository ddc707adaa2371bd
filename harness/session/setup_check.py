"""Whether a setup is as it should be: no DC on its pins, a route that is live, and leads that hands moved.

Setups that hands make are asked for, proven at a low level, and put right before anything is measured.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import sqrt

import numpy as np

from harness.circuit.predict import predict_states
from harness.errors import BenchError, SetupError
from harness.job.fixture import PortName, Setup, SourceAdded
from harness.job.module import LEGS
from harness.job.state import IDLE_STATE, State, single_control_states
from harness.measure.tones import SILENCE, Stimulus
from harness.plan.setups import input_numbers
from harness.records.run import Event, LeadsLookedAt, LeadsSeenTo, MadeByHand
from harness.session.context import RunContext, impedances
from harness.session.events import Hands, Remark
from harness.session.leads import (
    Levels,
    Misplaced,
    PredictedLevels,
    all_fit,
    misplaced,
    telling_states,
    unmoved,
)
from harness.session.recorder import FittedCapture, capture_request
from harness.session.through import LOW_LEVEL_VRMS

PURPOSE = "leads"
LARGEST_DC_V = 0.5  # common practice, no source: above this, phantom power or an amplifier is connected
DC_PEAK_V = 2.0  # the range that DC is looked for on: a fault clips it, a scope's own offset is small on it
FOREIGN_LEG = 3.0  # a pin that sees the other leg's tone this many times above its own has the wrong lead
NOTHING = 0.02  # of what the circuit predicts: less is nothing


def check_setup(context: RunContext, setup: Setup, state: State) -> None:
    """Refuse DC and leads that are surely wrong; remark on what may be a lead or the unit."""
    context.drive.silence()
    _refuse_dc(context, setup, state)
    if not context.plan.stimuli:
        return
    stimulus = _stimulus(context)
    prediction = context.predict(setup, state, stimulus)
    levels = np.abs(prediction.transfer).sum(axis=1) * LOW_LEVEL_VRMS / sqrt(2.0)
    numbers = input_numbers(setup)
    peaks_v = {number: float(level) for number, level in zip(numbers, levels, strict=True)}
    fitted = _capture_low(context, setup, state, stimulus, peaks_v)
    seen = np.abs(fitted.fit.phasors) / (LOW_LEVEL_VRMS / 2)
    _refuse_swapped(setup, seen)
    for row, number in enumerate(numbers):
        expected = np.abs(prediction.transfer[row])
        if expected.max() > 0.01 and seen[row].max() < NOTHING * expected.max():
            leg = "hot" if row % 2 == 0 else "cold"
            context.observe(
                Remark(
                    text=f"{setup.name}: input {number} sees nothing at {setup.view[row // 2]}.{leg}. "
                    "A lead or the unit; it is measured as the unit's"
                )
            )


def _capture_low(
    context: RunContext, setup: Setup, state: State, stimulus: Stimulus, peaks_v: dict[int, float]
) -> FittedCapture:
    """Drive a low level and record every viewed leg. peaks_v: by input, what is expected."""
    context.drive.apply(stimulus)
    return context.recorder.take(capture_request(setup, state, stimulus, peaks_v, purpose=PURPOSE))


def _refuse_dc(context: RunContext, setup: Setup, state: State) -> None:
    """Raise BenchError if a viewed pin has DC on it, with the generator silent."""
    peaks_v = dict.fromkeys(input_numbers(setup), DC_PEAK_V)
    scope = context.bench.oscilloscope
    coarse = min(
        (setting for setting in scope.volts_per_division if setting * scope.divisions >= 2 * DC_PEAK_V),
        default=max(scope.volts_per_division),
    )
    request = capture_request(setup, state, SILENCE, peaks_v, purpose=PURPOSE)
    fitted = context.recorder.find(context.recorder.capture_at(request, dict.fromkeys(peaks_v, coarse)))
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


def _refuse_swapped(setup: Setup, seen: np.ndarray) -> None:
    """The driven port's own pins can't be swapped by the unit: generator or scope leads are."""
    if setup.drive is None or setup.drive not in setup.view:
        return
    hot, cold = setup.rows(setup.drive)
    own = seen[hot, 0], seen[cold, 1]
    other = seen[hot, 1], seen[cold, 0]
    if all(wrong > FOREIGN_LEG * right and wrong > 0.1 for wrong, right in zip(other, own, strict=True)):
        raise SetupError(
            f"setup {setup.name!r}: {setup.drive} shows the cold output on its hot pin and the hot output "
            "on its cold pin: the generator's leads or the scope's are swapped there. This is not a fault "
            "of the unit",
            instrument="the wiring",
        )


CHECKS = 3  # as made; with the named leads corrected; with all leads checked: a difference then is the unit's
OFF_OHM = 1e9


class RecordedHands:
    """Hands whose work is recorded with the run: which setup they made or corrected, and when."""

    def __init__(self, hands: Hands, who: str, record: Callable[[Event, str], None]) -> None:
        self._hands, self._who, self._record = hands, who, record

    def make(self, setup: Setup) -> None:
        """Make a setup, and record it."""
        self._hands.make(setup)
        made = MadeByHand(setup=setup.name, who=self._who)
        self._record(made, f"setup {setup.name!r}: made by hand, says {self._who}")

    def correct(self, setup: Setup, leads: Sequence[str], message: str) -> None:
        """Correct leads of a setup, and record it."""
        self._hands.correct(setup, leads, message)
        seen_to = LeadsSeenTo(setup=setup.name, who=self._who, leads=tuple(leads))
        which = ", ".join(leads) or "every lead"
        self._record(seen_to, f"setup {setup.name!r}: {which} looked at, says {self._who}")


def make_by_hand(context: RunContext, setup: Setup) -> bool:
    """Have a setup made, and its leads corrected until each shows what it should; whether each does.

    A difference that remains after every lead was checked is the unit's, and is measured as such; a remark
    says so. Raises BenchError for DC on a pin, SetupError if the unit is not in the circuit at all.
    """
    _make_safe(context)
    context.hands.make(setup)
    predicted = _predict(context, setup)
    if predicted is None:
        return False
    for check in range(CHECKS):
        result = _check_leads(context, setup, predicted)
        if result is None:
            if check > 0:
                _report(context, setup, (), "now every lead is right")
            return True
        if check < CHECKS - 1:
            _make_safe(context)
            message = f"{result.message}. Nothing is measured until this is corrected"
            _report(context, setup, result.leads, message)
            context.hands.correct(setup, () if check > 0 else result.leads, result.message)
        elif not result.leads:
            raise SetupError(f"setup {setup.name!r}: {result.message}", instrument="the wiring")
        else:
            message = f"{result.message}. All leads were checked, so it counts as the unit's"
            _report(context, setup, result.leads, message)
    return False


def _report(context: RunContext, setup: Setup, leads: tuple[str, ...], message: str) -> None:
    """Show what was found of a setup's leads, and record it."""
    text = f"setup {setup.name!r}: {message}"
    context.observe(Remark(text=text))
    context.record(LeadsLookedAt(setup=setup.name, leads=leads), text)


def _make_safe(context: RunContext) -> None:
    """Nothing drives the leads, and no relay moves, while hands are at them."""
    context.drive.silence()
    context.set_state(None, IDLE_STATE)


def _states(context: RunContext) -> tuple[State, ...]:
    return single_control_states(context.job.module.control_names)


def _check_leads(context: RunContext, setup: Setup, predicted: PredictedLevels) -> Misplaced | None:
    """Check the leads in the states that tell them apart; in idle alone if that is enough."""
    context.set_state(setup, IDLE_STATE)
    _refuse_dc(context, setup, IDLE_STATE)
    levels = [_levels(context, setup, IDLE_STATE)]
    states = _states(context)
    more: Sequence[int] = telling_states(predicted)
    if not all_fit(predicted, levels[0][None], [0]):
        more = range(1, len(states))
    for index in more:
        context.set_state(setup, states[index])
        levels.append(_levels(context, setup, states[index]))
    context.set_state(setup, IDLE_STATE)
    result = misplaced(predicted, np.stack(levels), [0, *more])
    alone = unmoved(predicted, levels[0]) if result is None else ""
    return Misplaced(leads=(), message=alone) if alone else result


def _levels(context: RunContext, setup: Setup, state: State) -> Levels:
    peaks_v = dict.fromkeys(input_numbers(setup), LOW_LEVEL_VRMS / sqrt(2.0))
    fitted = _capture_low(context, setup, state, _stimulus(context), peaks_v)
    return np.asarray(np.abs(fitted.fit.phasors[:, :2]) / (LOW_LEVEL_VRMS / 2))


def _stimulus(context: RunContext) -> Stimulus:
    return Stimulus(kind="pair", frequency_hz=context.plan.stimuli[0].frequency_hz, level_vrms=LOW_LEVEL_VRMS)


def _predict(context: RunContext, setup: Setup) -> PredictedLevels | None:
    """What each pin shows, however the generator's leads are; None where nothing is driven by the plan."""
    if setup.drive is None or not setup.view or not context.plan.stimuli:
        return None
    module = context.job.module
    ports = [PortName(channel=c, net=port.net) for c in module.channels for port in module.ports]
    pins = tuple(f"{port}.{leg}" for port in ports for leg in LEGS)
    whole = replace(setup, view=tuple(ports), controls_viewed={})

    def levels(source: SourceAdded | None) -> Levels:
        result = predict_states(
            module,
            context.job.fixture,
            replace(whole, source_added=source),
            _states(context),
            frequencies_hz=_stimulus(context).tones.frequencies_hz,
            impedances=impedances(context.bench.generator, context.bench.oscilloscope),
        )
        return np.abs(np.stack([each.transfer for each in result]))

    right = levels(setup.source_added)
    by_words = {"": right, "the generator's hot and cold leads are swapped": right[..., ::-1]}
    leads: dict[str, tuple[str, ...]] = {
        words: ("generator hot", "generator cold") for words in by_words if words
    }
    for column, leg in enumerate(LEGS):
        off = levels(SourceAdded(leg=leg, series_ohm=OFF_OHM, tolerance=0.0))
        both = np.repeat(off[..., [1 - column]] / 2, 2, axis=-1)  # two outputs of one impedance on one pin
        other = LEGS[1 - column]
        for words, result in (
            (f"the generator's {leg} lead is off, or not on {setup.drive}.{leg}", off),
            (f"the generator's {leg} lead is on {setup.drive}.{other} with the {other} one", both),
        ):
            by_words[words], leads[words] = result, (f"generator {leg}",)
    return PredictedLevels(
        pins=pins,
        own=tuple(pins.index(f"{port}.{leg}") for port in setup.view for leg in LEGS),
        inputs=input_numbers(setup),
        levels=by_words,
        generator_leads=leads,
    )
