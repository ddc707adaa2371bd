"""Quantities of a change of state, all read from one record across it: times of contacts, and clicks."""

from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from harness.quantities.limits import DURATION, OF_WHAT_IS_NOT_PREDICTED, LimitRule
from harness.quantities.quantity import Family, Options, Quantity, as_tuple

Band = Literal["full", "audio"]
Direction = Literal["operate", "release"]


class OfChange(Quantity):
    """A quantity of a change of state."""

    family: ClassVar[Family] = "change"
    direction: ClassVar[Direction | None] = None
    """Of which changes it is: lines energised only, lines released only; None: any."""


class ChangeOptions(Options):
    """Of a check of changes of state.

    also: changes of several lines at once, `loop_a > loop_b`, besides those of a single line.
    """

    also: Annotated[tuple[str, ...], as_tuple] = ()

    @property
    def races(self) -> tuple[str, ...]:
        """Those."""
        return self.also


class OperateTime(OfChange):
    """From the control line's edge to the first closing of the last leg to change."""

    name, words, unit, limits = "operate_time", "operate time", "s", DURATION
    direction = "operate"
    refuses = MappingProxyType({"also": "is of one line that is energised; expected no races"})


class ReleaseTime(OfChange):
    """The same of a line that is released."""

    name, words, unit, limits = "release_time", "release time", "s", DURATION
    direction = "release"
    refuses = MappingProxyType({"also": "is of one line that is released; expected no races"})


class Bounce(OfChange):
    """How long a leg goes on opening after it first closed."""

    name, words, unit, limits = "bounce", "bounce", "s", DURATION
    options = ChangeOptions


class Gap(OfChange):
    """How long a leg shows neither the old route nor the new one."""

    name, words, unit, limits = "gap", "break before make", "s", DURATION
    options = ChangeOptions


class ClickOptions(ChangeOptions):
    """Of a check of clicks. band: audio is 22 Hz to 22 kHz."""

    band: Band = "full"

    tells_apart = ("band",)


class Click(OfChange):
    """A figure of what a change of state leaves between the legs, besides the courses of the signal."""

    options = ClickOptions
    default_level_vrms = 0.0
    """A click is looked for beside nothing, the input ended by the source at its smallest level."""


class ClickPeak(Click):
    """Its highest value."""

    name, words, unit = "click_peak", "peak of a click", "V"
    limits = LimitRule(
        dimension="voltage", unit="V", kinds=OF_WHAT_IS_NOT_PREDICTED, example='below = "10 mV"'
    )


class ClickEnergy(Click):
    """The integral of its volts squared."""

    name, words, unit = "click_energy", "energy of a click", "V²s"
    limits = LimitRule(
        dimension="energy", unit="V²s", kinds=OF_WHAT_IS_NOT_PREDICTED, example='below = "10 nV2s"'
    )


class ClickDuration(Click):
    """From the first to the last passage of a tenth of its peak."""

    name, words, unit, limits = "click_duration", "duration of a click", "s", DURATION
