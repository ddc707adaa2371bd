"""Whether a hookup is as it should be: no DC on its pins, a route that is live, and leads that hands moved.

Hookups that hands make are asked for, proven at a low level, and put right before anything is measured.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import sqrt

import numpy as np

from harness.circuit.predict import predict, predict_states
from harness.errors import BenchError, HookupError
from harness.job.fixture import Hookup, PortName, SourceAdded
from harness.job.module import LEGS
from harness.job.state import State
from harness.measure.tones import SILENCE, Stimulus
from harness.plan.hookups import input_numbers
from harness.records.run import Event, LeadsLookedAt, LeadsSeenTo, MadeByHand
from harness.session.context import RunContext, impedances
from harness.session.events import Hands, Remark
from harness.session.leads import Foretold, Levels, Misplaced, all_fit, misplaced, telling_states, unmoved
from harness.session.recorder import Ask, Taken
from harness.session.through import LOW_LEVEL_VRMS

LARGEST_DC_V = 0.5  # common practice, no source: above this, phantom power or an amplifier is connected
DC_PEAK_V = 2.0  # the range that DC is looked for on: a fault clips it, a scope's own offset is small on it
FOREIGN_LEG = 3.0  # a pin that sees the other leg's tone this many times above its own has the wrong lead
NOTHING = 0.02  # of what the circuit predicts: less is nothing


def check_hookup(context: RunContext, hookup: Hookup, state: State) -> None:
    """Refuse DC and leads that are surely wrong; remark on what may be a lead as well as the unit."""
    context.drive.silence()
    refuse_dc(context, hookup, state)
    frequency_hz = context.plan.stimuli[0].frequency_hz if context.plan.stimuli else None
    if frequency_hz is None:
        return
    stimulus = Stimulus(kind="pair", frequency_hz=frequency_hz, level_vrms=LOW_LEVEL_VRMS)
    tones = stimulus.tones
    prediction = predict(
        context.job.module,
        context.job.fixture,
        hookup,
        state,
        frequencies_hz=tones.frequencies_hz,
        impedances=impedances(context.bench),
    )
    levels = np.abs(prediction.transfer).sum(axis=1) * LOW_LEVEL_VRMS / sqrt(2.0)
    numbers = input_numbers(hookup)
    peaks_v = {number: float(level) for number, level in zip(numbers, levels, strict=True)}
    taken = capture_low(context, hookup, state, stimulus, peaks_v)
    seen = np.abs(taken.fit.phasors) / (LOW_LEVEL_VRMS / 2)
    _refuse_exchanged(hookup, seen)
    for row, number in enumerate(numbers):
        expected = np.abs(prediction.transfer[row])
        if expected.max() > 0.01 and seen[row].max() < NOTHING * expected.max():
            leg = "hot" if row % 2 == 0 else "cold"
            context.observe(
                Remark(
                    text=f"{hookup.name}: input {number} sees nothing at {hookup.view[row // 2]}.{leg}. "
                    "A lead or the unit; it is measured as the unit's"
                )
            )


def capture_low(
    context: RunContext, hookup: Hookup, state: State, stimulus: Stimulus, peaks_v: dict[int, float]
) -> Taken:
    """Drive a low level and record every viewed leg. peaks_v: by input, what is expected."""
    context.drive.apply(stimulus)
    return context.recorder.take(_ask(hookup, state, stimulus, peaks_v))


def refuse_dc(context: RunContext, hookup: Hookup, state: State) -> None:
    """Raise BenchError where a viewed pin has DC on it, with the generator silent."""
    peaks_v = dict.fromkeys(input_numbers(hookup), DC_PEAK_V)
    scope = context.bench.oscilloscope
    coarse = min(
        (setting for setting in scope.volts_per_division if setting * scope.divisions >= 2 * DC_PEAK_V),
        default=max(scope.volts_per_division),
    )
    taken: Taken = context.recorder.take_at(
        _ask(hookup, state, SILENCE, peaks_v), dict.fromkeys(peaks_v, coarse)
    )
    for row, number in enumerate(taken.capture.inputs):
        offset_v = float(taken.fit.offset_v[row])
        if taken.capture.clipped[row] or abs(offset_v) > LARGEST_DC_V:
            leg = "hot" if row % 2 == 0 else "cold"
            raise BenchError(
                f"{offset_v:+.2f} V DC at {hookup.view[row // 2]}.{leg} (input {number}), more than "
                f"{LARGEST_DC_V:g} V: nothing is driven. Take off what feeds it: phantom power, an "
                "amplifier, a supply on the wrong pins",
                instrument="the wiring",
            )


def _refuse_exchanged(hookup: Hookup, seen: np.ndarray) -> None:
    """The driven port's own pins can't be exchanged by the unit: generator or scope leads are."""
    if hookup.drive is None or hookup.drive not in hookup.view:
        return
    hot, cold = hookup.rows(hookup.drive)
    own = seen[hot, 0], seen[cold, 1]
    other = seen[hot, 1], seen[cold, 0]
    if all(wrong > FOREIGN_LEG * right and wrong > 0.1 for wrong, right in zip(other, own, strict=True)):
        raise HookupError(
            f"hookup {hookup.name!r}: {hookup.drive} shows the cold output on its hot pin and the hot output "
            "on its cold pin: the generator's leads or the scope's are exchanged there. Nothing is said of "
            "the unit",
            instrument="the wiring",
        )


def _ask(hookup: Hookup, state: State, stimulus: Stimulus, peaks_v: dict[int, float]) -> Ask:
    return Ask(
        number=0,
        hookup=hookup.name,
        state=state.name,
        stimulus=stimulus,
        purpose="leads",
        tones=stimulus.tones,
        silent=stimulus.kind == "silence",
        peaks_v=peaks_v,
    )


LOOKS = 3  # as made; with the named leads seen to; with all leads seen to: what is left then is the unit's
OFF_OHM = 1e9
REST = State(on=())


class KeptHands:
    """Hands whose word is kept with the run: which hookup they made, or saw to, and when."""

    def __init__(self, hands: Hands, who: str, keep: Callable[[Event, str], None]) -> None:
        self._hands, self._who, self._keep = hands, who, keep

    def make(self, hookup: Hookup) -> None:
        """Have a hookup made."""
        self._hands.make(hookup)
        made = MadeByHand(setup=hookup.name, who=self._who)
        self._keep(made, f"hookup {hookup.name!r}: made by hand, says {self._who}")

    def correct(self, hookup: Hookup, leads: Sequence[str], said: str) -> None:
        """Have leads of a hookup seen to."""
        self._hands.correct(hookup, leads, said)
        seen_to = LeadsSeenTo(setup=hookup.name, who=self._who, leads=tuple(leads))
        which = ", ".join(leads) or "every lead"
        self._keep(seen_to, f"hookup {hookup.name!r}: {which} looked at, says {self._who}")


def make_by_hand(context: RunContext, hookup: Hookup, note: Callable[[Event, str], None]) -> bool:
    """Have a hookup made, and its leads put right until each shows what it should; whether each did.

    What stays the same after every lead was looked at is the unit's, and is measured as such; a remark says
    so. note: keeps what was found with the run. Raises BenchError for DC on a pin, HookupError where the
    unit is not in the circuit at all.
    """
    _make_safe(context)
    context.hands.make(hookup)
    foretold = _foretell(context, hookup)
    if foretold is None:
        return False
    before: Misplaced | None = None
    for look in range(LOOKS):
        found = _look(context, hookup, foretold)
        if found is None:
            if before is not None:
                text = f"hookup {hookup.name!r}: now every lead is where it should be"
                _say(context, note, LeadsLookedAt(setup=hookup.name, leads=()), text)
            return True
        if look == LOOKS - 1:
            break
        _make_safe(context)
        _say(
            context,
            note,
            LeadsLookedAt(setup=hookup.name, leads=found.leads),
            f"hookup {hookup.name!r}: {found.said}. Nothing is measured of the unit until this is seen to",
        )
        context.hands.correct(hookup, () if before is not None else found.leads, found.said)
        before = found
    if found is not None and not found.leads:
        raise HookupError(f"hookup {hookup.name!r}: {found.said}", instrument="the wiring")
    _say(
        context,
        note,
        LeadsLookedAt(setup=hookup.name, leads=found.leads if found else ()),
        f"hookup {hookup.name!r}: {found.said if found else ''}. Every lead was looked at, so it is measured "
        "as the unit's",
    )
    return False


def _say(context: RunContext, note: Callable[[Event, str], None], event: Event, text: str) -> None:
    context.observe(Remark(text=text))
    note(event, text)


def _make_safe(context: RunContext) -> None:
    """Nothing drives the leads, and no relay moves, while hands are at them."""
    context.drive.silence()
    context.set_state(None, REST)


def _states(context: RunContext) -> tuple[State, ...]:
    return (REST, *(State(on=(line,)) for line in context.job.module.line_names))


def _look(context: RunContext, hookup: Hookup, foretold: Foretold) -> Misplaced | None:
    """Look at the leads in the states that tell them apart; at rest alone where that is enough."""
    states, taken = [0], []
    context.set_state(hookup, REST)
    refuse_dc(context, hookup, REST)
    taken.append(_levels(context, hookup, REST))
    more = telling_states(foretold)
    if not all_fit(foretold, np.stack(taken), states):
        more = tuple(range(1, len(_states(context))))
    for index in more:
        state = _states(context)[index]
        context.set_state(hookup, state)
        states.append(index)
        taken.append(_levels(context, hookup, state))
    context.set_state(hookup, REST)
    found = misplaced(foretold, np.stack(taken), states)
    alone = unmoved(foretold, taken[0]) if found is None else ""
    return Misplaced(leads=(), said=alone) if alone else found


def _levels(context: RunContext, hookup: Hookup, state: State) -> Levels:
    stimulus = _stimulus(context)
    numbers = input_numbers(hookup)
    taken = capture_low(context, hookup, state, stimulus, dict.fromkeys(numbers, LOW_LEVEL_VRMS / sqrt(2.0)))
    return np.asarray(np.abs(taken.fit.phasors[:, :2]) / (LOW_LEVEL_VRMS / 2))


def _stimulus(context: RunContext) -> Stimulus:
    return Stimulus(kind="pair", frequency_hz=context.plan.stimuli[0].frequency_hz, level_vrms=LOW_LEVEL_VRMS)


def _foretell(context: RunContext, hookup: Hookup) -> Foretold | None:
    """What each pin shows, however the generator's leads are; None where nothing is driven by the plan."""
    if hookup.drive is None or not hookup.view or not context.plan.stimuli:
        return None
    module = context.job.module
    ports = [PortName(channel=c, net=port.net) for c in module.channels for port in module.ports]
    pins = tuple(f"{port}.{leg}" for port in ports for leg in LEGS)
    whole = replace(hookup, view=tuple(ports), lines_on={})

    def levels(source: SourceAdded | None) -> Levels:
        found = predict_states(
            module,
            context.job.fixture,
            replace(whole, source_added=source),
            _states(context),
            frequencies_hz=_stimulus(context).tones.frequencies_hz,
            impedances=impedances(context.bench),
        )
        return np.abs(np.stack([each.transfer for each in found]))

    right = levels(hookup.source_added)
    by_words = {"": right, "the generator's hot and cold leads are exchanged": right[..., ::-1]}
    leads: dict[str, tuple[str, ...]] = {
        words: ("generator hot", "generator cold") for words in by_words if words
    }
    for column, leg in enumerate(LEGS):
        off = levels(SourceAdded(leg=leg, series_ohm=OFF_OHM, tolerance=0.0))
        both = np.repeat(off[..., [1 - column]] / 2, 2, axis=-1)  # two outputs of one impedance on one pin
        other = LEGS[1 - column]
        for words, found in (
            (f"the generator's {leg} lead is off, or not on {hookup.drive}.{leg}", off),
            (f"the generator's {leg} lead is on {hookup.drive}.{other} with the {other} one", both),
        ):
            by_words[words], leads[words] = found, (f"generator {leg}",)
    return Foretold(
        pins=pins,
        own=tuple(pins.index(f"{port}.{leg}") for port in hookup.view for leg in LEGS),
        inputs=input_numbers(hookup),
        levels=by_words,
        generator_leads=leads,
    )
