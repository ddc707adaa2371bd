"""How the unit is wired to the bench."""

from collections.abc import Mapping
from dataclasses import dataclass

from harness.descriptions.module import Leg


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
class Hookup:
    """One arrangement of leads.

    drive: the port that the generator feeds, hot output on hot; None in a through hookup, where the generator
    goes straight to every scope pair. view: the ports on scope inputs 1-2, 3-4, …, hot first.
    select: switchboard channels that make it; None where a person moves the leads.
    """

    name: str
    through: bool
    drive: PortName | None
    view: tuple[PortName, ...]
    links: tuple[str, ...]
    select: tuple[int, ...] | None
    line: int = 0  # in fixture.toml


@dataclass(frozen=True, kw_only=True)
class Fixture:
    """Everything between the unit's pins and the bench."""

    name: str
    lines: Mapping[str, int]  # control line → switchboard channel
    loads: Mapping[str, Termination]  # net → what ends it, in every channel
    undriven_inputs: Termination | None  # what ends an input port that no generator feeds
    links: Mapping[str, Link]
    hookups: tuple[Hookup, ...]
