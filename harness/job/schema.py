"""What each table of the four files may hold, and in which units; whether it makes sense is checked after."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from harness.job.values import (
    Accuracy,
    Address,
    Capacitance,
    Current,
    CurrentLimit,
    Decibel,
    Fraction,
    Frequency,
    LegName,
    Level,
    Loss,
    Name,
    PartName,
    Pattern,
    Probe,
    Resistance,
    SeriesResistance,
    Span,
    StrayCapacitance,
    Text,
    Throw,
    Time,
    Voltage,
    one_or_more,
)


class Table(BaseModel):
    """A table of a job's file: what it does not know, it refuses."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class RawModule(Table):
    """[module]."""

    name: Text
    part: Text = ""
    revision: Text = ""
    channels: Annotated[list[Name], Field(min_length=1, description='a list such as ["left", "right"]')]


class RawModuleSupply(Table):
    """[supply] of module.toml."""

    voltage: Voltage
    limit: CurrentLimit
    quiescent: Current = 0.0


class RawRelayType(Table):
    """[relay_types.NAME]."""

    coil: Resistance
    contact: Resistance
    contact_max: Resistance | None = None
    operate_max: Time = 0.005
    release_max: Time = 0.005
    bounce_max: Time = 0.005
    off_capacitance: StrayCapacitance = 1e-12


class RawContact(Table):
    """One of a relay's contacts; beside a `leg`, a throw may be the other leg: `operated = "bus.cold"`."""

    common: Name
    rest: Throw | None = None
    operated: Throw | None = None
    channel: Name | None = None
    leg: LegName | None = None


class RawRelay(Table):
    """[[relay]]."""

    name: PartName | None = None
    names: dict[str, PartName] | None = None
    line: Name | None = None
    set_line: Name | None = None
    reset_line: Name | None = None
    type: Name
    contacts: Annotated[list[RawContact], Field(min_length=1, description="a list of contacts")]


class RawPart(Table):
    """[[resistor]] or [[capacitor]]; `value` is read later, by the part's kind."""

    name: PartName | None = None
    names: dict[str, PartName] | None = None
    series: list[Name] | None = None
    across: Name | None = None
    to_ground: Name | None = None
    value: Any = Field(description='a value with its unit such as "1 kohm"')
    tolerance: Fraction | None = None
    channel: Name | None = None
    leg: LegName | None = None


class RawResistor(RawPart):
    """[[resistor]]."""

    value: Resistance


class RawCapacitor(RawPart):
    """[[capacitor]]."""

    value: Capacitance


class RawAmplifier(Table):
    """[[amplifier]]."""

    name: PartName | None = None
    names: dict[str, PartName] | None = None
    channel: Name | None = None
    from_: Name = Field(alias="from")
    to: Name
    gain: Decibel
    inverting: bool = False
    input_impedance: Resistance
    output_impedance: Resistance
    common_mode_rejection: Decibel | None = None


def _across(value: object) -> object:
    return value if isinstance(value, dict) else {"across": value}


class RawTermination(Table):
    """What ends a port: text alone is `across`."""

    across: Resistance | None = None
    legs: Resistance | None = None
    tolerance: Fraction = 0.01


TerminationOrText = Annotated[RawTermination, BeforeValidator(_across)]


class RawFixture(Table):
    """[fixture]."""

    name: Text
    undriven_inputs: TerminationOrText | None = None


class RawLinkLeg(Table):
    """One leg of a loop plug."""

    series: SeriesResistance
    shunt: Resistance | None = None


class RawLinkLegs(Table):
    """Both legs of a loop plug."""

    hot: Annotated[RawLinkLeg, Field(description='a table such as { series = "470 ohm", shunt = "1 kohm" }')]
    cold: Annotated[RawLinkLeg, Field(description='a table such as { series = "560 ohm", shunt = "1 kohm" }')]


class RawLink(Table):
    """[links.NAME]."""

    from_: Name = Field(alias="from")
    to: Name
    legs: dict[str, RawLinkLegs] | None = None
    loss: Loss | None = None
    impedance: Resistance | None = None
    tolerance: Fraction = 0.01
    plug: Text | None = None


class RawPlug(Table):
    """[plugs.NAME]: the measured resistors of one plug."""

    legs: Annotated[dict[str, RawLinkLegs], Field(description="the measured legs of every channel")]
    tolerance: Fraction = 0.001


class RawSourceAdded(Table):
    """A resistor in series with one leg of the source."""

    leg: LegName
    series: Resistance
    tolerance: Fraction = 0.01


class RawHookup(Table):
    """[[hookup]]."""

    name: Text
    through: bool = False
    drive: Text | None = None
    view: list[str] = []
    links: list[str] = []
    select: list[int] | None = None
    exchanged: bool = False
    source_added: RawSourceAdded | None = None
    lines_on: dict[str, int] = {}


class RawTone(Table):
    """The sequence's tone."""

    frequency: Frequency
    level: Level


class RawSequence(Table):
    """[sequence]."""

    name: Text
    states: Annotated[list[str], one_or_more, Field(min_length=1)] = ["all"]
    channels: Annotated[list[str], one_or_more, Field(min_length=1)] = ["all"]
    tone: Annotated[RawTone, Field(description='a table such as { frequency = "1 kHz", level = "+4 dBu" }')]
    settle: Time
    coverage_factor: Annotated[float, Field(gt=0, le=10, allow_inf_nan=False)] = 2.0
    decision: Literal["guarded", "simple"] = "guarded"
    serial_pattern: Pattern | None = None
    retests: Annotated[int, Field(ge=0, le=99)] | None = None
    golden_every: Span | None = None


class RawCheck(Table):
    """[[check]], but for the options of its quantity; the limits are read later, by the quantity."""

    name: Text
    quantity: Text
    at: list[str] = []
    within: Any = None
    below: Any = None
    above: Any = None
    between: Any = None
    frequency: Frequency | None = None
    level: Level | None = None
    states: Annotated[list[str] | None, one_or_more] = None


class RawBench(Table):
    """[bench]."""

    name: Text
    visa: Text = "@py"


class RawInstrument(Table):
    """What bench.toml says of any instrument."""

    address: Address
    profile: Annotated[str, Field(min_length=1, description='a profile\'s name such as "scpi-generator"')]
    identity: Pattern | None = None


class RawGenerator(RawInstrument):
    """[generator]."""

    hot: Annotated[int, Field(ge=1)] = 1
    cold: Annotated[int, Field(ge=1)] = 2


class RawOscilloscope(RawInstrument):
    """[oscilloscope]."""

    probe: Probe = 1.0
    gain_accuracy: Accuracy


class RawSupply(RawInstrument):
    """[supply] of bench.toml."""

    output: Annotated[int, Field(ge=1)] = 1


class RawSwitchboard(RawInstrument):
    """[switchboard]."""

    settle: Time = 0.020
