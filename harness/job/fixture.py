"""How the unit is wired to the bench."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from harness.job.module import Leg


@dataclass(frozen=True, kw_only=True)
class Termination:
    """What ends a port: a resistance across the pair, or one from each leg to ground; exactly one is set."""

    across_ohm: float | None
    leg_ohm: float | None
    tolerance: float  # a fraction


@dataclass(frozen=True, kw_only=True)
class LinkLeg:
    """One leg of a loop plug: a series resistor, then perhaps a shunt to pin 1 at the return end."""

    series_ohm: float
    shunt_ohm: float | None


@dataclass(frozen=True, kw_only=True)
class Link:
    """What joins a send to its return in every channel: a loop plug.

    Either `legs[channel][leg]` is given, or the plug is straight (`pad_db` 0) or a balanced H pad of
    `pad_db` and `pad_impedance_ohm`.
    """

    name: str
    from_net: str
    to_net: str
    legs: Mapping[str, Mapping[Leg, LinkLeg]] | None
    pad_db: float | None
    pad_impedance_ohm: float | None
    tolerance: float  # of its resistors, a fraction
    plug: str | None


@dataclass(frozen=True, kw_only=True)
class PortName:
    """One port of one channel."""

    channel: str
    net: str

    def __str__(self) -> str:
        return f"{self.channel}.{self.net}"


@dataclass(frozen=True, kw_only=True)
class SourceAdded:
    """A resistor in series with one leg of the source, at the driven port's pin."""

    leg: Leg
    series_ohm: float
    tolerance: float  # a fraction


@dataclass(frozen=True, kw_only=True)
class Hookup:
    """One arrangement of leads.

    drive: the port that the generator feeds, hot output on hot; None in a through hookup, where the generator
    goes straight to every scope pair. view: the ports on scope inputs 1-2, 3-4, …, hot first.
    select: switchboard channels that make it; None where a person moves the leads.
    exchanged: the two scope inputs of every pair are the other way round, cold first: the partner of a hookup
    that is like it in all else.
    lines_on: control lines that spare scope inputs see, by name; an input of several lines sees their mean,
    through as many equal resistors.
    """

    name: str
    through: bool
    drive: PortName | None
    view: tuple[PortName, ...]
    links: tuple[str, ...]
    select: tuple[int, ...] | None
    line: int = 0  # in fixture.toml
    exchanged: bool = False
    source_added: SourceAdded | None = None
    lines_on: Mapping[str, int] = field(default_factory=dict, hash=False)

    def rows(self, port: PortName) -> tuple[int, int]:
        """Rows of a port's hot and cold leg in what the scope sees; ValueError for a port not viewed."""
        hot = 2 * self.view.index(port)
        return hot, hot + 1

    def is_exchange_of(self, other: "Hookup") -> bool:
        """Whether both differ in nothing but which way round the scope's pairs are."""
        return (
            self.exchanged != other.exchanged
            and not self.through
            and not other.through
            and self.drive == other.drive
            and self.view == other.view
            and set(self.links) == set(other.links)
            and self.source_added == other.source_added
        )


@dataclass(frozen=True, kw_only=True)
class Connector:
    """A connector of the fixture: its ports in the order of the standard's channels.

    pins: (hot, cold, ground) of each port where kind is `pins`, else empty.
    """

    name: str
    kind: Literal["aes59", "xlr", "pins"]
    ports: tuple[PortName, ...]
    pins: tuple[tuple[str, str, str], ...] = ()


@dataclass(frozen=True, kw_only=True)
class Fixture:
    """Everything between the unit's pins and the bench."""

    name: str
    lines: Mapping[str, int]  # control line → switchboard channel
    loads: Mapping[str, Termination]  # net → what ends it, in every channel
    undriven_inputs: Termination | None  # what ends an input port that no generator feeds
    links: Mapping[str, Link]
    hookups: tuple[Hookup, ...]
    connectors: tuple[Connector, ...] = ()  # as fixture.toml gives them; only the wiring's drawings ask
