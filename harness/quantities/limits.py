"""How a quantity may be limited: in which unit, from which sides, and an example to show."""

from dataclasses import dataclass
from typing import Literal, get_args

from harness.units import Dimension

LimitKind = Literal["within", "below", "above", "between"]
KINDS: tuple[LimitKind, ...] = get_args(LimitKind)
OF_WHAT_IS_NOT_PREDICTED: tuple[LimitKind, ...] = ("below", "above", "between")


@dataclass(frozen=True, kw_only=True)
class LimitRule:
    """The dimension that a limit is written in, the unit that it is kept in, and the kinds that make sense.

    relative: a `within` limit may be a percentage of the prediction.
    """

    dimension: Dimension
    unit: str
    kinds: tuple[LimitKind, ...]
    example: str
    relative: bool = False


DECIBELS = LimitRule(dimension="ratio_db", unit="dB", kinds=KINDS, example='within = "0.2 dB"')
DEGREES = LimitRule(dimension="angle", unit="deg", kinds=KINDS, example='within = "5 deg"')
SILENCE = LimitRule(dimension="ratio_db", unit="dB", kinds=("below",), example='below = "-80 dB"')
DURATION = LimitRule(dimension="time", unit="s", kinds=OF_WHAT_IS_NOT_PREDICTED, example='below = "4 ms"')
