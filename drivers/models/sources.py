"""Profiles of what feeds a unit: generators and relay supplies."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from drivers.models.any_instrument import (
    OUTPUT,
    PLAIN,
    Command,
    Count,
    Holes,
    InstrumentProfile,
    Positive,
    ProfileTable,
)


class GeneratorCommands(ProfileTable):
    """A query may be left out; with it, the setting is read back and compared."""

    function_sine: OUTPUT
    frequency: Annotated[Command, Holes(("n", "hz"))]
    amplitude: Annotated[Command, Holes(("n",), one_of=("vpp", "vrms", "vpk"))]
    offset: Annotated[Command, Holes(("n", "v"))]
    phase: Annotated[Command, Holes(("n", "deg"))]
    load_open: OUTPUT
    output_on: OUTPUT
    output_off: OUTPUT
    output_query: OUTPUT
    frequency_query: OUTPUT | None = None
    amplitude_query: OUTPUT | None = None


class GeneratorProfile(InstrumentProfile):
    """A generator; amplitudes are open circuit, peak to peak, whatever the amplitude command's own unit."""

    role: ClassVar[str] = "generator"
    kind: Literal["generator"]
    outputs: Count
    output_impedance_ohm: Positive
    output_impedance_tolerance: Annotated[float, Field(ge=0.0, lt=1.0)] = 0.01
    amplitude_min_vpp: Positive
    amplitude_max_vpp: Positive
    frequency_min_hz: Positive
    frequency_max_hz: Positive
    independent_frequencies: bool
    commands: GeneratorCommands


class SupplyCommands(ProfileTable):
    """The supply's commands; `select`, which may be left out, is sent before the others."""

    select: OUTPUT | None = None
    voltage: Annotated[Command, Holes(("v",))]
    current: Annotated[Command, Holes(("a",))]
    output_on: PLAIN
    output_off: PLAIN
    measure_voltage: PLAIN
    measure_current: PLAIN
    output_query: PLAIN | None = None


class SupplyProfile(InstrumentProfile):
    """A DC supply. Off is proven by its voltage falling below `off_below_v` within `off_within_s`."""

    role: ClassVar[str] = "supply"
    kind: Literal["supply"]
    voltage_max_v: Positive
    current_max_a: Positive
    off_below_v: Positive
    off_within_s: Positive
    commands: SupplyCommands
