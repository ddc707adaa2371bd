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
from harness.quantities.tolerance import GoodSpread
from harness.reading import Contribution, Estimate, Limit
from harness.roles import SupplyReading

QUIESCENT_SPREAD = 0.05  # half-width, of lamps and regulators: common practice, no source
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
    limits = LimitRule(
        dimension="current",
        unit="A",
        kinds=KINDS,
        example='within = "8 %"',
        relative=True,
        tolerance=("within",),
    )
    suggested = Suggestion(
        rank=0,
        limit=Limit(kind="within", unit="", high=0.08, relative=True),
        description="the relay supply's current in every state",
        comment="Every coil must draw its current in every state, and nothing else may.",
    )
    at_ports = False
    takes_tone = False
    driven = False
    refuses = MappingProxyType({"at": "is the whole unit's; expected no ports"})

    def measure(self, planned: PlannedReading[OfState], seen: Sequence[SupplyReading], k: float) -> Estimate:
        """The supply's own reading, within the limits of its meter."""
        return current(seen[0], k)

    def expected(self, planned: PlannedReading[OfState], seen: Sequence[SupplyReading], k: float) -> Estimate:
        """Quiescent current and the coils that are energised."""
        return estimate(planned.given.expected_a, (), k)

    def predict(self, planned: PlannedReading[OfState], units: PredictedUnits) -> Estimates:
        """What each unit's coils draw."""
        found_a = units.currents_a(planned.measurand.state)
        coils_a = max(float(found_a[0]) - units.quiescent_a, 0.0)
        meter_a = np.hypot(units.meter_accuracy * found_a, units.meter_zero_a)
        expanded = units.coverage_factor * current_standard(meter_a, coils_a) + LEAST_EXPANDED_A
        good_a = float(found_a[0])
        spread = GoodSpread(
            terms="linear",
            nominal=good_a,
            typical=good_a,
            parts={
                "coils": COIL_SPREAD * coils_a / sqrt(3),
                "quiescent current": QUIESCENT_SPREAD * (good_a - coils_a) / sqrt(3),
            },
            bench={
                "supply's meter": units.meter_accuracy * good_a / sqrt(3),
                "supply's zero": units.meter_zero_a / sqrt(3),
            },
        )
        return ValueEstimates(value=found_a, expanded=expanded, unit=self.unit, spread=spread)


def current_standard(meter_a: Floats | float, coils_a: Floats | float) -> Floats:
    """Standard uncertainty, A, of a current by the limits of its meter's error and of the coils' lot."""
    return np.asarray(np.hypot(meter_a, COIL_SPREAD * coils_a) / sqrt(3))


def current(reading: SupplyReading, k: float = 2.0) -> Estimate:
    """What a supply's meter read, A. The limits of its error and its last digit are rectangular."""
    lines = [
        Contribution(name="supply's meter", standard=reading.accuracy * abs(reading.current_a) / sqrt(3)),
        Contribution(name="supply's scatter", standard=reading.current_standard_a),
    ]
    if reading.zero_a > 0:
        lines.append(Contribution(name="supply's zero", standard=reading.zero_a / sqrt(3)))
    if reading.digit_a > 0:
        lines.append(Contribution(name="supply's last digit", standard=reading.digit_a / sqrt(12)))
    even = tuple(line.standard for line in lines if line.name != "supply's scatter")
    return estimate(reading.current_a, lines, k, even=even)
