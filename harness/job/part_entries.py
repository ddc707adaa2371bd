"""The tables of module.toml that stand for a unit's parts other than relays."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from harness.toml_files.values import (
    Capacitance,
    Decibel,
    Flag,
    Fraction,
    Inductance,
    LegName,
    Level,
    Name,
    NetEnd,
    PartName,
    Resistance,
    StrayCapacitance,
    StrayInductance,
    Table,
    Time,
    TurnsRatio,
    Voltage,
)


@dataclass(frozen=True, kw_only=True)
class NamedEntry(Table):
    """One part for every channel, or with `names` a part for each."""

    name: PartName | None = None
    names: Mapping[str, PartName] | None = None


@dataclass(frozen=True, kw_only=True)
class SwitchType(Table):
    """[switch_types.NAME]: what one kind of electronic switch is like."""

    on_ohm: Annotated[Resistance, Field(alias="on_resistance")]
    on_max_ohm: Annotated[Resistance | None, Field(alias="on_resistance_max")] = None
    off_capacitance_f: Annotated[StrayCapacitance, Field(alias="off_capacitance")]
    threshold_v: Annotated[Voltage, Field(alias="threshold")]
    turn_on_max_s: Annotated[Time, Field(alias="turn_on_max")] = 0.001
    turn_off_max_s: Annotated[Time, Field(alias="turn_off_max")] = 0.001


@dataclass(frozen=True, kw_only=True)
class PartEntry(NamedEntry):
    """Between which nets a part is. A net may be of one channel, `left.bus`: so a part joins channels."""

    series: tuple[NetEnd, ...] | None = None
    across: NetEnd | None = None
    to_ground: NetEnd | None = None
    channel: Name | None = None
    leg: LegName | None = None


@dataclass(frozen=True, kw_only=True)
class ResistorEntry(PartEntry):
    """[[resistor]]."""

    value: Resistance
    tolerance: Fraction = 0.01


@dataclass(frozen=True, kw_only=True)
class CapacitorEntry(PartEntry):
    """[[capacitor]]."""

    value: Capacitance
    tolerance: Fraction = 0.10


@dataclass(frozen=True, kw_only=True)
class LinkEntry(PartEntry):
    """[[link]]: a jumper, a net tie or a part of 0 ohm."""


@dataclass(frozen=True, kw_only=True)
class InductorEntry(PartEntry):
    """[[inductor]]."""

    value: Inductance
    resistance_ohm: Annotated[Resistance, Field(alias="resistance")]
    tolerance: Fraction = 0.20


@dataclass(frozen=True, kw_only=True)
class TransformerEntry(NamedEntry):
    """[[transformer]]: each winding across a pair, or from one leg, as in `from = "in.hot"`, to ground."""

    channel: Name | None = None
    from_net: Annotated[NetEnd, Field(alias="from")]
    to_net: Annotated[NetEnd, Field(alias="to")]
    ratio: TurnsRatio
    inverting: Flag = False
    primary_ohm: Annotated[Resistance, Field(alias="primary_resistance")]
    secondary_ohm: Annotated[Resistance, Field(alias="secondary_resistance")]
    magnetising_h: Annotated[Inductance, Field(alias="magnetising_inductance")]
    leakage_h: Annotated[StrayInductance, Field(alias="leakage_inductance")] = 0.0
    tolerance: Fraction = 0.20


@dataclass(frozen=True, kw_only=True)
class AmplifierEntry(NamedEntry):
    """[[amplifier]]."""

    channel: Name | None = None
    from_net: Annotated[Name, Field(alias="from")]
    to_net: Annotated[Name, Field(alias="to")]
    gain_db: Annotated[Decibel, Field(alias="gain")]
    inverting: Flag = False
    input_ohm: Annotated[Resistance, Field(alias="input_impedance")]
    output_ohm: Annotated[Resistance, Field(alias="output_impedance")]
    common_mode_rejection_db: Annotated[Decibel | None, Field(alias="common_mode_rejection")] = None
    tolerance: Fraction = 0.0
    most_output_vrms: Annotated[Level | None, Field(alias="maximum_output")] = None
