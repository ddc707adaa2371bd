"""Preferred resistor values: the E24 and E96 series of IEC 60063."""

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

Series = Literal["E24", "E96"]

# E24 is rounded unlike its formula in places (2.7 to 4.7, 8.2), so it is a list; E96 is 10^(n/96), rounded.
SERIES: Mapping[Series, tuple[float, ...]] = MappingProxyType(
    {
        "E24": (
            *(1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0),
            *(3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1),
        ),
        "E96": tuple(round(10 ** (n / 96), 2) for n in range(96)),
    }
)


def nearest_value(wanted_ohm: float, series: Series) -> float:
    """Give the series' value that is nearest by ratio, in ohm. Raises ValueError for zero or less."""
    if not 0 < wanted_ohm < math.inf:
        raise ValueError(f"no preferred value is near {wanted_ohm} ohm; expected more than zero")
    decade = math.floor(math.log10(wanted_ohm))
    values = (
        round(step * 10.0**power, 12) for power in (decade - 1, decade, decade + 1) for step in SERIES[series]
    )
    return min(values, key=lambda value: abs(math.log(value / wanted_ohm)))
