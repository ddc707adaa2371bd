"""Quantities of the relay supply."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from types import MappingProxyType
from typing import ClassVar

import numpy as np

from harness.arrays import Floats
from harness.measure.budget import estimate
from harness.quantities.estimates import Estimates, PredictedUnits, ValueEstimates
from harness.quantities.quantity import KINDS, Family, LimitRule, PlannedReading, Quantity, Suggestion
from harness.reading import Contribution, Estimate, Limit
from harness.roles import SupplyReading

SUPPLY_METER = 0.01  # of a bench supply's own current reading: common practice, no source

COIL_SPREAD = 0.04  # half-width of a lot's coils round their nominal: common practice, no source
LEAST_EXPANDED_A = 1e-12


@dataclass(frozen=True, kw_only=True)
class OfState:
    """What the circuit predicts a state to draw."""

    expected_a: float


class OfSupply(Quantity[OfState, SupplyReading]):
    """A quantity of the relay supply in a state."""

    family: ClassVar[Family] = "supply"


class SupplyCurrent(OfSupply):
    """What the module draws in a state."""

    name, label, unit = "supply_current", "supply current", "A"
    limits = LimitRule(dimension="current", unit="A", kinds=KINDS, example='within = "8 %"', relative=True)
    suggested = Suggestion(
        rank=0,
        limit=Limit(kind="within", unit="", high=0.08, relative=True),
        description="the relay supply's current in every state",
    )
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

    def predict(self, planned: PlannedReading[OfState], units: PredictedUnits) -> Estimates:
        """What each unit's coils draw."""
        found_a = units.currents_a(planned.measurand.state)
        coils_a = max(float(found_a[0]) - units.quiescent_a, 0.0)
        expanded = units.coverage_factor * current_standard(found_a, coils_a) + LEAST_EXPANDED_A
        return ValueEstimates(value=found_a, expanded=expanded, unit=self.unit)


def current_standard(meter_a: Floats | float, coils_a: Floats | float) -> Floats:
    """Standard uncertainty, A, of a current by its meter's limits and by those of the coils' lot."""
    return np.asarray(np.hypot(SUPPLY_METER * meter_a, COIL_SPREAD * coils_a) / sqrt(3))


def current(current_a: float, scatter_a: float, *, meter_accuracy: float, k: float = 2.0) -> Estimate:
    """A current in A. scatter_a: one standard uncertainty; meter_accuracy: limits, a fraction."""
    lines = [
        Contribution(name="supply's meter", standard=meter_accuracy * abs(current_a) / sqrt(3)),
        Contribution(name="supply's scatter", standard=scatter_a),
    ]
    return estimate(current_a, lines, k, even=(lines[0].standard,))
