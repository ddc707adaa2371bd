"""What the bench shows by itself in the through hookup: noise, and the harmonics of each tone.

The unit's noise and distortion are what is left when this is taken off.
"""

from math import sqrt

from harness.errors import ReadingError
from harness.job.fixture import Hookup
from harness.job.state import State
from harness.measure.reference import Bare, Key, harmonics_of
from harness.measure.residuals import Harmonics
from harness.measure.tones import Stimulus
from harness.plan.model import Plan
from harness.roles import Capture
from harness.session.context import RunContext
from harness.session.recorder import Ask

UNPOWERED = State(on=(), powered=False)


def lacks(bare: Bare, plan: Plan) -> bool:
    """Whether some of what a plan's quantities take off is not there."""
    known = {(hz, volts) for hz, volts, _ in bare.harmonics}
    return any(
        (one.frequency_hz, one.level_vrms) not in known if one.has_tone else bare.noise is None
        for one in plan.bench_stimuli
    )


def take_bare(stage: RunContext) -> Bare:
    """Record what is wanted, in a through hookup that is made; nothing where the plan asks for nothing."""
    noise: Capture | None = None
    harmonics: dict[Key, Harmonics] = {}
    for stimulus in stage.plan.bench_stimuli:
        capture = _capture(stage, stimulus)
        if not stimulus.has_tone:
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
        tones=stimulus.tones,
        silent=not stimulus.has_tone,
        peaks_v=dict.fromkeys(bare_inputs(stage, hookup), peak_v),
    )
    return stage.recorder.take(ask).capture


def bare_inputs(stage: RunContext, hookup: Hookup) -> range:
    """Inputs that the through hookup feeds: the pairs it names, else as many as any other hookup views."""
    pairs = len(hookup.view) or max(len(other.view) for other in stage.job.fixture.hookups)
    return range(1, 2 * pairs + 1)
