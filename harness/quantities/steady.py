"""Quantities of a state at rest that transfers tell: levels, phases, and what follows from them."""

from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator

from harness.quantities.limits import DECIBELS, DEGREES, SILENCE, LimitRule
from harness.quantities.quantity import (
    LOW_LEVEL_VRMS,
    Family,
    Frequencies,
    Options,
    Quantity,
    several,
)
from harness.units import InQuantity

RESPONSE_HZ = (
    20.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 10000.0, 12500.0, 16000.0, 20000.0,
)  # fmt: skip
CAPACITANCE_HZ = (20e3, 50e3, 100e3)


class Steady(Quantity):
    """A quantity that the transfers from the source's legs to a port's tell."""

    family: ClassVar[Family] = "steady"


class GainOptions(Options):
    """Of a gain check, which judges the isolation of ports that the circuit predicts silent as well."""

    silent_below: Annotated[float, InQuantity("ratio_db")] | None = None
    """dB; None: the usual."""


class Gain(Steady):
    """Differential at a port over that of the source's e.m.f."""

    name, words, unit, limits = "gain", "gain", "dB", DECIBELS
    options = GainOptions


class Isolation(Steady):
    """The gain of a port that should be silent."""

    name, words, unit, limits = "isolation", "isolation", "dB", SILENCE


class Polarity(Steady):
    """Whether a port is in phase with the drive, or inverted."""

    name, words, unit, limits = "polarity", "polarity", "", None

    def drive_in_view(self, *, amplified: bool) -> bool:
        """An amplifier can invert without exchanging the legs."""
        return amplified


class Phase(Steady):
    """Phase of a port's differential against the drive's."""

    name, words, unit, limits = "phase", "phase", "deg", DEGREES

    def drive_in_view(self, *, amplified: bool) -> bool:
        """No capture knows when it began but by the driven port."""
        return True


class Balance(Steady):
    """Hot leg's level over the cold leg's."""

    name, words, unit, limits = "balance", "balance of the legs", "dB", DECIBELS
    inputs_swapped = True


class BalancePhase(Phase):
    """Departure of the legs' phases from opposite ones: hot less cold."""

    name, words, unit, limits = "balance_phase", "phase between the legs", "deg", DEGREES


class ChannelMatch(Steady):
    """A channel's gain less the first channel's, at the same port in the same state."""

    name, words, unit, limits = "channel_match", "match of the channels", "dB", DECIBELS
    between_channels = True


class ChannelPhase(Phase):
    """A channel's phase less the first channel's, at the same port in the same state."""

    name, words, unit, limits = "channel_phase", "phase between the channels", "deg", DEGREES
    between_channels = True


class Crosstalk(Steady):
    """Differential at a channel that is not driven over that at the same port of the one that is."""

    name, words, unit, limits = "crosstalk", "crosstalk", "dB", SILENCE

    def across(self, options: Options) -> bool:
        """Always."""
        return True


class SweptOptions(Options):
    """Of a check of several frequencies."""

    frequencies: Frequencies

    @property
    def several_hz(self) -> tuple[float, ...]:
        """Those."""
        return self.frequencies


class ResponseOptions(SweptOptions):
    """Of a response check."""

    frequencies: Annotated[Frequencies, AfterValidator(several(1))] = RESPONSE_HZ


class Response(Steady):
    """A port's gain at a frequency over its gain at 1 kHz."""

    name, words, unit, limits = "response", "response over frequency", "dB", DECIBELS
    options = ResponseOptions
    swept = True


class CommonModeOptions(Options):
    """Of a common-mode check. source: equal legs, or one of them with a resistor added."""

    source: Literal["equal", "unequal"] = "equal"

    tells_apart = ("source",)


class CommonModeRejection(Steady):
    """Differential gain over what a common drive is converted to, positive when good."""

    name, words, unit = "common_mode_rejection", "common-mode rejection", "dB"
    limits = LimitRule(dimension="ratio_db", unit="dB", kinds=("within", "above"), example='above = "60 dB"')
    options = CommonModeOptions
    inputs_swapped = True

    def source_added(self, options: CommonModeOptions) -> bool:
        """As IEC 60268-3 asks for since its edition of 2000 (from memory)."""
        return options.source == "unequal"


class ContactResistance(Steady):
    """Resistance of a path's contacts, both legs in series."""

    name, words, unit = "contact_resistance", "contact resistance", "ohm"
    limits = LimitRule(dimension="resistance", unit="ohm", kinds=("below",), example='below = "2 ohm"')
    default_level_vrms = most_level_vrms = LOW_LEVEL_VRMS


class CapacitanceOptions(SweptOptions):
    """Of a capacitance check. coupling: whether it is known by isolation or by crosstalk."""

    frequencies: Annotated[Frequencies, AfterValidator(several(3))] = CAPACITANCE_HZ
    coupling: Literal["isolation", "crosstalk"] = "isolation"

    tells_apart = ("coupling",)


class Capacitance(Steady):
    """What couples a port that should be silent to one that is driven."""

    name, words, unit = "capacitance", "stray capacitance", "F"
    limits = LimitRule(dimension="capacitance", unit="F", kinds=("below",), example='below = "10 pF"')
    options = CapacitanceOptions
    swept = True

    def across(self, options: CapacitanceOptions) -> bool:
        """Where it is told by crosstalk."""
        return options.coupling == "crosstalk"
