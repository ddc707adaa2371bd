"""Quantities of the relay supply."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from types import MappingProxyType
from typing import ClassVar

from harness.measure.budget import estimate
from harness.quantities.limits import KINDS, LimitRule
from harness.quantities.quantity import Family, PlannedReading, Quantity
from harness.reading import Contribution, Estimate
from harness.roles import SupplyReading

SUPPLY_METER = 0.01  # of a bench supply's own current reading: common practice, no source


@dataclass(frozen=True, kw_only=True)
class OfState:
    """What the circuit expects a state to draw."""

    expected_a: float


class OfSupply(Quantity[OfState, SupplyReading]):
    """A quantity of the relay supply in a state."""

    family: ClassVar[Family] = "supply"


class SupplyCurrent(OfSupply):
    """What the module draws in a state."""

    name, words, unit = "supply_current", "supply current", "A"
    limits = LimitRule(dimension="current", unit="A", kinds=KINDS, example='within = "8 %"', relative=True)
    at_ports = False
    takes_tone = False
    driven = False
    refuses = MappingProxyType({"at": "is the whole unit's; expected no ports"})

    def measure(self, planned: PlannedReading[OfState], seen: Sequence[SupplyReading], k: float) -> Estimate:
        """The supply's own reading, within the limits of its meter."""
        return current(seen[0].current_a, seen[0].current_standard_a, meter_accuracy=SUPPLY_METER, k=k)

    def expected(self, planned: PlannedReading[OfState], seen: Sequence[SupplyReading], k: float) -> Estimate:
        """Quiescent current and the coils that are energised."""
        return estimate(planned.given.expected_a, (), k)


def current(current_a: float, scatter_a: float, *, meter_accuracy: float, k: float = 2.0) -> Estimate:
    """A current in A. scatter_a: one standard uncertainty; meter_accuracy: limits, a fraction."""
    lines = [
        Contribution(name="supply's meter", standard=meter_accuracy * abs(current_a) / sqrt(3)),
        Contribution(name="supply's scatter", standard=scatter_a),
    ]
    return estimate(current_a, lines, k, even=(lines[0].standard,))
