"""What the bench shows by itself in the through hookup: noise, and the harmonics of each tone.

The unit's noise and distortion are what is left when this is taken off.
"""

from math import sqrt

from harness.errors import ReadingError
from harness.job.fixture import Hookup
from harness.job.state import State
from harness.measure.bare import Bare, Key
from harness.measure.distortion import Harmonics, measure_harmonics
from harness.plan.model import Plan, Stimulus
from harness.roles import Capture
from harness.session.context import RunContext, tones_of
from harness.session.recorder import Ask

UNPOWERED = State(on=(), powered=False)


def bare_stimuli(plan: Plan) -> tuple[Stimulus, ...]:
    """What the bench must be recorded under by itself, so that a plan's noise and distortion can be told."""
    return tuple(
        dict.fromkeys(one.stimulus for one in plan.acquisitions if one.stimulus.kind in ("idle", "antiphase"))
    )


def lacks(bare: Bare, plan: Plan) -> bool:
    """Whether some of that is not there."""
    known = {(hz, volts) for hz, volts, _ in bare.harmonics}
    return any(
        bare.noise is None if one.kind == "idle" else (one.frequency_hz, one.level_vrms) not in known
        for one in bare_stimuli(plan)
    )


def take_bare(stage: RunContext) -> Bare:
    """Record what is wanted, in a through hookup that is made; nothing where the plan asks for nothing."""
    noise: Capture | None = None
    harmonics: dict[Key, Harmonics] = {}
    for stimulus in bare_stimuli(stage.plan):
        capture = _capture(stage, stimulus)
        if stimulus.kind == "idle":
            noise = capture
            continue
        for pair in range(len(capture.inputs) // 2):
            key = (stimulus.frequency_hz, stimulus.level_vrms, pair)
            try:
                harmonics[key] = harmonics_of(capture, (2 * pair, 2 * pair + 1), stimulus)
            except ReadingError:
                continue  # its readings then say that nothing could be taken off
    stage.drive.silence()
    return Bare(noise=noise, harmonics=harmonics)


def harmonics_of(capture: Capture, rows: tuple[int, int], stimulus: Stimulus) -> Harmonics:
    """The tone and its harmonics in a pair's record."""
    return measure_harmonics(
        capture.volts[list(rows)],
        capture.interval_s,
        tones_of(stimulus).hot_hz,
        step_v=(capture.step_v[rows[0]], capture.step_v[rows[1]]),
    )


def _capture(stage: RunContext, stimulus: Stimulus) -> Capture:
    hookup = stage.plan.through
    if hookup is None:
        raise ValueError("without a through hookup nothing is bare")
    stage.drive.apply(stimulus)
    peak_v = stimulus.level_vrms / sqrt(2.0)
    ask = Ask(
        number=0,
        hookup=hookup.name,
        state=UNPOWERED.name,
        stimulus=stimulus,
        purpose="bench alone",
        tones=tones_of(stimulus),
        silent=stimulus.kind == "idle",
        peaks_v=dict.fromkeys(bare_inputs(stage, hookup), peak_v),
    )
    return stage.recorder.take(ask).capture


def bare_inputs(stage: RunContext, hookup: Hookup) -> range:
    """Inputs that the through hookup feeds: the pairs it names, else as many as any other hookup views."""
    pairs = len(hookup.view) or max(len(other.view) for other in stage.job.fixture.hookups)
    return range(1, 2 * pairs + 1)
