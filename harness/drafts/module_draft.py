"""From a netlist to a first module.toml, with what could not be derived in comments."""

import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from harness.drafts.audio_nets import Contact, Node, TwoEnds, audio_nodes, placed
from harness.drafts.coils import Coils, read_coils, supply_volts
from harness.drafts.doubts import Doubts
from harness.drafts.draft_text import DraftTables, module_text, type_name
from harness.drafts.entries import Entry, contact_entries, paired, part_entry, part_name
from harness.drafts.netlist import Netlist, NetPart, value_and_tolerance
from harness.drafts.node_names import Named, is_ground, is_supply, read_names
from harness.errors import Mistake, UsageError
from harness.job.module import GROUND
from harness.job.read_module import read_module
from harness.toml_files.located import JobFile, read_located
from harness.toml_files.source import Source

_ROLES = {
    "send": "send", "snd": "send", "return": "return", "ret": "return", "rtn": "return",
    "out": "output", "output": "output", "in": "input", "input": "input",
}  # fmt: skip
_TWO_ENDS = ("resistor", "capacitor", "inductor")
_SWITCH = re.compile(r".*(switch|4066|4053|jfet|photomos|opto)", re.IGNORECASE)
_TRANSFORMER = re.compile(r"(T|TR|XT)\d|.*(xfmr|transf)", re.IGNORECASE)
# Whole words, and the letter after a count of contacts (XLR3F, NC3MXX): common practice, no source.
_FEMALE = re.compile(r"female|(?:xlr|nc)[_-]?\d[_-]?f", re.IGNORECASE)
_MALE = re.compile(r"(?<!fe)male|(?:xlr|nc)[_-]?\d[_-]?m", re.IGNORECASE)
_THROWS = {"2": "released", "4": "operated"}
_ORDER = ("left", "right")


@dataclass(frozen=True, kw_only=True)
class Drafted:
    """module.toml's text, and what could not be derived, one sentence each."""

    text: str
    unclear: tuple[str, ...]


def draft_module(netlist: Netlist) -> Drafted:
    """Write a module.toml of a netlist's relays, resistors, capacitors and connectors.

    Raises UsageError if no relay can be drafted.
    """
    doubts = netlist.doubts
    parts = _without_links(netlist.parts, doubts)
    uses = Counter(node for part in parts for node in part.nodes)
    named = read_names(node for part in parts for node in part.nodes)
    coils = read_coils(parts, named, doubts)
    wired = {node for node, times in uses.items() if times > 1}
    on_connectors = _connected(parts)
    relays = [part for part in parts if part.kind == "relay"]
    contacts = [
        contact
        for relay in relays
        for contact in _contacts(relay, coils, named, wired, bool(on_connectors), doubts)
    ]
    if not contacts:
        raise UsageError(
            "no relay was found whose contacts lead anywhere, so there is no module to draft; expected parts "
            "named K1, RL1 or RY1 with a coil and contacts"
            + "".join(f"\n  {sentence}" for sentence in doubts.sentences()[:8])
        )
    two_ends = _two_ends(parts, doubts)
    off_audio = {*coils.names, *(node for node in named if is_supply(node) and not is_ground(node))}
    starts = [node for node, each in named.items() if each.leg is not None and node not in off_audio]
    passive = [part for part in two_ends if not {part.a, part.b} & off_audio]
    audio = audio_nodes(contacts, passive, starts)
    kept = [part for part in passive if part.a in audio or part.b in audio]
    if left := [part.reference for part in two_ends if part not in kept]:
        doubts.note("left out, as no contact's net leads to it, or it is on a supply or control line", *left)
    nodes = placed(audio, named, contacts, kept, doubts)
    ground = {node: Node(channel="", net=GROUND, leg="hot") for node in named if is_ground(node)}
    _note_others(parts, nodes, doubts)
    every = {**nodes, **ground}
    channels = sorted({node.channel for node in nodes.values()}, key=lambda name: (name not in _ORDER, name))
    entries = [
        *_relay_entries(relays, contacts, coils, every, doubts),
        *(entry for part in kept if (entry := part_entry(part, every, doubts)) is not None),
    ]
    ports = dict(_ports(nodes, channels, named, on_connectors, doubts))
    drawn = [relay for relay in relays if relay.reference in coils.controls]
    voltage_v, voltage_from = supply_volts(coils.supplies, [relay.value for relay in drawn], doubts)
    tables = DraftTables(
        title=netlist.title,
        channels=channels,
        voltage_v=voltage_v,
        voltage_from=voltage_from,
        controls=coils.titles,
        ports=ports,
        relays=drawn,
        connectors=[part for part in parts if part.kind == "connector"],
        entries=paired(entries, channels),
    )
    for mistake in _mistakes(module_text(tables, ())):
        doubts.note(f"the draft does not read yet: {mistake.key}: {mistake.message}")
    return Drafted(text=module_text(tables, doubts.sentences()), unclear=doubts.sentences())


def _without_links(parts: Sequence[NetPart], doubts: Doubts) -> list[NetPart]:
    """The parts without those of 0 ohm at a coil or on a supply; the two nets of each become one."""
    same: dict[str, str] = {}

    def found(node: str) -> str:
        while node in same:
            node = same[node]
        return node

    at_coils = {node for part in parts for ends in part.coil_ends for node in ends}
    at_coils |= {node for part in parts for node in part.nodes if is_supply(node) and not is_ground(node)}
    gone: list[NetPart] = []
    waiting = [part for part in parts if part.kind == "resistor" and value_and_tolerance(part.value)[0] == 0]
    while near := [part for part in waiting if at_coils & set(part.nodes)]:
        for link in near:
            at_coils.update(link.nodes)
            ends = sorted({found(node) for node in link.nodes}, key=lambda node: (not is_supply(node), node))
            for node in ends[1:]:
                same[node] = ends[0]
        gone += near
        waiting = [part for part in waiting if part not in near]
    if gone:
        doubts.note("0 ohm, at a coil: the nets at its ends taken as one", *(link.reference for link in gone))
    return [
        replace(part, pins=tuple((pin, found(node)) for pin, node in part.pins))
        for part in parts
        if part not in gone
    ]


def _connected(parts: Sequence[NetPart]) -> dict[str, NetPart]:
    """The connector that each node is on."""
    return {node: part for part in parts if part.kind == "connector" for node in part.nodes}


def _contacts(
    relay: NetPart,
    coils: Coils,
    named: Mapping[str, Named],
    wired: set[str],
    has_connectors: bool,
    doubts: Doubts,
) -> Iterator[Contact]:
    """A relay's contacts, without throws that lead nowhere; one whose common is on ground as one for each
    throw, which is the same circuit.
    """
    if not relay.coil_ends:
        pins = ", ".join(pin for pin, _ in relay.pins[:8])
        doubts.note(
            f"a relay by its name, but no coil among its pins ({pins}); expected A1, A2, 11, 12, 14 or COM1, "
            "NC1, NO1",
            relay.reference,
        )
    if relay.reference not in coils.controls:
        return
    sets: dict[str, dict[str, str]] = defaultdict(dict)
    for pin, node in relay.pins:
        if matched := re.fullmatch(r"(\d+)([124])", pin):
            if node in wired or (not has_connectors and _role(named[node].net) and named[node].leg):
                sets[matched[1]][matched[2]] = node
        elif pin not in ("A1", "A2", "B1", "B2"):
            doubts.note(f"pin {pin} on {node}: left out, no contact by its name", relay.reference)
    for number, on in sets.items():
        common = on.get("1")
        throws = {_THROWS[digit]: node for digit, node in on.items() if digit != "1"}
        if common is None or not throws:
            doubts.note(f"contact {number}: only one of its pins leads anywhere, left out", relay.reference)
            continue
        ways = [(common, throws)]
        if is_ground(common):
            ways = [(node, {throw: common}) for throw, node in throws.items() if not is_ground(node)]
        if is_supply(common) and not is_ground(common):
            doubts.note(f"contact {number} switches {common}, a supply: left out", relay.reference)
            continue
        for start, ends in ways:
            yield Contact(
                relay=relay.reference,
                controls=coils.controls[relay.reference],
                number=number,
                common=start,
                released=ends.get("released"),
                operated=ends.get("operated"),
            )


def _two_ends(parts: Sequence[NetPart], doubts: Doubts) -> list[TwoEnds]:
    result = []
    for part in parts:
        if part.kind not in _TWO_ENDS:
            continue
        value, tolerance = value_and_tolerance(part.value)
        kind = "link" if value == 0 and part.kind == "resistor" else part.kind
        if value is None or (value == 0 and kind != "link") or len(part.nodes) != 2:
            doubts.note(
                f"left out, its value ({part.value!r}) or its {len(part.nodes)} ends are not clear",
                part.reference,
            )
            continue
        a, b = part.nodes
        tolerance = tolerance if value else None
        result.append(
            TwoEnds(reference=part.reference, kind=kind, value=value, tolerance=tolerance, a=a, b=b)
        )
    return result


def _note_others(parts: Sequence[NetPart], nodes: Mapping[str, Node], doubts: Doubts) -> None:
    """Name the parts that are not drafted; of one on audio nets, what is on its pins, and its table."""
    for part in parts:
        if part.kind in ("relay", "connector", *_TWO_ENDS):
            continue
        on = [(pin, nodes[node]) for pin, node in part.pins if node in nodes]
        if not on:
            doubts.note("left out: no part of the audio circuit", part.reference)
            continue
        pins = ", ".join(f"{pin} {node.net}.{node.leg}" for pin, node in on)
        nets = list(dict.fromkeys(node.net for _, node in on))
        outs = [node.net for pin, node in on if "out" in pin.lower()]
        hint = ""
        if _SWITCH.match(part.value):
            hint = "; write [[switch]] with its control line and contacts, and its type in [switch_types]"
        elif len(nets) == 2:
            to = outs[0] if outs else nets[1]
            come = nets[0] if to == nets[1] else nets[1]
            what = "amplifier", "its gain and impedances"
            if _TRANSFORMER.match(part.reference) or _TRANSFORMER.match(part.value):
                what = "transformer", "its ratio, resistances and inductances"
            hint = f'; write [[{what[0]}]] with from = "{come}", to = "{to}" and {what[1]}'
        doubts.note(f"left out ({part.value}), but on audio nets: {pins}{hint}", part.reference)


def _relay_entries(
    relays: Sequence[NetPart],
    contacts: Sequence[Contact],
    coils: Coils,
    nodes: Mapping[str, Node],
    doubts: Doubts,
) -> Iterator[Entry]:
    for relay in relays:
        rows = list(
            contact_entries([each for each in contacts if each.relay == relay.reference], nodes, doubts)
        )
        if not rows:
            if relay.reference in coils.controls:
                doubts.note("left out: no contact leads anywhere", relay.reference)
            continue
        lines = [coils.names[node] for node in coils.controls[relay.reference]]
        keys = ("control",) if len(lines) == 1 else ("set_control", "reset_control")
        channels = {channel for channel, _ in rows}
        yield Entry(
            table="relay",
            channel=channels.pop() if len(channels) == 1 else None,
            name=part_name(relay.reference),
            lines=(
                *(f'{key} = "{line}"' for key, line in zip(keys, lines, strict=True)),
                f'type = "{type_name(relay)}"',
            ),
            contacts=tuple(rows),
        )


def _role(net: str) -> str | None:
    words = [re.sub(r"\d+$", "", word) for word in net.split("_")]
    return next((role for word, role in _ROLES.items() if word in words), None)


def _role_by_gender(connector: NetPart, net: str, doubts: Doubts) -> str | None:
    """Signals leave on pins and arrive in sockets (IEC 61938, from memory)."""
    for role, gender, pattern in (("input", "female", _FEMALE), ("output", "male", _MALE)):
        if pattern.search(f"{connector.value} {connector.package}"):
            doubts.note(f"no role in the name, on a {gender} connector: taken as an {role}", net)
            return role
    doubts.note("on a connector: input, output, send or return? left out of [ports]", net)
    return None


def _ports(
    nodes: Mapping[str, Node],
    channels: Sequence[str],
    named: Mapping[str, Named],
    on: Mapping[str, NetPart],
    doubts: Doubts,
) -> Iterator[tuple[str, str]]:
    """Nets on connectors, or without connectors every net, each with its value in [ports]: the role that its
    name tells, else the connector's type.
    """
    of_net: dict[str, list[str]] = defaultdict(list)
    for written, node in nodes.items():
        if written in on or (not on and named[written].leg is not None):
            of_net[node.net].append(written)
    for net, written_names in of_net.items():
        role = _role(net)
        if role is None and on:
            role = _role_by_gender(on[written_names[0]], net, doubts)
        if role is None:
            continue
        own = {nodes[written].channel for written in written_names}
        if own == set(channels) and any(nodes[written].leg == "cold" for written in written_names):
            yield net, f'"{role}"'
            continue
        keys = [f'role = "{role}"']
        if own != set(channels):
            keys.append("channels = [" + ", ".join(f'"{each}"' for each in channels if each in own) + "]")
        if not any(nodes[written].leg == "cold" for written in written_names):
            doubts.note("on a connector with one leg alone, so taken as unbalanced", net)
            keys.append("unbalanced = true")
        yield net, f"{{ {', '.join(keys)} }}"


def _mistakes(text: str) -> list[Mistake]:
    """What `switchwalk table` would say of the draft."""
    mistakes: list[Mistake] = []
    name = "module.toml"
    source = Source(
        name=name,
        file=JobFile.of(name, text.encode("utf-8")),
        located=read_located(text),
        mistakes=mistakes,
    )
    read_module(source)
    return mistakes
