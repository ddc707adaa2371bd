"""What each table of the four files may hold, and in which units; whether it makes sense is checked after."""

import re
from dataclasses import dataclass
from functools import partial
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from harness.quantities import Dimension, Sign, parse_quantity

NAME = re.compile(r"[a-z][a-z0-9_]*")
PART_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")
THROW = re.compile(r"[a-z][a-z0-9_]*(\.(hot|cold))?")


@dataclass(frozen=True)
class InQuantity:
    """Marks a float as a quantity: text with a unit in the file, SI here."""

    dimension: Dimension
    sign: Sign | None = None

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        parse = partial(parse_quantity, dimension=self.dimension, sign=self.sign)
        return core_schema.no_info_before_validator_function(parse, handler(source))


def _name(value: object) -> object:
    if isinstance(value, str) and not NAME.fullmatch(value):
        raise ValueError(f'found "{value}"; expected a name in lower case with underscores')
    return value


def _throw(value: object) -> object:
    if isinstance(value, str) and not THROW.fullmatch(value):
        raise ValueError(
            f'found "{value}"; expected a net in lower case with underscores, or its leg as in "bus.cold"'
        )
    return value


def _part_name(value: object) -> object:
    if isinstance(value, str) and not PART_NAME.fullmatch(value):
        raise ValueError(f'found "{value}"; expected a part\'s name such as "K1"')
    return value


def _probe(value: object) -> object:
    if (
        not isinstance(value, str)
        or not (match := re.fullmatch(r"(\d+(?:\.\d+)?)x", value))
        or not float(match[1])
    ):
        found = f'"{value}"' if isinstance(value, str) else value
        raise ValueError(f'found {found}; expected a probe\'s factor such as "1x" or "10x"')
    return float(match[1])


def _pattern(value: object) -> object:
    if isinstance(value, str):
        try:
            re.compile(value)
        except re.error as error:
            raise ValueError(f'found "{value}"; expected a regular expression ({error})') from None
    return value


def _address(value: object) -> object:
    if isinstance(value, str):
        if not value or not value.isascii() or not value.isprintable() or " " in value:
            raise ValueError(
                f'found "{value}"; expected an address such as "TCPIP::192.0.2.10::5025::SOCKET"'
            )
        if re.match(r"(TCPIP|USB|GPIB|ASRL|VXI)\d*(::|/)", value) and not re.search(
            r"::(SOCKET|INSTR|RAW)$", value
        ):
            raise ValueError(f'found "{value}"; expected an address that ends in ::SOCKET or ::INSTR')
    return value


def _listed(value: object) -> object:
    return [value] if isinstance(value, str) else value


def _across(value: object) -> object:
    return value if isinstance(value, dict) else {"across": value}


Frequency = Annotated[float, InQuantity("frequency")]
Voltage = Annotated[float, InQuantity("voltage", "positive")]
Level = Annotated[float, InQuantity("level")]
Resistance = Annotated[float, InQuantity("resistance")]
SeriesResistance = Annotated[float, InQuantity("resistance", "not negative")]
Time = Annotated[float, InQuantity("time")]
Span = Annotated[float, InQuantity("span")]
Capacitance = Annotated[float, InQuantity("capacitance")]
StrayCapacitance = Annotated[float, InQuantity("capacitance", "not negative")]
Current = Annotated[float, InQuantity("current")]
CurrentLimit = Annotated[float, InQuantity("current", "positive")]
Decibel = Annotated[float, InQuantity("ratio_db")]
Loss = Annotated[float, InQuantity("ratio_db", "not negative")]
Fraction = Annotated[float, InQuantity("fraction")]
Accuracy = Annotated[float, InQuantity("fraction", "positive")]
Name = Annotated[str, BeforeValidator(_name), Field(description="a name in lower case with underscores")]
Throw = Annotated[str, BeforeValidator(_throw), Field(description="a net, or one leg of it")]
PartName = Annotated[str, BeforeValidator(_part_name), Field(description='a part\'s name such as "K1"')]
Text = Annotated[str, Field(description="text in quotes")]
Pattern = Annotated[str, BeforeValidator(_pattern)]
Address = Annotated[
    str, BeforeValidator(_address), Field(description='an address such as "TCPIP::192.0.2.10::5025::SOCKET"')
]
LegName = Literal["hot", "cold"]


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
    states: Annotated[list[str], BeforeValidator(_listed), Field(min_length=1)] = ["all"]
    channels: Annotated[list[str], BeforeValidator(_listed), Field(min_length=1)] = ["all"]
    tone: Annotated[RawTone, Field(description='a table such as { frequency = "1 kHz", level = "+4 dBu" }')]
    settle: Time
    coverage_factor: Annotated[float, Field(gt=0, le=10, allow_inf_nan=False)] = 2.0
    decision: Literal["guarded", "simple"] = "guarded"
    serial_pattern: Pattern | None = None
    retests: Annotated[int, Field(ge=0, le=99)] | None = None
    golden_every: Span | None = None


class RawCheck(Table):
    """[[check]]; the limits are read later, by the check's quantity."""

    name: Text
    quantity: Text
    at: list[str] = []
    within: Any = None
    below: Any = None
    above: Any = None
    between: Any = None
    frequency: Frequency | None = None
    level: Level | None = None
    silent_below: Decibel | None = None
    states: Annotated[list[str] | None, BeforeValidator(_listed)] = None
    frequencies: list[Frequency] | None = None
    weighting: Literal["none", "A", "quasi-peak"] | None = None
    include: Literal["harmonics", "everything"] | None = None
    source: Literal["equal", "unequal"] | None = None
    coupling: Literal["isolation", "crosstalk"] | None = None
    operations: Annotated[int, Field(ge=1, le=100_000)] | None = None
    measure: Literal["peak", "energy", "duration"] | None = None
    band: Literal["full", "audio"] | None = None
    also: list[str] = []


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

    probe: Annotated[float, BeforeValidator(_probe)] = 1.0
    gain_accuracy: Accuracy


class RawSupply(RawInstrument):
    """[supply] of bench.toml."""

    output: Annotated[int, Field(ge=1)] = 1


class RawSwitchboard(RawInstrument):
    """[switchboard]."""

    settle: Time = 0.020
