"""Quantities of a control line that is operated again and again."""

from typing import Annotated, ClassVar

from pydantic import Field

from harness.quantities.limits import LimitRule
from harness.quantities.quantity import LOW_LEVEL_VRMS, Family, Options, Quantity


class OfCycle(Quantity):
    """A quantity of a line's operations."""

    family: ClassVar[Family] = "cycle"


class IntermittencyOptions(Options):
    """Of an intermittency check. operations: of each line."""

    operations: Annotated[int, Field(ge=1, le=100_000)] = 10


class Intermittency(OfCycle):
    """Share of a line's operations after which a level is wrong."""

    name, words, unit = "intermittency", "intermittent contacts", "%"
    limits = LimitRule(dimension="fraction", unit="%", kinds=("below",), example='below = "30 %"')
    options = IntermittencyOptions
    default_level_vrms = most_level_vrms = LOW_LEVEL_VRMS
