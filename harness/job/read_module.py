"""From module.toml to a Module: every relay and part resolved to single legs and held against the rest."""

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Literal, get_args

from harness.job.check_nets import check_lines_used, check_nets, check_ports
from harness.job.located import Key
from harness.job.mistakes import Source, shown_value
from harness.job.module import (
    GROUND,
    Line,
    Module,
    ModuleSupply,
    Port,
    RelayType,
)
from harness.job.names import Names, nearest
from harness.job.read_parts import read_amplifiers, read_parts, read_relays
from harness.job.schema import (
    RawModule,
    RawModuleSupply,
    RawRelayType,
)
from harness.job.soldered import Soldered
from harness.job.state import REST, UNPOWERED
from harness.job.values import NAME

Role = Literal["input", "output", "send", "return"]
ROLES: tuple[Role, ...] = get_args(Role)
TABLES = ("module", "supply", "lines", "ports", "relay", "relay_types", "resistor", "capacitor", "amplifier")


def read_module(source: Source, names: Names) -> Module | None:
    """Read module.toml; notes its mistakes and gives None where there is one."""
    before = len(source.mistakes)
    source.only_tables(TABLES)
    soldered = Soldered(source=source, names=names)
    head = source.required(RawModule, "module")
    supply = source.required(RawModuleSupply, "supply")
    if head:
        _twice(source, head.channels, ("module", "channels"), "channel")
    lines = _lines(source)
    ports = _ports(source)
    types = _relay_types(source)
    relays = read_relays(soldered, types)
    resistors = read_parts(soldered, "resistor")
    capacitors = read_parts(soldered, "capacitor")
    amplifiers = read_amplifiers(soldered)
    if not relays and not source.entries("relay"):
        source.wrong(("relay",), "missing; expected at least one [[relay]]", missing=True)
    check_lines_used(source, names)
    if len(source.mistakes) == before and check_nets(soldered):
        check_ports(soldered)
    if len(source.mistakes) > before or head is None or supply is None:
        return None
    return Module(
        name=head.name,
        part=head.part,
        revision=head.revision,
        channels=tuple(head.channels),
        supply=ModuleSupply(voltage_v=supply.voltage, limit_a=supply.limit, quiescent_a=supply.quiescent),
        lines=lines,
        ports=ports,
        relays=relays,
        resistors=resistors,
        capacitors=capacitors,
        amplifiers=amplifiers,
    )


def _lines(source: Source) -> tuple[Line, ...]:
    lines = []
    for name, title in source.table("lines").items():
        if not NAME.fullmatch(name) or name in (REST, UNPOWERED, "all"):
            source.wrong(
                ("lines", name),
                "expected a name in lower case with underscores, and none of rest, unpowered, all",
            )
        if not isinstance(title, str):
            source.wrong(
                ("lines", name), f"found {shown_value(title)}; expected what the line does, in quotes"
            )
        else:
            lines.append(Line(name=name, title=title))
    if "lines" not in source.located.values:
        source.wrong(("lines",), "missing; expected a table [lines] of the control lines", missing=True)
    return tuple(lines)


def _ports(source: Source) -> tuple[Port, ...]:
    ports = []
    table = source.table("ports")
    for net, role in table.items():
        if not NAME.fullmatch(net) or net == GROUND:
            source.wrong(("ports", net), "expected a name in lower case with underscores, other than ground")
        if role not in ROLES:
            guess = nearest(role, ROLES) if isinstance(role, str) else None
            hint = f"; did you mean {guess}?" if guess else ""
            source.wrong(("ports", net), f"found {shown_value(role)}; expected {', '.join(ROLES)}{hint}")
        else:
            ports.append(Port(net=net, role=role))
    for needed in ("input", "output"):
        if needed not in table.values() and len(ports) == len(table):
            source.wrong(("ports",), f'expected at least one port that is an "{needed}"', missing=True)
    return tuple(ports)


def _relay_types(source: Source) -> Mapping[str, RelayType]:
    types = {}
    for name, value in source.table("relay_types").items():
        key: Key = ("relay_types", name)
        raw = source.read(RawRelayType, value, key)
        if raw is None:
            continue
        contact_max = 2 * raw.contact if raw.contact_max is None else raw.contact_max
        if contact_max < raw.contact:
            source.wrong(
                (*key, "contact_max"), "less than contact; expected what a healthy contact may reach"
            )
        types[name] = RelayType(
            name=name,
            coil_ohm=raw.coil,
            contact_ohm=raw.contact,
            contact_max_ohm=contact_max,
            operate_max_s=raw.operate_max,
            release_max_s=raw.release_max,
            bounce_max_s=raw.bounce_max,
            off_capacitance_f=raw.off_capacitance,
        )
    return types


def _twice(source: Source, names: Iterable[str], key: Key, kind: str) -> None:
    for name, times in Counter(names).items():
        if times > 1:
            source.wrong(key, f"{kind} {name} stands here {times} times; expected once")
