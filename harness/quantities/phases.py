"""Polarity and phases, against the drive and between legs and channels."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from harness.judge import judge_polarity
from harness.measure.transfer import Transfer
from harness.quantities.estimates import CERTAIN, Estimates, PredictedUnits, SignEstimates
from harness.quantities.forms import Stack, differential, leg_answer, looks_of
from harness.quantities.judged import Decision, Judged
from harness.quantities.levels import of_channels
from harness.quantities.limits import DEGREES
from harness.quantities.need import Need, PortView
from harness.quantities.quantity import PlannedReading, Suggestion
from harness.quantities.seen import StateSeen
from harness.quantities.steady import Needs, OfTransfers, Ratio, predicted_views
from harness.reading import Estimate

Complex = NDArray[np.complex128]

CLEAR_DEG = 45.0  # a phase this close to 0 or 180 degrees is a polarity; between, it is none


def signs_of(level: Complex) -> NDArray[np.float64]:
    """1, -1, or 0 where undecided, by the phase."""
    angle_deg = np.abs(np.degrees(np.angle(level)))
    return np.where(angle_deg <= CLEAR_DEG, 1.0, np.where(angle_deg >= 180 - CLEAR_DEG, -1.0, 0.0))


class Polarity(Ratio):
    """Whether a port is in phase with the drive, +1, or inverted, -1.

    0, undecided, where the port is silent, where its phase lies between (a missing leg, not a polarity), or
    where neither the drive is in view nor the unit passive.
    """

    name, words, unit, limits = "polarity", "polarity", "", None
    suggested = Suggestion(rank=2)
    only_with_signal = True

    def drive_in_view(self, *, amplified: bool) -> bool:
        """An amplifier can invert without exchanging the legs."""
        return amplified

    def of_transfers(
        self, planned: PlannedReading[OfTransfers], transfers: Sequence[Transfer], k: float
    ) -> Estimate:
        """The sign of the differential's in-phase part."""
        looks = looks_of(planned.given.views, transfers)
        transfer, view = looks[0].transfer, looks[0].view
        found = complex(differential(transfer.values, view.rows))
        level = self.of_looks(looks, Stack.of([transfer]), max(k, CERTAIN))
        sign = 0.0
        if not level.floor and transfer.polarity_known:
            sign = float(signs_of(np.asarray(found)))
        return Estimate(
            value=sign, standard=0.0, low=sign, high=sign, coverage_factor=k, floor=False, budget=()
        )

    def predict(self, planned: PlannedReading[OfTransfers], units: PredictedUnits) -> Estimates | None:
        """See Quantity."""
        level = self.ratio_of_many(*predicted_views(planned, units))
        return SignEstimates(level=level, signs=signs_of(level.value), k=units.coverage_factor)

    def judged(
        self,
        planned: PlannedReading[OfTransfers],
        seen: Sequence[StateSeen],
        found: Estimate,
        expected: Estimate | None,
        *,
        decision: Decision,
    ) -> Judged:
        """It must be as predicted."""
        verdict = judge_polarity(found.value, expected.value if expected else 0.0)
        lost = "" if found.value else "neither in phase nor inverted: look for a missing leg"
        return Judged(verdict=verdict, reason=lost)


class Phase(Ratio):
    """Phase of a port's differential against the drive's."""

    name, words, unit, limits = "phase", "phase", "deg", DEGREES
    scale = "deg"
    only_with_signal = True
    needs: ClassVar[Needs] = "numerator"

    def drive_in_view(self, *, amplified: bool) -> bool:
        """No capture knows when it began but by the driven port."""
        return True

    def near(self, found: Estimate, expected: Estimate) -> Estimate:
        """Within half a turn of what is expected."""
        turns = 360 * round((expected.value - found.value) / 360)
        return replace(found, value=found.value + turns, low=found.low + turns, high=found.high + turns)


class BalancePhase(Phase):
    """Departure of the legs' phases from opposite ones: hot less cold."""

    name, words, unit, limits = "balance_phase", "phase between the legs", "deg", DEGREES
    needs = "both"
    lacks = "a leg shows no signal, so the legs can't be compared"

    def numerator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The hot leg, turned round."""
        return -leg_answer(h[0], views[0].rows[0])

    def denominator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The cold leg."""
        return leg_answer(h[0], views[0].rows[1])


class ChannelPhase(Phase):
    """A channel's phase less the first channel's, at the same port in the same state."""

    name, words, unit, limits = "channel_phase", "phase between the channels", "deg", DEGREES
    between_channels = True
    needs = "both"

    def readings(self, need: Need) -> Iterable[PlannedReading[OfTransfers]]:
        """See `of_channels`."""
        return of_channels(self, need)

    def numerator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The channel's own, which is captured last."""
        return differential(h[1], views[1].rows)

    def denominator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The first channel's."""
        return differential(h[0], views[0].rows)
