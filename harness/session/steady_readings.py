"""Estimates of the steady quantities that are more than one transfer's gain, polarity, phase or balance."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.bare import Bare
from harness.measure.capacitance import Quiet, coupling_capacitance
from harness.measure.common_mode import common_mode_rejection, exchanged, worst_rejection
from harness.measure.contact import Loading, series_resistance
from harness.measure.distortion import thd, thd_and_noise
from harness.measure.exchange import without_gain_ratios
from harness.measure.levels import in_dbu
from harness.measure.noise import noise
from harness.measure.quantities import View
from harness.measure.quasi_peak import quasi_peak
from harness.measure.response import response
from harness.measure.transfer import Transfer
from harness.plan.hookups import is_across
from harness.plan.model import PlannedReading, Stimulus
from harness.quantities.residual import DistortionOptions, NoiseOptions
from harness.reading import Estimate
from harness.roles import Capture
from harness.session.bare import harmonics_of
from harness.session.recorder import Taken

Floats = NDArray[np.float64]

LARGEST_RESIDUAL = 0.003  # of a tone, generator and scope together: common practice, no source


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """One acquisition as a reading needs it: its transfer, measured or predicted, and the port's legs in it.

    leg: of the source that has a resistor added, else "". swapped: the scope's inputs are exchanged.
    """

    transfer: Transfer
    rows: tuple[int, int]
    driven_rows: tuple[int, int] | None
    frequency_hz: float
    leg: str
    swapped: bool

    @property
    def view(self) -> View:
        """The port's."""
        return View(transfer=self.transfer, hot=self.rows[0], cold=self.rows[1])

    @property
    def driven(self) -> View | None:
        """That of the same port of the driven channel."""
        if self.driven_rows is None:
            return None
        return View(transfer=self.transfer, hot=self.driven_rows[0], cold=self.driven_rows[1])


def from_transfers(
    planned: PlannedReading, seen: Sequence[Seen], *, referenced: bool, predicted: bool, k: float
) -> Estimate:
    """A quantity that transfers tell. Raises ReadingError where they don't."""
    match planned.quantity:
        case "response":
            return response(seen[0].view, seen[1].view, k)
        case "common_mode_rejection":
            return _rejection(seen, referenced=referenced, predicted=predicted, k=k)
        case "contact_resistance":
            return _contact(planned, seen[0].view, predicted=predicted, k=k)
        case "capacitance":
            return _capacitance(planned, seen, k)
        case other:
            raise ReadingError(f"{other} is no quantity of transfers")


def pair_view(seen: Sequence[Seen], *, referenced: bool, predicted: bool) -> View:
    """A port's view, from a hookup and perhaps its exchange."""
    plain = next((one for one in seen if not one.swapped), seen[0])
    swapped = next((one for one in seen if one.swapped), None)
    if swapped is None or predicted:
        return plain.view
    combine = without_gain_ratios if referenced else exchanged
    return View(transfer=combine(plain.transfer, swapped.transfer), hot=plain.rows[0], cold=plain.rows[1])


def _rejection(seen: Sequence[Seen], *, referenced: bool, predicted: bool, k: float) -> Estimate:
    """The worst of the sources that there are: 10 ohm in the hot leg, then in the cold one."""
    found: list[Estimate] = []
    for leg in dict.fromkeys(one.leg for one in seen):
        here = [one for one in seen if one.leg == leg]
        view = pair_view(here, referenced=referenced, predicted=predicted)
        found.append(common_mode_rejection(view, k))
    worst = found[0]
    for other in found[1:]:
        worst = worst_rejection(worst, other)
    return worst


def _contact(planned: PlannedReading, view: View, *, predicted: bool, k: float) -> Estimate:
    source, load = planned.source, planned.load
    if source is None or load is None or planned.limit is None or planned.limit.high is None:
        raise ReadingError("the plan does not say what the path lies between")
    loading = Loading(
        source_ohm=source.ohm,
        source_standard_ohm=source.standard_ohm,
        load_ohm=load.ohm,
        load_standard_ohm=load.standard_ohm,
    )
    found = series_resistance(view, loading, wanted_ohm=planned.limit.high, k=k)
    if not found.observable and not predicted:
        raise ReadingError(found.sentence)
    return found.estimate


def _capacitance(planned: PlannedReading, seen: Sequence[Seen], k: float) -> Estimate:
    if planned.load is None:
        raise ReadingError("the plan does not say what the capacitance feeds")
    points = [
        Quiet(
            frequency_hz=one.frequency_hz,
            view=one.view,
            driven=one.driven if is_across(planned.check) else None,
        )
        for one in seen
    ]
    return coupling_capacitance(
        points,
        resistance_ohm=planned.load.ohm,
        resistance_standard_ohm=planned.load.standard_ohm,
        k=k,
    ).capacitance_f


def noise_level(
    planned: PlannedReading,
    capture: Capture,
    rows: tuple[int, int],
    bare: Bare,
    gain_accuracy: float,
    k: float,
) -> Estimate:
    """Noise of a pair, dBu, less the bench's own on the same ranges; a floor where that is not known."""
    options = planned.check.options
    weighting = options.weighting if isinstance(options, NoiseOptions) else "none"
    own = _own_volts(bare.noise, capture, rows)
    step_v = (capture.step_v[rows[0]], capture.step_v[rows[1]])
    gain_standard = (gain_accuracy / 3**0.5, gain_accuracy / 3**0.5)
    volts = capture.volts[list(rows)]
    if weighting == "quasi-peak":
        found = quasi_peak(
            volts, capture.interval_s, own_volts=own, step_v=step_v, gain_standard=gain_standard, k=k
        )
    else:
        found = noise(
            volts,
            capture.interval_s,
            own_volts=own,
            step_v=step_v,
            weighting="a" if weighting == "A" else "flat",
            gain_standard=gain_standard,
            k=k,
        )
    return in_dbu(found)


def _own_volts(own: Capture | None, capture: Capture, rows: tuple[int, int]) -> Floats | None:
    """The bare record of the same two inputs, if it was taken on the same ranges."""
    if own is None:
        return None
    numbers = [capture.inputs[row] for row in rows]
    if any(number not in own.inputs for number in numbers):
        return None
    settings = [[one.setting.inputs[n].volts_per_division for n in numbers] for one in (own, capture)]
    if any(abs(a / b - 1) > 1e-3 for a, b in zip(*settings, strict=True)):
        return None
    return own.volts[[own.inputs.index(number) for number in numbers]]


def distortion(
    planned: PlannedReading,
    taken: Taken,
    rows: tuple[int, int],
    stimulus: Stimulus,
    bare: Bare,
    k: float,
) -> Estimate:
    """Distortion of a pair, a fraction, less what the same tone shows in the through hookup."""
    seen = harmonics_of(taken.capture, rows, stimulus)
    through = bare.harmonics.get((stimulus.frequency_hz, stimulus.level_vrms, rows[0] // 2))
    options = planned.check.options
    measure = (
        thd_and_noise if isinstance(options, DistortionOptions) and options.include == "everything" else thd
    )
    return measure(seen, through, largest_residual=0.0 if through else LARGEST_RESIDUAL, k=k)
