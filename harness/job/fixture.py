"""How the unit is wired to the bench."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field

from harness.job.module import Leg, Module
from harness.toml_files.messages import shown_value
from harness.toml_files.values import (
    UNREAD,
    Flag,
    Fraction,
    LegName,
    Loss,
    Name,
    NotAKey,
    ReadAs,
    Resistance,
    SeriesResistance,
    StandIn,
    Table,
    Text,
    Whole,
)


def _across(value: object) -> object:
    return value if isinstance(value, dict) else {"across": value}


@dataclass(frozen=True, kw_only=True)
class Termination(Table):
    """What ends a port: a resistance across the pair, or one from each leg to ground; exactly one is set."""

    across_ohm: Annotated[Resistance | None, Field(alias="across")] = None
    leg_ohm: Annotated[Resistance | None, Field(alias="legs")] = None
    tolerance: Fraction = 0.01


TerminationOrText = Annotated[Termination, BeforeValidator(_across)]  # a resistance alone is `across`


@dataclass(frozen=True, kw_only=True)
class LoopbackLeg(Table):
    """One leg of a loopback plug: a series resistor, then perhaps a shunt to pin 1 at the return end."""

    series_ohm: Annotated[SeriesResistance, Field(alias="series")]
    shunt_ohm: Annotated[Resistance | None, Field(alias="shunt")] = None


@dataclass(frozen=True, kw_only=True)
class LoopbackLegs(Table):
    """Both legs of a loopback plug, in the file."""

    hot: Annotated[LoopbackLeg, Field(description='a table such as { series = "470 ohm", shunt = "1 kohm" }')]
    cold: Annotated[
        LoopbackLeg, Field(description='a table such as { series = "560 ohm", shunt = "1 kohm" }')
    ]

    @property
    def by_leg(self) -> Mapping[Leg, LoopbackLeg]:
        """Each leg by its name."""
        return {"hot": self.hot, "cold": self.cold}


LegsOfChannels = Mapping[
    str, Annotated[Mapping[Leg, LoopbackLeg], ReadAs(LoopbackLegs, lambda legs: legs.by_leg)]
]


@dataclass(frozen=True, kw_only=True)
class Loopback(Table):
    """[loopbacks.NAME]: what joins a send to its return in every channel, a loopback plug.

    Either `legs[channel][leg]` is given, or the plug is straight (`pad_db` 0) or a balanced H pad of
    `pad_db` and `pad_impedance_ohm`.
    """

    name: Annotated[str, NotAKey] = ""
    from_net: Annotated[Name, Field(alias="from")]
    to_net: Annotated[Name, Field(alias="to")]
    legs: LegsOfChannels | None = None
    pad_db: Annotated[Loss | None, Field(alias="loss")] = None
    pad_impedance_ohm: Annotated[Resistance | None, Field(alias="impedance")] = None
    tolerance: Fraction = 0.01  # of its resistors
    plug: Text | None = None


@dataclass(frozen=True, kw_only=True)
class MeasuredPlug(Table):
    """[measured.NAME]: the measured resistors of one plug."""

    legs: Annotated[LegsOfChannels, Field(description="the measured legs of every channel")]
    tolerance: Fraction = 0.001


@dataclass(frozen=True, kw_only=True)
class PortName:
    """One port of one channel."""

    channel: str
    net: str

    def __str__(self) -> str:
        return f"{self.channel}.{self.net}" if self.net else self.channel

    @classmethod
    def of(cls, text: str) -> Self:
        """Read `left.out`; whether the module has such a port is checked later."""
        channel, _, net = text.partition(".")
        return cls(channel=channel, net=net)


def _port_name(value: object) -> object:
    if value is UNREAD:
        return PortName.of("")
    if not isinstance(value, str):
        raise ValueError(f"found {shown_value(value)}; expected text in quotes")
    return PortName.of(value)


PortText = Annotated[PortName, BeforeValidator(_port_name)]


@dataclass(frozen=True, kw_only=True)
class SourceAdded(Table):
    """A resistor in series with one leg of the source, at the driven port's pin."""

    leg: LegName
    series_ohm: Annotated[SeriesResistance, Field(alias="series")]
    tolerance: Fraction = 0.01


def rows_of(port: PortName, ports: Sequence[PortName]) -> tuple[int, int]:
    """Rows of a port's hot and cold leg where the legs of these ports are shown, in this order.

    Raises ValueError for a port that is not among them.
    """
    hot = 2 * ports.index(port)
    return hot, hot + 1


@dataclass(frozen=True, kw_only=True)
class Setup(Table):
    """[[setup]]: one arrangement of leads."""

    name: Text
    through: Flag = False  # the generator goes straight to every scope pair
    drive: PortText | None = None  # what the generator feeds, hot output on hot; None in a through setup
    view: tuple[PortText, ...] = ()  # on scope inputs 1-2, 3-4, ..., hot first
    loopbacks: tuple[Text, ...] = ()
    select: tuple[Whole, ...] | None = None  # switchboard channels; None if a person moves the leads
    inputs_swapped: Flag = False  # cold first on every scope pair; else as another setup, its partner
    source_added: SourceAdded | None = None
    # Control lines that spare scope inputs see; an input of several sees their mean, by equal resistors.
    controls_viewed: Mapping[str, Whole] = field(default_factory=dict, hash=False)
    line: Annotated[int, NotAKey] = 0  # in fixture.toml

    def rows(self, port: PortName) -> tuple[int, int]:
        """Rows of a port's hot and cold leg in what the scope sees; ValueError for a port not viewed."""
        return rows_of(port, self.view)

    def is_alike(self, other: "Setup") -> bool:
        """Whether both drive the same circuit, and differ at most in what they view."""
        return (
            self.drive == other.drive
            and set(self.loopbacks) == set(other.loopbacks)
            and self.source_added == other.source_added
            and self.inputs_swapped == other.inputs_swapped
        )

    def is_swap_of(self, other: "Setup") -> bool:
        """Whether both differ in nothing but which way round the scope's pairs are."""
        return (
            self.inputs_swapped != other.inputs_swapped
            and self.through == other.through
            and self.drive == other.drive
            and self.view == other.view
            and set(self.loopbacks) == set(other.loopbacks)
            and self.source_added == other.source_added
        )


PinName = Annotated[
    str, Field(min_length=1, max_length=12, description='a pin in quotes such as "2"'), StandIn("")
]


@dataclass(frozen=True, kw_only=True)
class ConnectorPins(Table):
    """The pins of one port."""

    hot: PinName
    cold: PinName
    ground: PinName


@dataclass(frozen=True, kw_only=True)
class Connector(Table):
    """[connectors.NAME]: a connector of the fixture, its ports in the order of the standard's channels."""

    name: Annotated[str, NotAKey] = ""
    kind: Annotated[Literal["aes59", "xlr", "pins"], StandIn("")]
    ports: tuple[PortText, ...] = ()
    pins: Mapping[str, ConnectorPins] = field(default_factory=dict)  # by port; of kind `pins` alone


@dataclass(frozen=True, kw_only=True)
class Fixture:
    """Everything between the unit's pins and the bench."""

    name: str
    controls: Mapping[str, int]  # control line → switchboard channel
    loads: Mapping[str, Termination]  # net → what ends it, in every channel
    undriven_inputs: Termination | None  # what ends an input port that no generator feeds
    loopbacks: Mapping[str, Loopback]
    setups: tuple[Setup, ...]
    connectors: tuple[Connector, ...] = ()  # as in fixture.toml; for the wiring's drawings alone


def channels_of(loopback: Loopback, module: Module) -> tuple[str, ...]:
    """The channels that have both ends of a loopback, and legs for it if it is coded."""
    return tuple(
        channel
        for channel in module.channels
        if module.has_port(channel, loopback.from_net)
        and module.has_port(channel, loopback.to_net)
        and (loopback.legs is None or channel in loopback.legs)
    )
