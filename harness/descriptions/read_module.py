"""From module.toml to a Module: every relay and part resolved down to single legs, and held against the rest."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeVar, get_args

from harness.descriptions.located import Key
from harness.descriptions.mistakes import Source, nearest, shown_value, unknown
from harness.descriptions.module import (
    GROUND,
    LEGS,
    Amplifier,
    Leg,
    Line,
    Module,
    ModuleSupply,
    Part,
    Pole,
    Port,
    Relay,
    RelayType,
    node_name,
)
from harness.descriptions.names import Names
from harness.descriptions.schema import (
    NAME,
    PART_NAME,
    RawAmplifier,
    RawCapacitor,
    RawContact,
    RawModule,
    RawModuleSupply,
    RawPart,
    RawRelay,
    RawRelayType,
    RawResistor,
)
from harness.descriptions.state import REST, UNPOWERED

Role = Literal["input", "output", "send", "return"]
ROLES: tuple[Role, ...] = get_args(Role)
TABLES = ("module", "supply", "lines", "ports", "relay", "relay_types", "resistor", "capacitor", "amplifier")
RESISTOR_TOLERANCE = 0.01
CAPACITOR_TOLERANCE = 0.10

Raw = TypeVar("Raw", RawRelay, RawResistor, RawCapacitor, RawAmplifier)


@dataclass
class _Reading:
    """What has been read of one module.toml so far."""

    source: Source
    names: Names
    part_names: dict[str, Key] = field(default_factory=dict)
    attached: list[tuple[str, str, Key]] = field(default_factory=list)  # (node, net, where it is written)
    joins: list[tuple[str, str]] = field(default_factory=list)  # nodes that some state may connect

    def attach(self, channel: str, net: str, leg: Leg, key: Key) -> str:
        """Note that something is soldered to a leg of a net, and give that node's name."""
        node = node_name(channel, net, leg)
        if net != GROUND:
            self.attached.append((node, net, key))
        return node

    def join(self, a: str, b: str) -> None:
        if GROUND not in (a, b):
            self.joins.append((a, b))

    def take_name(self, name: str, key: Key) -> None:
        """Note a second part of the same name."""
        if name in self.part_names:
            line = self.source.located.line(self.part_names[name])
            self.source.wrong(key, f"{name} is already the name of the part at line {line}")
        else:
            self.part_names[name] = key


def read_module(source: Source, names: Names) -> Module | None:
    """Read module.toml; notes its mistakes and gives None where there is one."""
    before = len(source.mistakes)
    source.only_tables(TABLES)
    reading = _Reading(source=source, names=names)
    head = source.read(RawModule, source.table("module"), ("module",))
    supply = source.read(RawModuleSupply, source.table("supply"), ("supply",))
    if head:
        _twice(source, head.channels, ("module", "channels"), "channel")
    lines = _lines(source)
    ports = _ports(source)
    types = _relay_types(source)
    relays = _relays(reading, types)
    resistors = _parts(reading, "resistor")
    capacitors = _parts(reading, "capacitor")
    amplifiers = _amplifiers(reading)
    if not relays and not source.entries("relay"):
        source.wrong(("relay",), "missing; expected at least one [[relay]]", missing=True)
    _check_lines_used(source, names)
    if len(source.mistakes) == before and _check_nets(reading):
        _check_ports(reading)
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
        if needed not in table.values():
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


def _owners(reading: _Reading, raw: Raw, key: Key) -> Iterator[tuple[str | None, str, Key]]:
    """Give (channel, part name, key) of each part that one entry stands for; channel None serves every one."""
    source, channels = reading.source, reading.names.channels
    if (raw.name is None) == (raw.names is None):
        source.wrong(key, "expected either name, or names with one part for each channel")
    elif raw.name is not None:
        reading.take_name(raw.name, (*key, "name"))
        yield None, raw.name, (*key, "name")
    elif raw.names is not None:
        for channel, name in raw.names.items():
            if channel not in channels:
                source.wrong((*key, "names", channel), unknown("channel", channel, channels, where="module"))
            else:
                reading.take_name(name, (*key, "names", channel))
                yield channel, name, (*key, "names", channel)
        if absent := [channel for channel in channels if channel not in raw.names]:
            source.wrong((*key, "names"), f"no part for channel {', '.join(absent)}")


def _channel(reading: _Reading, of_names: str | None, own: str | None, key: Key) -> str | None:
    """Settle a part's channel: from `names`, or its own `channel`; the only one where a module has one."""
    source, channels = reading.source, reading.names.channels
    if of_names is not None:
        if own is not None:
            source.wrong(
                (*key, "channel"), "names already gives the channel; expected channel only beside name"
            )
        return of_names
    if own is None and len(channels) == 1:
        return channels[0]
    if own is None:
        source.wrong((*key, "channel"), f"missing; expected one of {', '.join(channels)}", missing=True)
    elif own not in channels:
        source.wrong((*key, "channel"), unknown("channel", own, channels, where="module"))
    return own


def _relays(reading: _Reading, types: Mapping[str, RelayType]) -> tuple[Relay, ...]:
    relays = []
    source = reading.source
    all_types = tuple(source.table("relay_types"))
    for index, value in enumerate(source.entries("relay")):
        key: Key = ("relay", index)
        raw = source.read(RawRelay, value, key)
        if raw is None:
            continue
        if raw.type not in all_types:
            source.wrong((*key, "type"), unknown("relay type", raw.type, all_types, where=source.name))
        _check_relay_lines(source, raw, key, reading.names)
        for channel, name, _ in _owners(reading, raw, key):
            poles = tuple(_poles(reading, raw, name, channel, key))
            if raw.type in types:
                relays.append(
                    Relay(
                        name=name,
                        type=types[raw.type],
                        line=raw.line,
                        set_line=raw.set_line,
                        reset_line=raw.reset_line,
                        poles=poles,
                    )
                )
    return tuple(relays)


def _check_relay_lines(source: Source, raw: RawRelay, key: Key, names: Names) -> None:
    latching = raw.set_line is not None and raw.reset_line is not None
    given = [raw.line, raw.set_line, raw.reset_line]
    if not (latching and raw.line is None) and not (raw.line is not None and given.count(None) == 2):
        source.wrong(key, "expected line, or set_line and reset_line of a latching relay")
    if latching and raw.set_line == raw.reset_line:
        source.wrong((*key, "reset_line"), "the same line sets and resets; expected two lines")
    for which, line in zip(("line", "set_line", "reset_line"), given, strict=True):
        if line is not None and line not in names.lines:
            source.wrong((*key, which), unknown("line", line, names.lines, where="[lines]"))


def _poles(reading: _Reading, raw: RawRelay, relay: str, channel: str | None, key: Key) -> Iterator[Pole]:
    for index, contact in enumerate(raw.contacts):
        place: Key = (*key, "contacts", index)
        _check_contact(reading.source, contact, place)
        owner = _channel(reading, channel, contact.channel, place)
        if owner is None:
            continue
        for leg in LEGS if contact.leg is None else (contact.leg,):
            throws = {
                throw: reading.attach(owner, net, leg, (*place, throw))
                for throw, net in (("rest", contact.rest), ("operated", contact.operated))
                if net is not None
            }
            common = reading.attach(owner, contact.common, leg, (*place, "common"))
            for node in throws.values():
                reading.join(common, node)
            yield Pole(
                relay=relay,
                contact=index + 1,
                channel=owner,
                leg=leg,
                common=common,
                rest=throws.get("rest"),
                operated=throws.get("operated"),
            )


def _check_contact(source: Source, contact: RawContact, key: Key) -> None:
    nets = [net for net in (contact.common, contact.rest, contact.operated) if net is not None]
    if len(nets) == 1:
        source.wrong(key, "a contact with no throw; expected rest, operated, or both")
    elif len(set(nets)) < len(nets):
        source.wrong(key, "a contact with the same net twice; expected common, rest and operated to differ")


def _parts(reading: _Reading, kind: Literal["resistor", "capacitor"]) -> tuple[Part, ...]:
    parts: list[Part] = []
    for index, value in enumerate(reading.source.entries(kind)):
        key: Key = (kind, index)
        raw: RawResistor | RawCapacitor | None
        if kind == "resistor":
            raw = reading.source.read(RawResistor, value, key)
            tolerance = RESISTOR_TOLERANCE
        else:
            raw = reading.source.read(RawCapacitor, value, key)
            tolerance = CAPACITOR_TOLERANCE
        if raw is None or not _one_shape(reading.source, raw, key):
            continue
        for of_names, name, _ in _owners(reading, raw, key):
            channel = _channel(reading, of_names, raw.channel, key)
            if channel is None:
                continue
            for part_name, a, b in _ends(reading, raw, name, channel, key):
                parts.append(
                    Part(
                        name=part_name,
                        a=a,
                        b=b,
                        value=raw.value,
                        tolerance=tolerance if raw.tolerance is None else raw.tolerance,
                    )
                )
    return tuple(parts)


def _one_shape(source: Source, raw: RawPart, key: Key) -> bool:
    given = [raw.series, raw.across, raw.to_ground]
    if given.count(None) != 2:
        source.wrong(key, 'expected one of series = ["x", "y"], across = "y", to_ground = "y"')
        return False
    if raw.series is not None and (len(raw.series) != 2 or raw.series[0] == raw.series[1]):
        source.wrong((*key, "series"), 'expected two different nets such as ["x", "y"]')
        return False
    if raw.across is not None and (raw.leg is not None or raw.across == GROUND):
        source.wrong((*key, "across"), "a part across a pair has no leg, and ground is no pair")
        return False
    return True


def _ends(
    reading: _Reading, raw: RawPart, name: str, channel: str, key: Key
) -> Iterator[tuple[str, str, str]]:
    """Give (name, node, node) of each single part that one entry stands for in one channel."""
    if raw.across is not None:
        hot, cold = (reading.attach(channel, raw.across, leg, (*key, "across")) for leg in LEGS)
        yield name, hot, cold
        return
    for leg in LEGS if raw.leg is None else (raw.leg,):
        part_name = name if raw.leg is not None else f"{name}.{leg}"
        if raw.series is not None:
            a, b = (
                reading.attach(channel, net, leg, (*key, "series", i)) for i, net in enumerate(raw.series)
            )
            reading.join(a, b)
            yield part_name, a, b
        elif raw.to_ground is not None:
            yield part_name, reading.attach(channel, raw.to_ground, leg, (*key, "to_ground")), GROUND


def _amplifiers(reading: _Reading) -> tuple[Amplifier, ...]:
    amplifiers = []
    for index, value in enumerate(reading.source.entries("amplifier")):
        key: Key = ("amplifier", index)
        raw = reading.source.read(RawAmplifier, value, key)
        if raw is None:
            continue
        if raw.from_ == raw.to or GROUND in (raw.from_, raw.to):
            reading.source.wrong(key, "expected from and to to be two different nets, neither ground")
        for of_names, name, _ in _owners(reading, raw, key):
            channel = _channel(reading, of_names, raw.channel, key)
            if channel is None:
                continue
            for leg in LEGS:
                a = reading.attach(channel, raw.from_, leg, (*key, "from"))
                b = reading.attach(channel, raw.to, leg, (*key, "to"))
                reading.join(a, b)
            ratio: float = 10 ** (raw.gain / 20)
            amplifiers.append(
                Amplifier(
                    name=name,
                    channel=channel,
                    from_net=raw.from_,
                    to_net=raw.to,
                    gain=-ratio if raw.inverting else ratio,
                    input_ohm=raw.input_impedance,
                    output_ohm=raw.output_impedance,
                    common_mode_rejection_db=raw.common_mode_rejection,
                )
            )
    return tuple(amplifiers)


def _check_lines_used(source: Source, names: Names) -> None:
    used = set()
    for value in source.entries("relay"):
        if isinstance(value, dict):
            used |= {str(value[which]) for which in ("line", "set_line", "reset_line") if which in value}
    meant = {nearest(line, names.lines) for line in used if line not in names.lines}
    for line in names.lines:
        if line not in used and line not in meant:
            source.wrong(("lines", line), "no relay uses this line; expected it as the line of a [[relay]]")


def _check_nets(reading: _Reading) -> bool:
    """Note every net that only one thing is soldered to and that is no port; tells whether there was none."""
    count = Counter(node for node, _, _ in reading.attached)
    nets = {net for _, net, _ in reading.attached} | set(reading.names.ports)
    lonely: dict[str, Key] = {}
    for node, net, key in reading.attached:
        if count[node] == 1 and net not in reading.names.ports:
            lonely.setdefault(net, key)
    for net, key in lonely.items():
        guess = nearest(net, sorted(nets - set(lonely)))
        hint = f"; did you mean {guess}?" if guess else ""
        reading.source.wrong(key, f"nothing else is on net {net}, and it is no port{hint}")
    return not lonely


def _check_ports(reading: _Reading) -> None:
    """Note every port that nothing is soldered to, and every output or send that no state can drive."""
    names, source = reading.names, reading.source
    attached = {node for node, _, _ in reading.attached}
    sources = names.with_role("input", "return")
    for net, role in names.ports.items():
        nodes = [node_name(channel, net, leg) for channel in names.channels for leg in LEGS]
        if loose := [node for node in nodes if node not in attached]:
            source.wrong(("ports", net), f"nothing in the module is connected to {', '.join(loose)}")
        elif role in ("output", "send"):
            starts = [
                node_name(channel, each, leg)
                for channel in names.channels
                for each in sources
                for leg in LEGS
            ]
            reached = _reached(starts, reading.joins)
            if undriven := [node for node in nodes if node not in reached]:
                source.wrong(
                    ("ports", net),
                    f"nothing drives {', '.join(undriven)}: no contact or part leads there from an input or return",
                )


def _reached(starts: Iterable[str], joins: Iterable[tuple[str, str]]) -> set[str]:
    beside: dict[str, set[str]] = {}
    for a, b in joins:
        beside.setdefault(a, set()).add(b)
        beside.setdefault(b, set()).add(a)
    reached: set[str] = set()
    waiting = list(starts)
    while waiting:
        node = waiting.pop()
        if node not in reached:
            reached.add(node)
            waiting.extend(beside.get(node, ()))
    return reached


def _twice(source: Source, names: Iterable[str], key: Key, kind: str) -> None:
    for name, times in Counter(names).items():
        if times > 1:
            source.wrong(key, f"{kind} {name} stands here {times} times; expected once")
