"""Before a hookup is driven: no DC on its pins; then, at a low level, whether its leads are right."""

from math import sqrt

import numpy as np

from harness.circuit.predict import predict
from harness.errors import BenchError, HookupError
from harness.job.fixture import Hookup
from harness.job.state import State
from harness.measure.tones import SILENCE, Stimulus
from harness.plan.hookups import input_numbers
from harness.session.context import RunContext, impedances
from harness.session.events import Remark
from harness.session.recorder import Ask, Taken
from harness.session.through import LOW_LEVEL_VRMS

LARGEST_DC_V = 0.5  # common practice, no source: above this, phantom power or an amplifier is connected
DC_PEAK_V = 2.0  # the range that DC is looked for on: a fault clips it, a scope's own offset is small on it
FOREIGN_LEG = 3.0  # a pin that sees the other leg's tone this many times above its own has the wrong lead
NOTHING = 0.02  # of what the circuit predicts: less is nothing


def check_hookup(stage: RunContext, hookup: Hookup, state: State) -> None:
    """Refuse DC and leads that are surely wrong; remark on what may be a lead as well as the unit."""
    stage.drive.silence()
    refuse_dc(stage, hookup, state)
    frequency_hz = stage.plan.stimuli[0].frequency_hz if stage.plan.stimuli else None
    if frequency_hz is None:
        return
    stimulus = Stimulus(kind="pair", frequency_hz=frequency_hz, level_vrms=LOW_LEVEL_VRMS)
    tones = stimulus.tones
    prediction = predict(
        stage.job.module,
        stage.job.fixture,
        hookup,
        state,
        frequencies_hz=tones.frequencies_hz,
        impedances=impedances(stage.bench),
    )
    levels = np.abs(prediction.transfer).sum(axis=1) * LOW_LEVEL_VRMS / sqrt(2.0)
    numbers = input_numbers(hookup)
    peaks_v = {number: float(level) for number, level in zip(numbers, levels, strict=True)}
    taken = capture_low(stage, hookup, state, stimulus, peaks_v)
    seen = np.abs(taken.fit.phasors) / (LOW_LEVEL_VRMS / 2)
    _refuse_exchanged(hookup, seen)
    for row, number in enumerate(numbers):
        expected = np.abs(prediction.transfer[row])
        if expected.max() > 0.01 and seen[row].max() < NOTHING * expected.max():
            leg = "hot" if row % 2 == 0 else "cold"
            stage.observe(
                Remark(
                    text=f"{hookup.name}: input {number} sees nothing at {hookup.view[row // 2]}.{leg}. "
                    "A lead or the unit; it is measured as the unit's"
                )
            )


def capture_low(
    stage: RunContext, hookup: Hookup, state: State, stimulus: Stimulus, peaks_v: dict[int, float]
) -> Taken:
    """Drive a low level and record every viewed leg. peaks_v: by input, what is expected."""
    stage.drive.apply(stimulus)
    return stage.recorder.take(_ask(hookup, state, stimulus, peaks_v))


def refuse_dc(stage: RunContext, hookup: Hookup, state: State) -> None:
    """Raise BenchError where a viewed pin has DC on it, with the generator silent."""
    peaks_v = dict.fromkeys(input_numbers(hookup), DC_PEAK_V)
    scope = stage.bench.oscilloscope
    coarse = min(
        (setting for setting in scope.volts_per_division if setting * scope.divisions >= 2 * DC_PEAK_V),
        default=max(scope.volts_per_division),
    )
    taken: Taken = stage.recorder.take_at(
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
