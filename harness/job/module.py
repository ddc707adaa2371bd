"""What a unit is: ports, lines, relays, parts. Everything here is resolved down to single legs.

A node is written `channel.net.leg` (`left.a_send.hot`); `GROUND` is pin 1, the screen and 0 V.
"""

from dataclasses import dataclass
from typing import Literal

Leg = Literal["hot", "cold"]
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
    role: Literal["input", "output", "send", "return"]


@dataclass(frozen=True, kw_only=True)
class RelayType:
    """What one kind of relay is like."""

    name: str
    coil_ohm: float
    contact_ohm: float
    contact_max_ohm: float
    operate_max_s: float
    release_max_s: float
    bounce_max_s: float
    off_capacitance_f: float


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
class ModuleSupply:
    """The relay supply that the module needs."""

    voltage_v: float
    limit_a: float
    quiescent_a: float


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
