"""Whether a setup is as it should be: no DC on its pins, a route that is live, and leads that hands moved.

A setup that hands make is asked for, proven at a low level, and corrected before anything is measured. What
the scope shows is compared with what the circuit predicts for every position of a lead: on its own pin, on
any other pin of the unit, off; and for the generator's two leads swapped, off, or both on one pin. A faulty
unit could make a lead that is right look wrong: so the levels are compared in states in which the unit moves
its relays as well, and a lead that fits its own pin in one of them and no other position in all of them is
right.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import sqrt

import numpy as np
from numpy.typing import NDArray

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
from harness.session.recorder import CaptureRequest, FittedCapture
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
    return context.recorder.take(
        CaptureRequest(setup=setup, state=state, stimulus=stimulus, peaks_v=peaks_v, purpose=PURPOSE)
    )


def _refuse_dc(context: RunContext, setup: Setup, state: State) -> None:
    """Raise BenchError if a viewed pin has DC on it, with the generator silent."""
    peaks_v = dict.fromkeys(input_numbers(setup), DC_PEAK_V)
    scope = context.bench.oscilloscope
    coarse = min(
        (setting for setting in scope.volts_per_division if setting * scope.divisions >= 2 * DC_PEAK_V),
        default=max(scope.volts_per_division),
    )
    request = CaptureRequest(setup=setup, state=state, stimulus=SILENCE, peaks_v=peaks_v, purpose=PURPOSE)
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


WITHIN = 0.25  # of what is expected: a unit that is a little off has its leads right all the same
FLOOR = 0.02  # of the e.m.f.: couplings and hum, which no lead is known by
SHARED = 0.003  # of the e.m.f.: what a load across a pair brings of one leg to the other, if it is to tell
SHOWS = 0.1  # of the e.m.f.: a pin that shows less than this says little of the lead on it

Levels = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Misplaced:
    """Leads on a wrong pin, or that a fault of the unit makes look so."""

    leads: tuple[str, ...]
    message: str


@dataclass(frozen=True, kw_only=True, eq=False)
class PredictedLevels:
    """What every pin shows, over the generator's e.m.f., by how the generator's leads are connected.

    pins: all legs of all ports. own: index into pins of each viewed leg, in the rows' order. inputs: numbers
    of the scope's inputs in the same order. levels: by what is wrong with the generator's leads, (states,
    pins, 2); the key "" if nothing is. generator_leads: by the same key, the leads concerned.
    """

    pins: tuple[str, ...]
    own: tuple[int, ...]
    inputs: tuple[int, ...]
    levels: Mapping[str, Levels]
    generator_leads: Mapping[str, tuple[str, ...]]


def _fits(seen: Levels, expected: Levels) -> bool:
    """Whether two arrays of levels (states, 2) could be the same."""
    return bool(np.all(np.abs(seen - expected) <= WITHIN * expected + FLOOR))


def telling_states(predicted: PredictedLevels) -> tuple[int, ...]:
    """States after the first that tell a viewed pin from another that shows the same before them."""
    right = predicted.levels[""]
    telling: list[int] = [0]
    for state in range(1, len(right)):
        if any(
            _fits(right[telling, pin], right[telling, own])
            and not _fits(right[[state], pin], right[[state], own])
            for own in predicted.own
            for pin in range(len(predicted.pins))
        ):
            telling.append(state)
    return tuple(telling[1:])


def all_fit(predicted: PredictedLevels, seen: Levels, states: Sequence[int]) -> bool:
    """Whether every viewed leg shows what it should in these states. seen: (states, rows, 2)."""
    return _all_fit(predicted.levels[""][list(states)], predicted, seen)


def _all_fit(levels: Levels, predicted: PredictedLevels, seen: Levels) -> bool:
    return all(_fits(seen[:, row], levels[:, own]) for row, own in enumerate(predicted.own))


def misplaced(predicted: PredictedLevels, seen: Levels, states: Sequence[int]) -> Misplaced | None:
    """Name the leads on wrong pins; None if all are right. seen: (states, rows, 2)."""
    right = predicted.levels[""][list(states)]
    own_levels = {row: right[:, own] for row, own in enumerate(predicted.own)}
    wrong = [row for row, own in own_levels.items() if not _fits(seen[:, row], own)]
    pins = {row: _pins_that_fit(predicted, seen[:, row], right) for row in wrong}
    wrong = [row for row in wrong if pins[row] or not _fits_once(seen[:, row], own_levels[row])]
    if not wrong:
        return None
    generator = [
        message
        for message in predicted.levels
        if message and _all_fit(predicted.levels[message][list(states)], predicted, seen)
    ][:1]
    leads = [lead for message in generator for lead in predicted.generator_leads[message]]
    inputs: list[str] = []
    swapped = _swapped(predicted, seen, right, wrong)
    if not generator or len(wrong) == 1 or swapped:
        leads += [f"input {predicted.inputs[row]}" for row in wrong]
        messages = (_of_input(predicted, row, pins[row], seen[:, row], own_levels[row]) for row in wrong)
        inputs = [swapped or "; ".join(messages)]
    return Misplaced(leads=tuple(leads), message=", or ".join(generator + inputs))


def unmoved(predicted: PredictedLevels, seen: Levels) -> str:
    """What to say if the inputs see the generator alone, as in a through setup; "" if they do not.

    A straight route shows the same levels, but the load at its end couples a little of each leg to the other.
    seen: (rows, 2), in the first state. "" as well if no load couples them.
    """
    for row, own in enumerate(predicted.own):
        expected = predicted.levels[""][0, own]
        weak = int(expected.argmin())
        if expected[weak] < SHARED or seen[row, weak] > expected[weak] / 3:
            return ""
    return (
        "the inputs see the generator without the loads of the fixture: the leads are still where they were "
        "in the through setup, or the loads are off"
    )


def _fits_once(seen: Levels, expected: Levels) -> bool:
    """Whether a leg shows what it should in one state in which that is a signal: its lead is right then."""
    return any(now.max() > SHOWS and _fits(was, now) for was, now in zip(seen, expected, strict=True))


def _pins_that_fit(predicted: PredictedLevels, seen: Levels, right: Levels) -> tuple[str, ...]:
    """The pins that a lead could be on by its levels in all states; ("nothing",) if it shows no signal."""
    if _fits(seen, np.zeros_like(seen)):
        return ("nothing",)
    return tuple(name for pin, name in enumerate(predicted.pins) if _fits(seen, right[:, pin]))


def _swapped(predicted: PredictedLevels, seen: Levels, right: Levels, wrong: Sequence[int]) -> str:
    """What to say if exactly the two inputs of a pair are swapped; "" if they are not."""
    if len(wrong) != 2 or wrong[0] // 2 != wrong[1] // 2:
        return ""
    a, b = wrong
    own_a, own_b = predicted.own[a], predicted.own[b]
    if not (_fits(seen[:, a], right[:, own_b]) and _fits(seen[:, b], right[:, own_a])):
        return ""
    first, second = predicted.inputs[a], predicted.inputs[b]
    return (
        f"inputs {first} and {second} are swapped: input {first} belongs on {predicted.pins[own_a]} and "
        f"input {second} on {predicted.pins[own_b]}"
    )


def _of_input(
    predicted: PredictedLevels, row: int, pins: Sequence[str], seen: Levels, expected: Levels
) -> str:
    number, own = predicted.inputs[row], predicted.pins[predicted.own[row]]
    if pins == ("nothing",):
        return f"input {number} shows nothing: its lead is off, or not on {own}"
    if pins:
        return f"input {number} shows what is on {' or '.join(pins[:3])}, and belongs on {own}"
    state = int(np.argmax(np.abs(seen - expected).max(axis=1)))
    result, wanted = seen[state], expected[state]
    return (
        f"input {number} on {own} shows {result[0]:.2f} of the hot output and {result[1]:.2f} of the cold "
        f"one, and should show {wanted[0]:.2f} and {wanted[1]:.2f}"
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
    """Drive nothing and release every relay, before hands touch the leads."""
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
    """The levels at each pin for each position of the generator's leads; None if the plan drives nothing."""
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
        return np.abs(np.stack([prediction.transfer for prediction in result]))

    right = levels(setup.source_added)
    swapped = "the generator's hot and cold leads are swapped"
    by_message = {"": right, swapped: right[..., ::-1]}
    leads: dict[str, tuple[str, ...]] = {swapped: ("generator hot", "generator cold")}
    for column, leg in enumerate(LEGS):
        off = levels(SourceAdded(leg=leg, series_ohm=OFF_OHM, tolerance=0.0))
        both = np.repeat(off[..., [1 - column]] / 2, 2, axis=-1)  # two outputs of one impedance on one pin
        other = LEGS[1 - column]
        for message, result in (
            (f"the generator's {leg} lead is off, or not on {setup.drive}.{leg}", off),
            (f"the generator's {leg} lead is on {setup.drive}.{other} with the {other} one", both),
        ):
            by_message[message], leads[message] = result, (f"generator {leg}",)
    return PredictedLevels(
        pins=pins,
        own=tuple(pins.index(f"{port}.{leg}") for port in setup.view for leg in LEGS),
        inputs=input_numbers(setup),
        levels=by_message,
        generator_leads=leads,
    )
