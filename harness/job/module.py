"""What a unit is: ports, lines, relays, parts. Everything here is resolved down to single legs.

A node is written `channel.net.leg` (`left.a_send.hot`); `GROUND` is pin 1, the screen and 0 V.
"""

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, ValidationInfo

from harness.toml_files.values import (
    Current,
    CurrentLimit,
    NotAKey,
    Resistance,
    StrayCapacitance,
    Table,
    Time,
    Voltage,
)

Leg = Literal["hot", "cold"]
Role = Literal["input", "output", "send", "return"]
LEGS: tuple[Leg, Leg] = ("hot", "cold")
GROUND = "ground"


def node_name(channel: str, net: str, leg: Leg) -> str:
    """Name the node of one leg of a net; the net `ground` is the same node for every leg."""
    return GROUND if net == GROUND else f"{channel}.{net}.{leg}"


@dataclass(frozen=True, kw_only=True)
class Line:
    """A control line, in the module's order."""

    name: str
    title: str


@dataclass(frozen=True, kw_only=True)
class Port:
    """A balanced port; it exists once in every channel."""

    net: str
    role: Role


def _contact_max(read: dict[str, Any]) -> float:
    return 2 * float(read["contact_ohm"])


def _no_less_than_contact(contact_max_ohm: float, info: ValidationInfo) -> float:
    if contact_max_ohm < info.data.get("contact_ohm", 0.0):
        raise ValueError("less than contact; expected what a healthy contact may reach")
    return contact_max_ohm


@dataclass(frozen=True, kw_only=True)
class RelayType(Table):
    """[relay_types.NAME]: what one kind of relay is like."""

    name: Annotated[str, NotAKey] = ""
    coil_ohm: Annotated[Resistance, Field(alias="coil")]
    contact_ohm: Annotated[Resistance, Field(alias="contact")]
    contact_max_ohm: Annotated[
        Resistance,
        AfterValidator(_no_less_than_contact),
        Field(alias="contact_max", default_factory=_contact_max),
    ]
    operate_max_s: Annotated[Time, Field(alias="operate_max")] = 0.005
    release_max_s: Annotated[Time, Field(alias="release_max")] = 0.005
    bounce_max_s: Annotated[Time, Field(alias="bounce_max")] = 0.005
    off_capacitance_f: Annotated[StrayCapacitance, Field(alias="off_capacitance")] = 1e-12


@dataclass(frozen=True, kw_only=True)
class Pole:
    """One leg of one contact set: a common that rests on one throw and is operated to the other.

    `rest` or `operated` is None where that throw is not fitted or not wired.
    """

    relay: str
    contact: int  # 1, 2, … in the order of the relay's contacts in module.toml
    channel: str
    leg: Leg
    common: str
    rest: str | None
    operated: str | None

    @property
    def name(self) -> str:
        """The short stable name that faults and records use: `K1.1.hot`."""
        return f"{self.relay}.{self.contact}.{self.leg}"


@dataclass(frozen=True, kw_only=True)
class Relay:
    """A relay: on `line`, or latching between `set_line` and `reset_line`."""

    name: str
    type: RelayType
    line: str | None
    set_line: str | None
    reset_line: str | None
    poles: tuple[Pole, ...]

    @property
    def operating_line(self) -> str:
        """The line that moves it to its operated side: its only one, or a latching relay's set line."""
        return self.line or self.set_line or ""


@dataclass(frozen=True, kw_only=True)
class Part:
    """A resistor (value in ohms) or capacitor (farads) between two nodes.

    `name` is unique: a part that exists once per leg is `R1.hot` and `R1.cold`; one across a pair is `R1`.
    """

    name: str
    a: str
    b: str
    value: float
    tolerance: float  # a fraction: 0.01 is 1 %


@dataclass(frozen=True, kw_only=True)
class Amplifier:
    """A balanced line receiver and driver in one: gain is the ratio of differential volts, either sign."""

    name: str
    channel: str
    from_net: str
    to_net: str
    gain: float
    input_ohm: float  # between the legs
    output_ohm: float  # between the legs, half in each
    common_mode_rejection_db: float | None


@dataclass(frozen=True, kw_only=True)
class ModuleSupply(Table):
    """[supply]: the relay supply that the module needs."""

    voltage_v: Annotated[Voltage, Field(alias="voltage")]
    limit_a: Annotated[CurrentLimit, Field(alias="limit")]
    quiescent_a: Annotated[Current, Field(alias="quiescent")] = 0.0  # drawn with no line on


@dataclass(frozen=True, kw_only=True)
class Module:
    """A relay-switched module, as module.toml describes it."""

    name: str
    part: str
    revision: str
    channels: tuple[str, ...]
    supply: ModuleSupply
    lines: tuple[Line, ...]
    ports: tuple[Port, ...]
    relays: tuple[Relay, ...]
    resistors: tuple[Part, ...]
    capacitors: tuple[Part, ...]
    amplifiers: tuple[Amplifier, ...]

    @property
    def line_names(self) -> tuple[str, ...]:
        """The lines' names, in the order that states are written."""
        return tuple(line.name for line in self.lines)
