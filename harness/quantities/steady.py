"""What the quantities of a state at rest have in common that transfers tell."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import islice
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from harness.arrays import Complex, Floats
from harness.errors import ReadingError
from harness.measure.budget import propagate
from harness.measure.transfer import Transfer
from harness.quantities.estimates import (
    CERTAIN,
    AngleEstimates,
    Estimates,
    LevelEstimates,
    PredictedUnits,
    is_present,
)
from harness.quantities.forms import PortTransfer, Stack, StateSeen, differential, port_transfers
from harness.quantities.need import KnownOhm, Need, PlannedCapture, PortView, pair_tone
from harness.quantities.predicted_ratios import (
    ComplexEstimates,
    PredictedTransfer,
    propagate_many,
)
from harness.quantities.quantity import Family, PlannedReading, Quantity
from harness.reading import Estimate

Form = Callable[[Sequence[PortView], Sequence[Complex]], Complex]
Needs = Literal["nothing", "numerator", "denominator", "both"]

NO_LEVEL_DB = -200.0  # what a circuit predicts below this comes of its own leaks, and is no prediction


@dataclass(frozen=True, kw_only=True)
class OfTransfers:
    """How the captures of a steady reading show its port, in their order.

    source, load: of a contact's resistance, what the path lies between; of a capacitance, load is the
    resistance in which its current makes the quiet port's differential.
    """

    views: tuple[PortView, ...]
    source: KnownOhm | None = None
    load: KnownOhm | None = None


class Steady(Quantity[OfTransfers, StateSeen]):
    """A quantity that the transfers from the source's legs to a port tell."""

    family: ClassVar[Family] = "steady"
    only_with_signal: ClassVar[bool] = False
    """Whether it means something only at a port that the drive is led to."""

    def readings(self, need: Need) -> Iterable[PlannedReading[OfTransfers]]:
        """One, of these captures; none if the quantity means nothing at a port with signal, or without."""
        if need.live if self.at_silent_ports else self.only_with_signal and not need.live:
            return
        yield self.planned(need, self.captures(need), need.frequency_hz)

    def captures(self, need: Need) -> Sequence[PlannedCapture]:
        """Of a pair of tones; with the inputs swapped as well if that helps."""
        tone = pair_tone(need)
        return need.both_ways(tone) if self.inputs_swapped else [need.capture(tone)]

    def planned(
        self,
        need: Need,
        captures: Sequence[PlannedCapture],
        frequency_hz: float | None,
        *,
        leg: str = "",
        source: KnownOhm | None = None,
        load: KnownOhm | None = None,
    ) -> PlannedReading[OfTransfers]:
        """A reading of these captures; frequency_hz: None if it is of several at once."""
        return PlannedReading(
            key=self.key(need, frequency_hz, leg),
            quantity=self,
            limit=need.limit,
            captures=tuple(number for capture in captures for number in capture.numbers),
            given=OfTransfers(views=tuple(capture.view for capture in captures), source=source, load=load),
            route="" if self.between_channels else need.route,
        )

    def measure(self, planned: PlannedReading[OfTransfers], seen: Sequence[StateSeen], k: float) -> Estimate:
        """From the transfers that the captures show."""
        transfers = [capture.transfer for capture in seen if capture.transfer is not None]
        if len(transfers) < len(seen):
            raise ReadingError("no transfer was measured here")
        return self.of_transfers(planned, transfers, k)

    def expected(
        self, planned: PlannedReading[OfTransfers], seen: Sequence[StateSeen], k: float
    ) -> Estimate | None:
        """The same of the predicted transfers; None if the circuit predicts nothing but leakage."""
        transfers = [capture.predicted for capture in seen if capture.predicted is not None]
        if len(transfers) != len(seen):
            return None
        try:
            expected = self.of_transfers(planned, transfers, k)
        except ReadingError:
            return None
        if expected.floor or (self.unit == "dB" and expected.value < NO_LEVEL_DB):
            return None
        return expected

    def of_transfers(
        self, planned: PlannedReading[OfTransfers], transfers: Sequence[Transfer], k: float
    ) -> Estimate:
        """The quantity of these transfers, be they measured or predicted. Raises ReadingError."""
        raise NotImplementedError


def predicted_views(
    planned: PlannedReading[OfTransfers], units: PredictedUnits, *, alone: bool = False
) -> tuple[list[PortView], list[PredictedTransfer]]:
    """Views and predicted transfers of a reading's captures, but for those with the inputs swapped.

    The errors of the inputs' gains that these take out of the others are left out, if not `alone`.
    """
    left = iter(planned.captures)
    shown = [(view, tuple(islice(left, view.captures))) for view in planned.given.views]
    plain = [(view, numbers) for view, numbers in shown if not view.swapped]
    swapped = len(plain) < len(shown) and not alone
    seen = units.transfers([numbers for _, numbers in plain], inputs_swapped=swapped)
    return [view for view, _ in plain], seen


class Ratio(Steady):
    """Level or angle of one linear function of the transfers, over another one or by itself.

    Both take the views of the captures and their transfers, of shape (…, legs, 2), any leading axes: of one
    unit or of thousands; also of what an error changes in them.
    """

    scale: ClassVar[Literal["db", "deg"]] = "db"
    needs: ClassVar[Needs] = "nothing"
    """What must surely stand above the noise."""
    lacks: ClassVar[str] = "the port shows no signal to compare with"
    """The reason if it does not."""

    def numerator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """Usually the differential at the port."""
        return differential(h[0], views[0].rows)

    def denominator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex | None:
        """What it is divided by; None: nothing."""
        return None

    def ratio(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """Numerator over denominator."""
        above, below = self.numerator(views, h), self.denominator(views, h)
        return above if below is None else np.asarray(above / below)

    @property
    def required(self) -> tuple[Form, ...]:
        """What must surely stand above the noise."""
        return {
            "nothing": (),
            "numerator": (self.numerator,),
            "denominator": (self._below,),
            "both": (self.numerator, self._below),
        }[self.needs]

    def of_transfers(
        self, planned: PlannedReading[OfTransfers], transfers: Sequence[Transfer], k: float
    ) -> Estimate:
        """See Steady."""
        ports = port_transfers(planned.given.views, transfers)
        known = all(port.transfer.phase_known for port in ports)
        if self.drive_in_view(amplified=False) and not known:
            raise ReadingError("phase can't be told here: the driven port is not in view")
        stack = Stack.of([port.transfer for port in ports])
        levels = self._required_levels(ports, stack, k)
        if any(level.floor for level in levels):
            return self.bound(levels)
        return self.of_ports(ports, stack, k)

    def bound(self, levels: Sequence[Estimate]) -> Estimate:
        """What is known if not all that must stand above the noise does. Raises ReadingError if nothing is.

        levels: of what is `required`, in dB.
        """
        raise ReadingError(self.lacks)

    def of_ports(self, ports: Sequence[PortTransfer], stack: Stack, k: float) -> Estimate:
        """The ratio of these ports, whose transfers are stacked."""
        views = [port.view for port in ports]

        def ratio(values: Complex) -> Complex:
            return self.ratio(views, stack.parts(values))

        def degrees(values: Complex) -> Floats:
            return np.asarray(np.degrees(np.angle(ratio(values))))

        function: Callable[[Complex], NDArray[Any]] = degrees if self.scale == "deg" else ratio
        return propagate(function, stack.values, stack.components, coverage_factor=k, scale=self.scale)

    def predict(self, planned: PlannedReading[OfTransfers], units: PredictedUnits) -> Estimates | None:
        """Level or angle of the ratio; taken of those units that show what must stand above the noise."""
        views, seen = predicted_views(planned, units)
        ratio, k = self.ratio_of_many(views, seen), units.coverage_factor
        taken = np.ones(len(ratio.value), dtype=bool)
        for form in self.required:
            taken &= is_present(propagate_many(partial(form, views), None, seen), k)
        made = AngleEstimates if self.scale == "deg" else LevelEstimates
        return made(level=ratio, taken=taken, k=k)

    def ratio_of_many(self, views: Sequence[PortView], seen: Sequence[PredictedTransfer]) -> ComplexEstimates:
        """The ratio of many units, one transfer for each capture."""
        alone = self.denominator(views, [capture.values for capture in seen]) is None
        below = None if alone else partial(self._below, views)
        return propagate_many(partial(self.numerator, views), below, seen)

    def _below(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The denominator of one that has one."""
        below = self.denominator(views, h)
        if below is None:
            raise ValueError(f"{self.name} is divided by nothing")
        return below

    def _required_levels(self, ports: Sequence[PortTransfer], stack: Stack, k: float) -> list[Estimate]:
        """Of what must stand above the noise, in dB; a floor does not surely do so."""
        views = [port.view for port in ports]

        def level(form: Form) -> Estimate:
            return propagate(
                lambda values: form(views, stack.parts(values)),
                stack.values,
                stack.components,
                coverage_factor=max(k, CERTAIN),
                scale="db",
            )

        return [level(form) for form in self.required]
