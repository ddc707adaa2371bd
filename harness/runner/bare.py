"""What the bench shows by itself in the through hookup: noise, and the harmonics of each tone.

The unit's noise and distortion are what is left when this is taken off.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import sqrt

from harness.errors import ReadingError
from harness.measure.distortion import Harmonics, measure_harmonics
from harness.plan.model import Stimulus
from harness.roles import Capture
from harness.runner.recorder import Ask
from harness.runner.stage import Stage, tones_of
from harness.runner.through import UNPOWERED, bare_inputs


@dataclass(frozen=True, kw_only=True, eq=False)
class Bare:
    """noise: a record of all inputs with the sources idle, None where there is none. harmonics: by stimulus
    and the pair's place in the view.
    """

    noise: Capture | None = None
    harmonics: Mapping[tuple[Stimulus, int], Harmonics] = field(default_factory=dict)


def take_bare(stage: Stage) -> Bare:
    """Record what is wanted, in a through hookup that is made; nothing where the plan asks for nothing."""
    wanted = dict.fromkeys(
        one.stimulus for one in stage.plan.acquisitions if one.stimulus.kind in ("idle", "antiphase")
    )
    noise: Capture | None = None
    harmonics: dict[tuple[Stimulus, int], Harmonics] = {}
    for stimulus in wanted:
        capture = _capture(stage, stimulus)
        if stimulus.kind == "idle":
            noise = capture
            continue
        for pair in range(len(capture.inputs) // 2):
            try:
                harmonics[stimulus, pair] = harmonics_of(capture, (2 * pair, 2 * pair + 1), stimulus)
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


def _capture(stage: Stage, stimulus: Stimulus) -> Capture:
    hookup = stage.plan.through
    if hookup is None:
        raise ValueError("without a through hookup nothing is bare")
    stage.drive.apply(stimulus)
    peak_v = stimulus.level_vrms / sqrt(2.0)
    ask = Ask(
        number=0,
        hookup=hookup.name,
        state=UNPOWERED.name,
        stimulus=str(stimulus),
        tones=tones_of(stimulus),
        silent=stimulus.kind == "idle",
        peaks_v=dict.fromkeys(bare_inputs(stage, hookup), peak_v),
    )
    return stage.recorder.take(ask).capture
