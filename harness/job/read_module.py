"""From module.toml to a Module: every relay and part resolved to single legs and checked against the rest,
and the nets, ports and lines that are left without a part.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from harness.errors import nearest
from harness.job.module import (
    GROUND,
    LEGS,
    Amplifier,
    CapacitorEntry,
    ContactEntry,
    Leg,
    Module,
    ModuleFile,
    NamedEntry,
    Names,
    Part,
    PartEntry,
    Pole,
    Port,
    Relay,
    RelayEntry,
    ResistorEntry,
    node_name,
    read_tables,
)
from harness.toml_files.located import Key
from harness.toml_files.messages import did_you_mean, unknown
from harness.toml_files.source import Source


@dataclass
class Nets:
    """What has been read of one module.toml so far: what is on each node, and which parts may connect nodes.

    complete: whether every end of every part is known; if not, nets are not checked.
    """

    source: Source
    names: Names
    part_names: dict[str, Key] = field(default_factory=dict)
    attached: list[tuple[str, str, Key]] = field(default_factory=list)  # (node, net, where it is written)
    joins: list[tuple[str, str]] = field(default_factory=list)  # nodes that some state may connect
    complete: bool = True

    def attach(self, channel: str, net: str, leg: Leg, key: Key) -> str:
        """Note that something is on a leg of a net, and return that node's name."""
        node = node_name(channel, net, leg)
        if not net or not self.source.reads(*key):
            self.complete = False
        elif net != GROUND:
            self.attached.append((node, net, key))
        return node

    def join(self, a: str, b: str) -> None:
        """Note that some state may connect two nodes; ground joins nothing."""
        if GROUND not in (a, b):
            self.joins.append((a, b))

    def take_name(self, name: str, key: Key) -> None:
        """Note a second part of the same name."""
        if name in self.part_names:
            line = self.source.located.line(self.part_names[name])
            self.source.wrong(key, f"{name} is already the name of the part at line {line}")
        elif name:
            self.part_names[name] = key


def _check_controls_used(source: Source, file: ModuleFile) -> None:
    """Note every control line that is no relay's; one that is misspelt elsewhere is reported there alone."""
    used: set[str | None] = set()
    for relay in file.relay:
        if {relay.control, relay.set_control, relay.reset_control} == {None}:
            return  # that relay is a mistake already, and its control line may be any
        used |= {relay.control, relay.set_control, relay.reset_control}
    if not file.relay or "" in used:
        return
    meant = {
        nearest(control, file.controls)
        for control in used
        if control is not None and control not in file.controls
    }
    for control in file.controls:
        if control not in used and control not in meant:
            source.wrong(
                ("controls", control),
                "no relay uses this control line; expected it as the control of a [[relay]]",
            )


def _check_nets(nets: Nets) -> None:
    """Note every net with only one part on it that is no port; then, if such nets don't explain it, every
    port without a part, and every output or send that no state can drive.
    """
    if not nets.complete or not nets.names.known:
        return
    meant = _check_lonely(nets)
    names, source = nets.names, nets.source
    attached = {_as_meant(node, meant) for node, _, _ in nets.attached}
    reached = _reached_from_sources(nets, meant)
    for net, role in names.ports.items():
        nodes = [node_name(channel, net, leg) for channel in names.channels for leg in LEGS]
        if loose := [node for node in nodes if node not in attached]:
            source.wrong(("ports", net), f"nothing in the module is connected to {', '.join(loose)}")
        elif role in ("output", "send") and reached is not None and not reached.issuperset(nodes):
            undriven = ", ".join(node for node in nodes if node not in reached)
            source.wrong(
                ("ports", net), f"nothing drives {undriven}: no contact or part leads there from an input"
            )


def _check_lonely(nets: Nets) -> dict[str, str | None]:
    """Note every net with only one part on it; returns the net that each is probably meant to be."""
    count = Counter(node for node, _, _ in nets.attached)
    ports = nets.names.ports
    lonely: dict[str, Key] = {}
    for node, net, key in nets.attached:
        if count[node] == 1 and net not in ports:
            lonely.setdefault(net, key)
    known = sorted(({net for _, net, _ in nets.attached} | set(ports)) - set(lonely))
    for net, key in lonely.items():
        nets.source.wrong(key, f"nothing else is on net {net}, and it is no port{did_you_mean(net, known)}")
    return {net: nearest(net, known) for net in lonely}


def _as_meant(node: str, meant: dict[str, str | None]) -> str:
    channel, net, leg = node.split(".")
    return f"{channel}.{meant.get(net) or net}.{leg}"


def _reached_from_sources(nets: Nets, meant: dict[str, str | None]) -> set[str] | None:
    """Every node that some state can drive; None if that is not known."""
    names = nets.names
    if "" in names.ports.values() or None in meant.values():
        return None
    starts = [
        node_name(channel, net, leg)
        for channel in names.channels
        for net in names.with_role("input", "return")
        for leg in LEGS
    ]
    return _reached(starts, [(_as_meant(a, meant), _as_meant(b, meant)) for a, b in nets.joins])


def _reached(starts: Iterable[str], joins: Iterable[tuple[str, str]]) -> set[str]:
    beside: defaultdict[str, set[str]] = defaultdict(set)
    for a, b in joins:
        beside[a].add(b)
        beside[b].add(a)
    reached: set[str] = set()
    waiting = set(starts)
    while waiting:
        node = waiting.pop()
        reached.add(node)
        waiting |= beside[node] - reached
    return reached


def read_module(source: Source) -> tuple[Module, Names]:
    """Read module.toml; notes its mistakes. Returns as well the names that the other files may use."""
    file = read_tables(source)
    names = Names(
        channels=file.module.channels if source.reads("module", "channels") else (),
        controls=tuple(file.controls),
        ports=file.ports,
    )
    nets = Nets(source=source, names=names)
    module = Module(
        name=file.module.name,
        part=file.module.part,
        revision=file.module.revision,
        channels=file.module.channels,
        supply=file.supply,
        control_names=tuple(file.controls),
        ports=tuple(Port(net=net, role=role) for net, role in file.ports.items()),
        relays=tuple(_relays(nets, file)),
        resistors=tuple(_parts(nets, "resistor", file.resistor)),
        capacitors=tuple(_parts(nets, "capacitor", file.capacitor)),
        amplifiers=tuple(_amplifiers(nets, file)),
    )
    _check_controls_used(source, file)
    _check_nets(nets)
    return module, names


def _owners(nets: Nets, entry: NamedEntry, key: Key) -> Iterator[tuple[str | None, str]]:
    """The channel and the name of each part that one entry stands for; channel None serves every one."""
    source, channels = nets.source, nets.names.channels
    if (entry.name is None) == (entry.names is None):
        nets.complete = False
        source.wrong(key, "expected either name, or names with one part for each channel")
    elif entry.name is not None:
        nets.take_name(entry.name, (*key, "name"))
        yield None, entry.name
    elif entry.names is not None:
        absent = [channel for channel in channels if channel not in entry.names]
        for written, name in entry.names.items():
            name_key = (*key, "names", written)
            channel = _known_channel(nets, written, name_key, absent)
            if channel in absent:
                absent.remove(channel)
            nets.take_name(name, name_key)
            if channel:
                yield channel, name
        if absent:
            nets.complete = False
            source.wrong((*key, "names"), f"no part for channel {', '.join(absent)}")


def _known_channel(nets: Nets, written: str, key: Key, meant: Sequence[str]) -> str | None:
    """A channel as it is written, or the one of `meant` that is most like it; notes one that is unknown."""
    channels = nets.names.channels
    if not channels or written in channels:
        return written or None
    nets.source.wrong(key, unknown("channel", written, channels, where="module"))
    channel = nearest(written, meant)
    nets.complete = nets.complete and channel is not None
    return channel


def _channel(nets: Nets, of_names: str | None, own: str | None, key: Key) -> str | None:
    """A part's channel: from `names`, or its own `channel`; the only one of a module with one."""
    channels = nets.names.channels
    if of_names is not None:
        if own is not None:
            nets.source.wrong(
                (*key, "channel"), "names already gives the channel; expected channel only beside name"
            )
        return of_names
    if own is not None:
        return _known_channel(nets, own, (*key, "channel"), channels)
    if len(channels) == 1:
        return channels[0]
    nets.complete = False
    if channels:
        nets.source.wrong((*key, "channel"), f"missing; expected one of {', '.join(channels)}", missing=True)
    return None


def _relays(nets: Nets, file: ModuleFile) -> Iterator[Relay]:
    types = {name: replace(type_, name=name) for name, type_ in file.relay_types.items()}
    for index, entry in enumerate(file.relay):
        key: Key = ("relay", index)
        if entry.type not in types:
            message = unknown("relay type", entry.type, types, where=nets.source.name)
            nets.source.wrong((*key, "type"), message)
        _check_relay_controls(nets.source, entry, key, nets.names)
        for channel, name in _owners(nets, entry, key):
            poles = tuple(_poles(nets, entry, name, channel, key))
            if entry.type in types:
                yield Relay(
                    name=name,
                    type=types[entry.type],
                    control=entry.control,
                    set_control=entry.set_control,
                    reset_control=entry.reset_control,
                    poles=poles,
                )


def _check_relay_controls(source: Source, relay: RelayEntry, key: Key, names: Names) -> None:
    given = {"control": relay.control, "set_control": relay.set_control, "reset_control": relay.reset_control}
    named = [which for which, control in given.items() if control is not None]
    if named not in (["control"], ["set_control", "reset_control"]):
        source.wrong(key, "expected control, or set_control and reset_control of a latching relay")
    if relay.set_control and relay.set_control == relay.reset_control:
        source.wrong((*key, "reset_control"), "the same control line sets and resets; expected two")
    for which, control in given.items():
        if control is not None and names.controls and control not in names.controls:
            source.wrong((*key, which), unknown("control line", control, names.controls, where="[controls]"))


def _poles(nets: Nets, entry: RelayEntry, relay: str, channel: str | None, key: Key) -> Iterator[Pole]:
    nets.complete = nets.complete and bool(entry.contacts)
    for index, contact in enumerate(entry.contacts):
        contact_key: Key = (*key, "contacts", index)
        _check_contact(nets.source, contact, contact_key)
        owner = _channel(nets, channel, contact.channel, contact_key)
        throwless = contact.released is None and contact.operated is None
        if owner is None or throwless or not nets.source.reads(*contact_key):
            nets.complete = False
            continue
        for leg in LEGS if contact.leg is None else (contact.leg,):
            throws = {
                throw: nets.attach(owner, *_throw(net, leg), (*contact_key, throw))
                for throw, net in (("released", contact.released), ("operated", contact.operated))
                if net is not None
            }
            common = nets.attach(owner, contact.common, leg, (*contact_key, "common"))
            for node in throws.values():
                nets.join(common, node)
            yield Pole(
                relay=relay,
                contact=index + 1,
                channel=owner,
                leg=leg,
                common=common,
                released=throws.get("released"),
                operated=throws.get("operated"),
            )


def _throw(net: str, leg: Leg) -> tuple[str, Leg]:
    """Split `bus.cold` into net and leg; a net alone is the contact's own leg of it."""
    for named in LEGS:
        if net.endswith(f".{named}"):
            return net.removesuffix(f".{named}"), named
    return net, leg


def _check_contact(source: Source, contact: ContactEntry, key: Key) -> None:
    nets = [net for net in (contact.common, contact.released, contact.operated) if net is not None]
    for which, net in (("released", contact.released), ("operated", contact.operated)):
        if contact.leg is None and net is not None and "." in net:
            source.wrong((*key, which), f'found "{net}", one leg; expected leg beside it in this contact')
    if len(nets) == 1:
        source.wrong(key, "a contact with no throw; expected released, operated, or both")
    elif "" not in nets and len({_throw(net, contact.leg or "hot") for net in nets}) < len(nets):
        source.wrong(
            key, "a contact with the same net twice; expected common, released and operated to differ"
        )


def _parts(nets: Nets, kind: str, entries: Sequence[ResistorEntry | CapacitorEntry]) -> Iterator[Part]:
    for index, entry in enumerate(entries):
        key: Key = (kind, index)
        one_shape = _has_one_shape(nets.source, entry, key)
        for of_names, name in _owners(nets, entry, key):
            channel = _channel(nets, of_names, entry.channel, key)
            if channel is None or not one_shape or not nets.source.reads(*key, "leg"):
                nets.complete = False
                continue
            for part_name, a, b in _ends(nets, entry, name, channel, key):
                yield Part(name=part_name, a=a, b=b, value=entry.value, tolerance=entry.tolerance)


def _has_one_shape(source: Source, part: PartEntry, key: Key) -> bool:
    given = [part.series, part.across, part.to_ground]
    if given.count(None) != 2:
        source.wrong(key, 'expected one of series = ["x", "y"], across = "y", to_ground = "y"')
        return False
    if part.series is not None and (len(part.series) != 2 or part.series[0] == part.series[1]):
        source.wrong((*key, "series"), 'expected two different nets such as ["x", "y"]')
        return False
    if part.across is not None and (part.leg is not None or part.across == GROUND):
        source.wrong((*key, "across"), "a part across a pair has no leg, and ground is no pair")
        return False
    return True


def _ends(nets: Nets, part: PartEntry, name: str, channel: str, key: Key) -> Iterator[tuple[str, str, str]]:
    """(name, node, node) of each single part that one entry stands for in one channel."""
    if part.across is not None:
        hot, cold = (nets.attach(channel, part.across, leg, (*key, "across")) for leg in LEGS)
        yield name, hot, cold
        return
    for leg in LEGS if part.leg is None else (part.leg,):
        part_name = name if part.leg is not None else f"{name}.{leg}"
        if part.series is not None:
            a, b = (nets.attach(channel, net, leg, (*key, "series", i)) for i, net in enumerate(part.series))
            nets.join(a, b)
            yield part_name, a, b
        elif part.to_ground is not None:
            yield part_name, nets.attach(channel, part.to_ground, leg, (*key, "to_ground")), GROUND


def _amplifiers(nets: Nets, file: ModuleFile) -> Iterator[Amplifier]:
    for index, entry in enumerate(file.amplifier):
        key: Key = ("amplifier", index)
        from_net, to_net = entry.from_net, entry.to_net
        if from_net and (from_net == to_net or GROUND in (from_net, to_net)):
            nets.source.wrong(key, "expected from and to to be two different nets, neither ground")
        for of_names, name in _owners(nets, entry, key):
            channel = _channel(nets, of_names, entry.channel, key)
            if channel is None:
                continue
            for leg in LEGS:
                a = nets.attach(channel, from_net, leg, (*key, "from"))
                b = nets.attach(channel, to_net, leg, (*key, "to"))
                nets.join(a, b)
            ratio: float = 10 ** (entry.gain_db / 20)
            yield Amplifier(
                name=name,
                channel=channel,
                from_net=from_net,
                to_net=to_net,
                gain=-ratio if entry.inverting else ratio,
                input_ohm=entry.input_ohm,
                output_ohm=entry.output_ohm,
                common_mode_rejection_db=entry.common_mode_rejection_db,
            )
