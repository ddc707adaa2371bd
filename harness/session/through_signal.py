"""What a low signal through a through setup shows of the leads, and of the scope's profile."""

import math
from collections.abc import Mapping

from harness.circuit.predict import Prediction
from harness.errors import ProfileMismatch
from harness.measure.through import common_factor, through_problems
from harness.measure.tone import ToneFit, fit_tones
from harness.measure.tones import Stimulus
from harness.roles import Capture, Oscilloscope
from harness.session.recorder import in_order

# Differential: 34 mV peak on a leg, which no contact film minds. That is 68 mV peak to peak and 24.04 mV RMS:
# a generator can set it whose smallest step is a millivolt, of whichever of the three (closed form).
LOW_LEVEL_VRMS = 0.034 * math.sqrt(2.0)
LOW_LEGS_VRMS = (LOW_LEVEL_VRMS / 2, LOW_LEVEL_VRMS / 2)


def lead_problems(capture: Capture, stimulus: Stimulus, prediction: Prediction) -> tuple[str, ...]:
    """What is wrong with the leads of a through setup, recorded at the low level; mains hum is no fault of
    theirs.
    """
    return through_problems(
        capture.inputs,
        _low_fit(capture, stimulus),
        emf_vrms=LOW_LEGS_VRMS,
        through_prediction=prediction.transfer,
    )


def profile_problem(
    scope: Oscilloscope,
    capture: Capture,
    stimulus: Stimulus,
    prediction: Prediction,
    *,
    others: Mapping[str, Capture] | None = None,
) -> ProfileMismatch | None:
    """The error for a through signal that is wrong because the scope's profile is; None if it is not that.

    capture: at the low level, with something wrong. others: what it would be with another format, by the key
    of the profile; None for those of the scope's last record, if the capture is that.
    """
    for key, other in (scope.other_readings() if others is None else others).items():
        if not lead_problems(in_order(other, capture.inputs), stimulus, prediction):
            what = f"its record is the generator's signal only with {key}: correct that key of its profile"
            return ProfileMismatch(what, instrument="oscilloscope", address=scope.identity.address)
    factor = common_factor(
        _low_fit(capture, stimulus), emf_vrms=LOW_LEGS_VRMS, through_prediction=prediction.transfer
    )
    if factor is None:
        return None
    what = (
        f"every input shows {factor:.3g} times what is set: look at scaling.scale and "
        "scaling.codes_per_division in its profile; or the generator gives another level"
    )
    return ProfileMismatch(what, instrument="oscilloscope", address=scope.identity.address)


def _low_fit(capture: Capture, stimulus: Stimulus) -> ToneFit:
    return fit_tones(
        capture.volts,
        capture.interval_s,
        (*stimulus.tones.frequencies_hz, *stimulus.mains_hz),
        step_v=capture.step_v,
    )
