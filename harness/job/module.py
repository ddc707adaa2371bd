"""What a unit is: ports, lines, relays, parts, resolved down to single legs; and module.toml table by table,
where one entry may stand for a part in every channel, or on both legs.

A node is written `channel.net.leg` (`left.a_send.hot`); `GROUND` is pin 1, the screen and 0 V.
"""

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo

from harness.job.part_entries import (
    AmplifierEntry,
    CapacitorEntry,
    InductorEntry,
    LinkEntry,
    NamedEntry,
    ResistorEntry,
    SwitchType,
    TransformerEntry,
)
from harness.job.state import IDLE, UNPOWERED
from harness.toml_files.messages import shown_value, unknown
from harness.toml_files.source import Source
from harness.toml_files.values import (
    NAME,
    Current,
    CurrentLimit,
    Flag,
    LegName,
    Name,
    NetEnd,
    NotAKey,
    Resistance,
    StandIn,
    StrayCapacitance,
    Table,
    Text,
    Time,
    Voltage,
)

Leg = Literal["hot", "cold"]
Role = Literal["input", "output", "send", "return"]
ThrowName = Literal["released", "operated"]
LEGS: tuple[Leg, Leg] = ("hot", "cold")
MOST_CHANNELS = 8
GROUND = "ground"


def node_name(channel: str, net: str, leg: Leg) -> str:
    """Name the node of one leg of a net; the net `ground` is the same node for every leg."""
    return GROUND if net == GROUND else f"{channel}.{net}.{leg}"


@dataclass(frozen=True, kw_only=True)
class Port:
    """A port; it exists once in each of its channels. unbalanced: its cold is the ground."""

    net: str
    role: Role
    unbalanced: bool = False
    channels: tuple[str, ...] | None = None  # that have it; None: all

    def is_in(self, channel: str) -> bool:
        """Whether a channel has it."""
        return self.channels is None or channel in self.channels

    @property
    def legs(self) -> tuple[Leg, ...]:
        """Those that carry a signal."""
        return ("hot",) if self.unbalanced else LEGS


def _contact_max(read: dict[str, Any]) -> float:
    return 2 * float(read["contact_ohm"])


def _no_less_than_contact(contact_max_ohm: float, info: ValidationInfo) -> float:
    if contact_max_ohm < info.data.get("contact_ohm", 0.0):
        raise ValueError("less than contact; expected what a good contact may reach")
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
    is_electronic: Annotated[bool, NotAKey] = False  # it has no coil, and nothing in it bounces
    threshold_v: Annotated[float, NotAKey] = 0.0  # of an electronic switch: on from here up


@dataclass(frozen=True, kw_only=True)
class Pole:
    """One leg of one contact set: a common that rests on one throw and is operated to the other.

    `released` or `operated` is None if that throw is not fitted or not wired.
    """

    relay: str
    contact: int  # 1, 2, … in the order of the relay's contacts in module.toml
    channel: str
    leg: Leg
    common: str
    released: str | None
    operated: str | None

    @property
    def name(self) -> str:
        """The short stable name that faults and records use: `K1.1.hot`."""
        return f"{self.relay}.{self.contact}.{self.leg}"

    @property
    def throws(self) -> Mapping[ThrowName, str]:
        """The node on each throw that is fitted and wired."""
        throws: dict[ThrowName, str | None] = {"released": self.released, "operated": self.operated}
        return {throw: node for throw, node in throws.items() if node is not None}


@dataclass(frozen=True, kw_only=True)
class Relay:
    """A relay or an electronic switch: on `control`, or latching on `set_control` and `reset_control`.

    single_coil: of a latching relay, whether both lines drive one coil, each in its own polarity.
    """

    name: str
    type: RelayType
    control: str | None
    set_control: str | None
    reset_control: str | None
    poles: tuple[Pole, ...]
    single_coil: bool = False

    @property
    def operating_control(self) -> str:
        """The control line that moves it to its operated side: its only one, or a latching relay's set
        control.
        """
        return self.control or self.set_control or ""

    @property
    def latches(self) -> bool:
        """Whether it keeps its side when no control line is on."""
        return self.control is None

    @property
    def coils(self) -> tuple[str, ...]:
        """The control line of its coil; those of a latching relay that set it and that reset it."""
        return tuple(filter(None, (self.control, self.set_control, self.reset_control)))


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
class Inductor(Part):
    """An inductor of `value` henries, with the resistance of its winding."""

    resistance_ohm: float


Winding = Literal["primary", "secondary"]
WINDINGS: tuple[Winding, Winding] = ("primary", "secondary")


@dataclass(frozen=True, kw_only=True)
class Transformer:
    """Two windings on one core, each between two nodes, the dotted end first.

    ratio: the secondary's turns over the primary's; negative where it inverts. leakage_h is that of both
    windings, seen from the primary. tolerance: of its resistances and inductances, a fraction; turns are
    counted.
    """

    name: str
    primary: tuple[str, str]
    secondary: tuple[str, str]
    ratio: float
    primary_ohm: float
    secondary_ohm: float
    magnetising_h: float
    leakage_h: float
    tolerance: float

    def ends(self, winding: Winding) -> tuple[str, str]:
        """The nodes that a winding is between."""
        return self.primary if winding == "primary" else self.secondary


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
    tolerance: float = 0.0  # of the gain, a fraction
    most_output_vrms: float | None = None  # between the legs, without a load, of a sine


@dataclass(frozen=True, kw_only=True)
class ModuleSupply(Table):
    """[supply]: the relay supply that the module needs."""

    voltage_v: Annotated[Voltage, Field(alias="voltage")]
    limit_a: Annotated[CurrentLimit, Field(alias="limit")]
    quiescent_a: Annotated[Current, Field(alias="quiescent")] = 0.0  # drawn with no control line on


@dataclass(frozen=True, kw_only=True)
class Module:
    """A relay-switched module, as module.toml describes it."""

    name: str
    part: str
    revision: str
    channels: tuple[str, ...]
    supply: ModuleSupply
    control_names: tuple[str, ...]  # in the order of the file
    ports: tuple[Port, ...]
    relays: tuple[Relay, ...]  # and electronic switches
    resistors: tuple[Part, ...]
    capacitors: tuple[Part, ...]
    amplifiers: tuple[Amplifier, ...]
    links: tuple[Part, ...] = ()  # of 0 ohm
    inductors: tuple[Inductor, ...] = ()
    transformers: tuple[Transformer, ...] = ()
    suspects: tuple[str, ...] = ()  # names of faults beside the single ones

    def has_port(self, channel: str, net: str) -> bool:
        """Whether a net is a port in a channel."""
        return any(port.net == net and port.is_in(channel) for port in self.ports)

    @property
    def may_invert(self) -> bool:
        """Whether a signal may be inverted without its legs being swapped."""
        return bool(self.amplifiers or self.transformers)

    @property
    def two_ended(self) -> tuple[Part, ...]:
        """Every part that is between two nodes."""
        return (*self.resistors, *self.capacitors, *self.links, *self.inductors)

    @property
    def title(self) -> str:
        """`Two-loop line switcher (LMX-TLS B)`: its name, with part number and revision if they are given."""
        about = " ".join(filter(None, (self.part if self.part != self.name else "", self.revision)))
        return f"{self.name} ({about})" if about else self.name

    @cached_property
    def set_controls(self) -> tuple[str, ...]:
        """Control lines that set latching relays."""
        return self._named({relay.set_control for relay in self.relays})

    @cached_property
    def reset_controls(self) -> tuple[str, ...]:
        """Control lines that reset latching relays."""
        return self._named({relay.reset_control for relay in self.relays})

    @cached_property
    def state_controls(self) -> tuple[str, ...]:
        """Control lines that a state may name, in the order that it names them: all but those that reset."""
        resets = self.reset_controls
        return tuple(control for control in self.control_names if control not in resets)

    def _named(self, some: Collection[str | None]) -> tuple[str, ...]:
        return tuple(control for control in self.control_names if control in some)


def _title(value: object) -> object:
    if not isinstance(value, str):
        raise ValueError(f"found {shown_value(value)}; expected what the control line does, in quotes")
    return value


@dataclass(frozen=True, kw_only=True)
class ModuleHead(Table):
    """[module]."""

    name: Text
    part: Text = ""
    revision: Text = ""
    channels: Annotated[
        tuple[Name, ...],
        Field(min_length=1, description='a list such as ["left", "right"]'),
        StandIn(()),
    ]
    suspects: Annotated[tuple[Text, ...], StandIn(())] = ()


def _role_alone(value: object) -> object:
    return {"role": value} if isinstance(value, str) else value


@dataclass(frozen=True, kw_only=True)
class PortEntry(Table):
    """A key of [ports] as a table; its role alone stands for a balanced port."""

    role: Annotated[Role, StandIn("")]
    unbalanced: Flag = False
    channels: tuple[Name, ...] | None = None


@dataclass(frozen=True, kw_only=True)
class ContactEntry(Table):
    """One of a relay's contacts; beside a `leg`, a throw may be the other leg: `operated = "bus.cold"`.

    A net may be that of one channel: `left.bus`.
    """

    common: NetEnd
    released: NetEnd | None = None
    operated: NetEnd | None = None
    channel: Name | None = None
    leg: LegName | None = None


@dataclass(frozen=True, kw_only=True)
class RelayEntry(NamedEntry):
    """[[relay]]."""

    control: Name | None = None
    set_control: Name | None = None
    reset_control: Name | None = None
    single_coil: Flag = False
    type: Name
    contacts: Annotated[
        tuple[ContactEntry, ...], Field(min_length=1, description="a list of contacts"), StandIn(())
    ]


@dataclass(frozen=True, kw_only=True)
class SwitchEntry(NamedEntry):
    """[[switch]]: its contacts are written as a relay's."""

    control: Name
    type: Name
    contacts: Annotated[
        tuple[ContactEntry, ...], Field(min_length=1, description="a list of contacts"), StandIn(())
    ]


@dataclass(frozen=True, kw_only=True)
class ModuleFile(Table):
    """module.toml."""

    module: ModuleHead
    supply: ModuleSupply
    controls: Mapping[str, Annotated[str, BeforeValidator(_title), StandIn("")]]
    ports: Mapping[str, Annotated[PortEntry, BeforeValidator(_role_alone)]]
    relay_types: Mapping[str, RelayType] = field(default_factory=dict)
    relay: tuple[RelayEntry, ...] = ()
    resistor: tuple[ResistorEntry, ...] = ()
    capacitor: tuple[CapacitorEntry, ...] = ()
    amplifier: tuple[AmplifierEntry, ...] = ()
    switch_types: Mapping[str, SwitchType] = field(default_factory=dict)
    switch: tuple[SwitchEntry, ...] = ()
    link: tuple[LinkEntry, ...] = ()
    inductor: tuple[InductorEntry, ...] = ()
    transformer: tuple[TransformerEntry, ...] = ()


def _check_channels_of(source: Source, net: str, file: ModuleFile) -> None:
    """Note channels of a port that the module does not have."""
    channels, key = file.ports[net].channels, ("ports", net, "channels")
    if channels == ():
        source.wrong(key, 'found none; expected channels such as ["left"]')
    for index, channel in enumerate(channels or ()):
        if file.module.channels and channel and channel not in file.module.channels:
            source.wrong((*key, index), unknown("channel", channel, file.module.channels, where="module"))


def read_tables(source: Source) -> ModuleFile:
    """Read module.toml's tables; notes the mistakes in each of them alone."""
    file = source.read(ModuleFile)
    if len(file.module.channels) > MOST_CHANNELS:
        found = len(file.module.channels)
        source.wrong(("module", "channels"), f"found {found} channels; expected at most {MOST_CHANNELS}")
    for channel, times in Counter(file.module.channels).items():
        if times > 1:
            source.wrong(("module", "channels"), f"channel {channel} is listed {times} times; expected once")
    for name in file.controls:
        if not NAME.fullmatch(name) or name in (IDLE, UNPOWERED, "all"):
            source.wrong(
                ("controls", name),
                "expected a name in lower case with underscores, and none of idle, unpowered, all",
            )
    if not file.controls:
        source.wrong(("controls",), 'found none; expected control lines such as loop_a = "what it does"')
    for net in file.ports:
        if not NAME.fullmatch(net) or net == GROUND:
            source.wrong(("ports", net), "expected a name in lower case with underscores, other than ground")
        _check_channels_of(source, net, file)
    for needed in ("input", "output"):
        if all(port.role != needed for port in file.ports.values()) and source.reads("ports"):
            source.wrong(("ports",), f'expected at least one port that is an "{needed}"', missing=True)
    if not file.relay and not file.switch:
        source.wrong(("relay",), "missing; expected at least one [[relay]]", missing=True)
    return file


@dataclass(frozen=True, kw_only=True)
class Names:
    """What module.toml names, even if something else is wrong with it: a mistake in one file hides none in
    the next. A list that did not read in full is empty: no name can be called unknown then.
    """

    channels: tuple[str, ...] = ()
    controls: tuple[str, ...] = ()
    sets: tuple[str, ...] = ()  # of these, those that set latching relays, and those that reset them
    resets: tuple[str, ...] = ()
    ports: Mapping[str, str] = field(default_factory=dict)  # net → role, "" if it did not read
    unbalanced: frozenset[str] = frozenset()  # ports whose cold is the ground
    only_in: Mapping[str, tuple[str, ...]] = field(
        default_factory=dict
    )  # channels of ports that not all have

    @property
    def state_controls(self) -> tuple[str, ...]:
        """Control lines that a state may name."""
        return tuple(control for control in self.controls if control not in self.resets)

    @property
    def known(self) -> bool:
        """Whether every port is known, so that another name can be called unknown."""
        return bool(self.channels and self.ports)

    def with_role(self, *roles: str) -> tuple[str, ...]:
        """The ports of these roles."""
        return tuple(net for net, role in self.ports.items() if role in roles)

    def port_names(self, *roles: str) -> tuple[str, ...]:
        """Every port as `channel.net`, of these roles or of all."""
        nets = self.with_role(*roles) if roles else tuple(self.ports)
        return tuple(
            f"{channel}.{net}" for channel in self.channels for net in nets if self.has_port(channel, net)
        )

    def has_port(self, channel: str, net: str) -> bool:
        """Whether a channel has a port."""
        return channel in self.only_in.get(net, self.channels)

    def has_net(self, channel: str, net: str) -> bool:
        """Whether a channel may have a net: it has not if the net is a port of other channels."""
        return net not in self.only_in or channel in self.only_in[net]
