"""module.toml, table by table: an entry of it may stand for a part in every channel, or on both legs.

And the names that it defines, which the other files are held against.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated

from pydantic import BeforeValidator, Field

from harness.job.module import GROUND, ModuleSupply, RelayType, Role
from harness.job.state import REST, UNPOWERED
from harness.toml_files.messages import shown_value
from harness.toml_files.source import Source
from harness.toml_files.values import (
    NAME,
    Capacitance,
    Decibel,
    Flag,
    Fraction,
    LegName,
    Name,
    PartName,
    Resistance,
    StandIn,
    Table,
    Text,
    Throw,
)


def _title(value: object) -> object:
    if not isinstance(value, str):
        raise ValueError(f"found {shown_value(value)}; expected what the line does, in quotes")
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


@dataclass(frozen=True, kw_only=True)
class ContactEntry(Table):
    """One of a relay's contacts; beside a `leg`, a throw may be the other leg: `operated = "bus.cold"`."""

    common: Name
    rest: Throw | None = None
    operated: Throw | None = None
    channel: Name | None = None
    leg: LegName | None = None


@dataclass(frozen=True, kw_only=True)
class NamedEntry(Table):
    """One part for every channel, or with `names` a part for each."""

    name: PartName | None = None
    names: Mapping[str, PartName] | None = None


@dataclass(frozen=True, kw_only=True)
class RelayEntry(NamedEntry):
    """[[relay]]."""

    line: Name | None = None
    set_line: Name | None = None
    reset_line: Name | None = None
    type: Name
    contacts: Annotated[
        tuple[ContactEntry, ...], Field(min_length=1, description="a list of contacts"), StandIn(())
    ]


@dataclass(frozen=True, kw_only=True)
class PartEntry(NamedEntry):
    """What [[resistor]] and [[capacitor]] have in common."""

    series: tuple[Name, ...] | None = None
    across: Name | None = None
    to_ground: Name | None = None
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


@dataclass(frozen=True, kw_only=True)
class ModuleFile(Table):
    """module.toml."""

    module: ModuleHead
    supply: ModuleSupply
    lines: Mapping[str, Annotated[str, BeforeValidator(_title), StandIn("")]]
    ports: Mapping[str, Annotated[Role, StandIn("")]]
    relay_types: Mapping[str, RelayType] = field(default_factory=dict)
    relay: tuple[RelayEntry, ...] = ()
    resistor: tuple[ResistorEntry, ...] = ()
    capacitor: tuple[CapacitorEntry, ...] = ()
    amplifier: tuple[AmplifierEntry, ...] = ()


def read_tables(source: Source) -> ModuleFile:
    """Read module.toml's tables; notes the mistakes in each of them alone."""
    file = source.read(ModuleFile)
    for channel, times in Counter(file.module.channels).items():
        if times > 1:
            source.wrong(
                ("module", "channels"), f"channel {channel} stands here {times} times; expected once"
            )
    for name in file.lines:
        if not NAME.fullmatch(name) or name in (REST, UNPOWERED, "all"):
            source.wrong(
                ("lines", name),
                "expected a name in lower case with underscores, and none of rest, unpowered, all",
            )
    if not file.lines:
        source.wrong(("lines",), 'found none; expected lines such as loop_a = "what it does"')
    for net in file.ports:
        if not NAME.fullmatch(net) or net == GROUND:
            source.wrong(("ports", net), "expected a name in lower case with underscores, other than ground")
    for needed in ("input", "output"):
        if needed not in file.ports.values() and source.reads("ports"):
            source.wrong(("ports",), f'expected at least one port that is an "{needed}"', missing=True)
    if not file.relay:
        source.wrong(("relay",), "missing; expected at least one [[relay]]", missing=True)
    return file


@dataclass(frozen=True, kw_only=True)
class Names:
    """What module.toml names, even where something else is wrong with it: a mistake in one file hides none in
    the next. A list that did not read in full is empty: nothing can be said about what it does not have.
    """

    channels: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    ports: Mapping[str, str] = field(default_factory=dict)  # net → role, "" where it did not read

    @property
    def known(self) -> bool:
        """Whether ports can be told from what is none."""
        return bool(self.channels and self.ports)

    def with_role(self, *roles: str) -> tuple[str, ...]:
        """Give the ports of these roles."""
        return tuple(net for net, role in self.ports.items() if role in roles)

    def port_names(self, *roles: str) -> tuple[str, ...]:
        """Give every port as `channel.net`, of these roles or of all."""
        nets = self.with_role(*roles) if roles else tuple(self.ports)
        return tuple(f"{channel}.{net}" for channel in self.channels for net in nets)


def names_of(source: Source, file: ModuleFile) -> Names:
    """Take the names out of module.toml."""
    return Names(
        channels=file.module.channels if source.reads("module", "channels") else (),
        lines=tuple(file.lines),
        ports=file.ports,
    )
