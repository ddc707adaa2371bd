"""Whether records that are counted from the generator's sync begin at the same phase of its sine."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from harness.errors import SetupError
from harness.measure.tone import ToneFit
from harness.session.recorder import CaptureRequest, Recorder

RECORDS = 3
CLEAR = 100.0  # times its noise: what a tone must be for its phase to tell an instant
NOISES = 5.0  # standard uncertainties of a phase's noise that two records may differ by


def sync_is_proven(recorder: Recorder, request: CaptureRequest) -> bool:
    """Take the record of a `synced` stimulus several times; False if it shows no tone that tells an instant.

    Without the right sync each record begins anywhere. At 1 kHz, six records of two legs then agree within
    twice a limit of 3 us, 4.5 degrees, once in 40 million times (closed form: (4.5 / 360)^4).
    Raises SetupError if they don't agree.
    """
    again = replace(request, number=0, purpose="proof of the sync")
    taken = [recorder.take(again) for _ in range(RECORDS)]
    return instants_agree([each.fit for each in taken], taken[0].capture.trigger_within_s)


def instants_agree(fits: Sequence[ToneFit], within_s: float) -> bool:
    """Whether records, each counted from its trigger, begin at the same phase; False if no tone tells that.

    within_s: limit of the error of one's instant. Raises SetupError if they don't agree.
    """
    apart_s = [each for each in (_apart_s(fits, column, within_s) for column in (0, 1)) if each is not None]
    if not apart_s:
        return False
    worst_s, most_s = max(apart_s, key=lambda each: each[0] - each[1])
    if worst_s <= most_s:
        return True
    raise SetupError(
        f"{len(fits)} records that begin at the generator's sync differ by {1e6 * worst_s:.2g} us in where "
        f"its sine is; expected {1e6 * most_s:.2g} us at most. See whether the scope's external trigger "
        "input has the sync of this generator, and look at trigger_external, external_level_v and "
        "trigger_jitter_s of the scope's profile, and at sync_source of the generator's",
        instrument="oscilloscope",
    )


def _apart_s(fits: Sequence[ToneFit], column: int, within_s: float) -> tuple[float, float] | None:
    """By how much records differ in one leg's time, and by how much they may; None: they show too little."""
    row = int(np.argmax(np.abs(fits[0].phasors[:, column])))
    phasors = np.array([each.phasors[row, column] for each in fits])
    noise = max(float(each.standard[row, column]) for each in fits)
    least = float(np.abs(phasors).min())
    if least < CLEAR * noise:
        return None
    radians_per_s = 2 * np.pi * fits[0].frequencies_hz[column]
    apart_s = float(np.ptp(np.angle(phasors / phasors[0]))) / radians_per_s
    return apart_s, 2 * within_s + NOISES * noise / least / radians_per_s
