"""What of a drive that both legs have in common a unit converts to a signal between them."""

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Literal

from harness.arrays import Complex
from harness.errors import ReadingError
from harness.measure.budget import propagate
from harness.measure.transfer import Transfer
from harness.quantities.estimates import Estimates, PredictedUnits, RejectionEstimates, is_present
from harness.quantities.forms import PortTransfer, Stack, converted, differential, port_transfers
from harness.quantities.need import Need, PlannedCapture, PortView, pair_tone
from harness.quantities.predicted_ratios import propagate_many
from harness.quantities.quantity import LimitRule, Options, PlannedReading
from harness.quantities.steady import OfTransfers, Ratio, predicted_views
from harness.reading import Estimate


def bias_of_lesser(apart: float, standard: float) -> float:
    """How much too low the lesser of two readings is in the mean, if their difference is as they say.

    apart: of the two. standard: uncertainty of that. It is E[min(a, b)] - min(a, b) with the sign turned, by
    the mean of the lesser of two normal variables (Clark, Operations Research 9, 1961, from memory).
    """
    if standard == 0.0:
        return 0.0
    turned = apart / standard
    density = math.exp(-(turned**2) / 2) / math.sqrt(2 * math.pi)
    beyond = math.erfc(turned / math.sqrt(2)) / 2
    return standard * (density - turned * beyond)


class CommonModeOptions(Options):
    """Of a common-mode check. source: equal legs, or one of them with a resistor added."""

    source: Literal["equal", "unequal"] = "equal"

    tells_apart = ("source",)


class CommonModeRejection(Ratio):
    """Differential gain over what a common drive is converted to, dB, positive when good; the worst source's.

    Under a common drive a pair's differential is a small difference of two large readings, each through a
    scope input of its own, so a difference of these inputs' gains looks like conversion. Read once with the
    inputs one way round and once the other, each leg's mean has the same gain, and the difference cancels.

    Both are of one transfer, so whatever scales both legs alike cancels. The common drive is the e.m.f. on
    both legs, not half their sum at the port. Where no conversion stands above the uncertainty the rejection
    is a floor the other way round: `value` and `low` are what it is at least, `high` is infinite.

    An unequal source has 10 ohm added to the hot leg, then to the cold one: that is the source that IEC
    60268-3 asks for since its edition of 2000 (from memory). Its effect can't be computed from readings made
    without it, as what it converts depends on the port's own impedance to ground. Of two sources the lower
    rejection counts, raised by what the lesser of two readings is too low in the mean; one of which only a
    lower bound is known is the worse one where that bound is the lower.
    """

    name, label, unit = "common_mode_rejection", "common-mode rejection", "dB"
    legs_apart = True
    limits = LimitRule(
        dimension="ratio_db",
        unit="dB",
        kinds=("within", "above"),
        example='above = "60 dB"',
        tolerance=("above",),
    )
    options = CommonModeOptions
    inputs_swapped = True
    only_with_signal = True

    def source_added(self, options: CommonModeOptions) -> bool:
        """Where the source is to be unequal."""
        return options.source == "unequal"

    def captures(self, need: Need) -> Sequence[PlannedCapture]:
        """One for each source, and one more of each with the scope's inputs swapped."""
        return [capture for leg in need.source_legs for capture in need.both_ways(pair_tone(need), leg)]

    def numerator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """What a common drive is converted to."""
        return converted(h[0], views[0].rows)

    def denominator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The differential gain."""
        return differential(h[0], views[0].rows)

    def of_transfers(
        self, planned: PlannedReading[OfTransfers], transfers: Sequence[Transfer], k: float
    ) -> Estimate:
        """Raises ReadingError if the port shows no differential signal."""
        of_leg: dict[str, tuple[list[PortView], list[Transfer]]] = {}
        for view, transfer in zip(planned.given.views, transfers, strict=True):
            views, of_views = of_leg.setdefault(view.source_leg, ([], []))
            views.append(view)
            of_views.append(transfer)
        sources = [port_transfers(views, of_views)[0] for views, of_views in of_leg.values()]
        result = [self._of_source(port, k) for port in sources]
        worst = min(result, key=lambda estimate: estimate.low)
        measured = all(port.transfer.made != "predicted" for port in sources)
        if len(result) == 1 or not measured or any(each.floor for each in result):
            return worst
        one, other = result
        standard = self._apart(sources, k)
        apart = math.sqrt(max((one.value - other.value) ** 2 - standard**2, 0.0))  # but for what is chance
        raised = bias_of_lesser(apart, standard)
        return replace(worst, value=worst.value + raised, low=worst.low + raised, high=worst.high + raised)

    def _apart(self, sources: Sequence[PortTransfer], k: float) -> float:
        """Standard uncertainty of the difference of two sources' rejections, dB, without what they share."""
        stack = Stack.of([port.transfer for port in sources])

        def quotient(values: Complex) -> Complex:
            one, other = (
                converted(part, port.view.rows) / differential(part, port.view.rows)
                for part, port in zip(stack.parts(values), sources, strict=True)
            )
            return one / other

        return (
            propagate(quotient, stack.values, stack.components, coverage_factor=k, scale="db").standard or 0.0
        )

    def predict(self, planned: PlannedReading[OfTransfers], units: PredictedUnits) -> Estimates | None:
        """The worst source's."""
        views, seen = predicted_views(planned, units)
        levels = [self.ratio_of_many([view], [one]) for view, one in zip(views, seen, strict=True)]
        _, own = predicted_views(planned, units, alone=True)
        taken = [
            is_present(propagate_many(partial(self.denominator, [view]), None, [one]), units.coverage_factor)
            for view, one in zip(views, own, strict=True)
        ]
        return RejectionEstimates(levels=levels, taken=taken, k=units.coverage_factor)

    def _of_source(self, port: PortTransfer, k: float) -> Estimate:
        transfer, rows = port.transfer, port.view.rows
        gain = propagate(
            lambda h: differential(h, rows),
            transfer.values,
            transfer.components,
            coverage_factor=k,
            scale="db",
        )
        if gain.floor:
            raise ReadingError("the port shows no signal, so it has no common-mode rejection")
        conversion = self.of_ports([port], Stack.of([transfer]), k)
        return replace(conversion, value=-conversion.value, low=-conversion.high, high=-conversion.low)

    def why_unproven(self, result: Estimate) -> str:
        """See Quantity."""
        if result.floor:
            return "no conversion was seen, but this bench can't measure as little as the limit allows"
        return super().why_unproven(result)
