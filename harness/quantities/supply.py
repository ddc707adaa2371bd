"""Quantities of the relay supply."""

from types import MappingProxyType
from typing import ClassVar

from harness.quantities.limits import KINDS, LimitRule
from harness.quantities.quantity import Family, Quantity


class OfSupply(Quantity):
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
