"""Quantities of a state at rest that are in a record besides its tone: noise, distortion, direct voltage."""

from typing import ClassVar, Literal

from harness.quantities.limits import KINDS, LimitRule
from harness.quantities.quantity import Family, Options, Quantity

Weighting = Literal["none", "A", "quasi-peak"]


class Residual(Quantity):
    """A quantity of a record's samples. The circuit predicts nothing of it."""

    family: ClassVar[Family] = "residual"


class NoiseOptions(Options):
    """Of a noise check."""

    weighting: Weighting = "none"

    tells_apart = ("weighting",)


class Noise(Residual):
    """Noise between the legs, less the bench's own."""

    name, words, unit = "noise", "noise", "dBu"
    limits = LimitRule(dimension="level", unit="dBu", kinds=("below",), example='below = "-60 dBu"')
    options = NoiseOptions
    takes_tone = False


class DistortionOptions(Options):
    """Of a distortion check. include: what counts besides harmonics: noise and all else."""

    include: Literal["harmonics", "everything"] = "harmonics"

    tells_apart = ("include",)


class Distortion(Residual):
    """Harmonics between the legs over the tone, less the bench's own."""

    name, words, unit = "distortion", "distortion", "%"
    limits = LimitRule(dimension="fraction", unit="%", kinds=("below",), example='below = "0.3 %"')
    options = DistortionOptions


class Offset(Residual):
    """Direct voltage of each leg, and between them."""

    name, words, unit = "offset", "direct voltage", "V"
    limits = LimitRule(dimension="voltage", unit="V", kinds=KINDS, example='between = ["-5 mV", "5 mV"]')
    takes_tone = False
    driven = False
