"""Phases: of a port against the driven one, between its legs, between channels."""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import ClassVar

import numpy as np

from harness.arrays import Complex
from harness.errors import ReadingError
from harness.quantities.forms import differential
from harness.quantities.levels import OfChannels, OfLegs
from harness.quantities.need import PortView
from harness.quantities.predicted_ratios import ComplexEstimates, PredictedTransfer, divided, propagate_many
from harness.quantities.quantity import DEGREES
from harness.quantities.steady import Form, Needs, Ratio
from harness.reading import Estimate


def of_drive(view: PortView, h: Complex) -> Complex:
    """Differential at the port that the generator feeds. Raises ReadingError if it is not in view."""
    if view.drive_rows is None:
        raise ReadingError("phase can't be told here: the driven port is not in view")
    return differential(h, view.drive_rows)


class Phase(Ratio):
    """Phase of a port's differential against that of the driven port, as the same record shows both."""

    name, label, unit, limits = "phase", "phase", "deg", DEGREES
    scale = "deg"
    only_with_signal = from_drive = True
    needs: ClassVar[Needs] = "both"

    def drive_in_view(self, *, amplified: bool) -> bool:
        """No capture knows when it began but by the driven port."""
        return True

    def denominator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The driven port's."""
        return of_drive(views[0], h[0])

    def near(self, result: Estimate, expected: Estimate) -> Estimate:
        """Within half a turn of what is expected."""
        turns = 360 * round((expected.value - result.value) / 360)
        return replace(result, value=result.value + turns, low=result.low + turns, high=result.high + turns)


class LegPhaseError(OfLegs, Phase):
    """Departure of the legs' phases from opposite ones: hot less cold."""

    name, label, unit, limits = "leg_phase_error", "phase error of the legs", "deg", DEGREES

    def numerator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The hot leg, turned round."""
        return -super().numerator(views, h)


class ChannelPhaseDifference(OfChannels, Phase):
    """A channel's phase less the first channel's."""

    name, label, unit, limits = "channel_phase_difference", "phase difference of the channels", "deg", DEGREES

    def ratio(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """Each channel against its own driven port."""
        own = self.numerator(views, h) / _of_own_drive(views, h)
        return np.asarray(own / self.denominator(views, h) * _of_first_drive(views, h))

    @property
    def required(self) -> tuple[Form, ...]:
        """Both ports, and both driven ones."""
        return self.numerator, self.denominator, _of_first_drive, _of_own_drive

    def ratio_of_many(self, views: Sequence[PortView], seen: Sequence[PredictedTransfer]) -> ComplexEstimates:
        """See `ratio`."""
        first, own = (
            propagate_many(partial(_of_port, view), partial(_of_drive_alone, view), [capture])
            for view, capture in zip(views, seen, strict=True)
        )
        return divided(own, first)


def _of_port(view: PortView, h: Sequence[Complex]) -> Complex:
    return differential(h[0], view.rows)


def _of_drive_alone(view: PortView, h: Sequence[Complex]) -> Complex:
    return of_drive(view, h[0])


def _of_first_drive(views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
    return of_drive(views[0], h[0])


def _of_own_drive(views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
    return of_drive(views[1], h[1])
