"""From a netlist to a first module.toml, with what could not be derived in comments."""

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from harness.drafts.netlist import (
    Netlist,
    NetPart,
    Node,
    is_relay,
    is_supply,
    node_of,
    plain_name,
    spice_value,
)
from harness.job.module import GROUND, LEGS
from harness.units import format_value

_ROLES = (("send", "send"), ("return", "return"), ("ret", "return"), ("out", "output"), ("in", "input"))
_CONNECTORS = ("J", "P", "CN")
_THROWS = {"1": "common", "2": "released", "4": "operated"}
USUAL_CHANNEL = "mono"


@dataclass(kw_only=True)
class _Draft:
    """What has been made of the netlist so far."""

    unclear: list[str]
    controls: dict[str, str] = field(default_factory=dict)
    types: dict[str, str] = field(default_factory=dict)
    relays: list[str] = field(default_factory=list)
    parts: list[str] = field(default_factory=list)
    nodes: dict[str, Node] = field(default_factory=dict)
    legless: set[str] = field(default_factory=set)
    used: Counter[str] = field(default_factory=Counter)

    def node(self, name: str) -> Node:
        """Read a node's name once, and note what it does not tell."""
        if name not in self.nodes:
            node = node_of(name)
            if not node.is_ground and node.leg is None:
                self.legless.add(name)
            self.nodes[name] = node
        node = self.nodes[name]
        self.used[node.net] += 1
        return node


@dataclass(frozen=True, kw_only=True)
class Drafted:
    """module.toml's text, and what could not be derived, one sentence each."""

    text: str
    unclear: tuple[str, ...]


def draft_module(netlist: Netlist) -> Drafted:
    """Write a module.toml of a netlist's relays, resistors, capacitors and connectors."""
    draft = _Draft(unclear=list(netlist.unclear))
    connectors: list[NetPart] = []
    for part in netlist.parts:
        if part.reference.startswith(_CONNECTORS):
            connectors.append(part)
        elif is_relay(part.reference) and any(pin == "A1" for pin, _ in part.pins):
            _relay(draft, part)
        elif is_relay(part.reference):
            draft.unclear.append(
                f"{part.reference}: a relay by its name, but no coil among its pins "
                f"({', '.join(pin for pin, _ in part.pins[:8])}); expected A1, A2, 11, 12, 14 or "
                "COM1, NC1, NO1"
            )
        elif part.reference[:1] in "RC":
            _two_ends(draft, part)
        else:
            draft.unclear.append(f"{part.reference} ({part.value}): left out, no part that module.toml has")
    ports = dict(_ports(draft, connectors))
    if draft.legless:
        draft.unclear.append(
            f"no leg in the names {', '.join(sorted(draft.legless)[:12])}: taken as hot alone; expected "
            "names such as left.out.hot and left.out.cold"
        )
    for what, result in (("relay", draft.relays), ("port", ports)):
        if not result:
            draft.unclear.append(f"no {what} found: module.toml needs one")
    return Drafted(text=_text(netlist, draft, ports, connectors), unclear=tuple(draft.unclear))


def _relay(draft: _Draft, part: NetPart) -> None:
    line = _control(draft, part)
    contacts: dict[str, dict[str, Node]] = {}
    for pin, node in part.pins:
        if pin in ("A1", "A2"):
            continue
        if matched := re.fullmatch(r"(\d+)([124])", pin):
            contacts.setdefault(matched[1], {})[_THROWS[matched[2]]] = draft.node(node)
        else:
            draft.unclear.append(f"{part.reference} pin {pin} on {node}: left out, no contact by its name")
    rows = list(_contacts(draft, part.reference, contacts))
    if not rows or line is None:
        draft.unclear.append(
            f"{part.reference}: left out, {'no contact' if line else 'no control line for its coil'}"
        )
        return
    type_name = plain_name(part.value or "relay")
    draft.types.setdefault(type_name, part.value)
    draft.relays.append(
        f'[[relay]]\nname = "{_part_name(part.reference)}"\ncontrol = "{line}"\ntype = "{type_name}"\n'
        "contacts = [\n" + "".join(f"  {{ {row} }},\n" for row in rows) + "]\n"
    )


def _control(draft: _Draft, part: NetPart) -> str | None:
    """The control line is the coil's end that is no supply."""
    ends = [node for pin, node in part.pins if pin in ("A1", "A2")]
    controls = [node for node in ends if not is_supply(node)]
    if len(controls) != 1:
        draft.unclear.append(
            f"{part.reference}: which end of its coil is the control line? found {' and '.join(ends)}; "
            "expected one supply such as 12V or 0, and one control line"
        )
    if not controls:
        return None
    name = plain_name(controls[0])
    draft.controls.setdefault(name, controls[0])
    return name


def _contacts(draft: _Draft, relay: str, contacts: dict[str, dict[str, Node]]) -> Iterator[str]:
    """Rows of a relay's contacts; two that are alike but for the leg become one."""
    shapes: dict[tuple[str, tuple[tuple[str, str], ...]], list[str]] = {}
    for number, throws in contacts.items():
        common = throws.get("common")
        if common is None or len(throws) < 2:
            draft.unclear.append(f"{relay} contact {number}: no common, or no throw; left out")
            continue
        if common.is_ground:
            draft.unclear.append(f"{relay} contact {number}: its common is on ground; left out")
            continue
        leg, channel = common.leg or "hot", common.channel or USUAL_CHANNEL
        nets: list[tuple[str, str]] = []
        for throw, node in throws.items():
            if node.channel not in (None, common.channel):
                draft.unclear.append(f"{relay} contact {number}: joins channels {channel} and {node.channel}")
            other = not node.is_ground and node.leg is not None and node.leg != leg
            nets.append((throw, f"{node.net}.{node.leg}" if other else node.net))
        shapes.setdefault((channel, tuple(nets)), []).append(leg)
    for (channel, shape), legs in shapes.items():
        words = [f'channel = "{channel}"']
        if sorted(legs) != sorted(LEGS):
            words.append(f'leg = "{legs[0]}"')
        yield ", ".join([*words, *(f'{throw} = "{net}"' for throw, net in shape)])


def _two_ends(draft: _Draft, part: NetPart) -> None:
    kind, unit = ("resistor", "ohm") if part.reference[0] == "R" else ("capacitor", "F")
    value = spice_value(part.value)
    nodes = [draft.node(node) for _, node in part.pins]
    if value is None or len(nodes) != 2:
        draft.unclear.append(
            f"{part.reference}: left out, its value ({part.value!r}) or its {len(nodes)} ends are not clear"
        )
        return
    a, b = sorted(nodes, key=lambda node: node.is_ground)
    owner, leg = a.channel or USUAL_CHANNEL, a.leg or "hot"
    if b.is_ground and not a.is_ground:
        shape = f'to_ground = "{a.net}"\nleg = "{leg}"'
    elif (a.channel, a.net) == (b.channel, b.net) and a.leg != b.leg:
        shape = f'across = "{a.net}"'
    elif (a.channel, a.leg) == (b.channel, b.leg) and a.net != b.net:
        shape = f'series = ["{a.net}", "{b.net}"]\nleg = "{leg}"'
    else:
        where = " and ".join(node.written for node in nodes)
        draft.unclear.append(f"{part.reference}: left out, between {where}: no series, across or to_ground")
        return
    written = format_value(value, unit, digits=6).replace("µ", "u")  # as a keyboard has it
    draft.parts.append(
        f'[[{kind}]]\nname = "{_part_name(part.reference)}"\nchannel = "{owner}"\n{shape}\n'
        f'value = "{written}"\n'
    )


def _ports(draft: _Draft, connectors: list[NetPart]) -> Iterator[tuple[str, str]]:
    """Nets on connectors, or without connectors every net, with the role that its name tells."""
    on = [draft.node(node) for each in connectors for _, node in each.pins if not is_supply(node)]
    for net in dict.fromkeys(node.net for node in (on or list(draft.nodes.values()))):
        if net == GROUND or net in draft.controls:
            continue
        role = next((role for word, role in _ROLES if word in net.split("_")), None)
        if role is not None:
            yield net, role
        elif on:
            draft.unclear.append(f"net {net} is on a connector: input, output, send or return? left out")


def _text(netlist: Netlist, draft: _Draft, ports: dict[str, str], connectors: list[NetPart]) -> str:
    channels = dict.fromkeys(node.channel for node in draft.nodes.values() if node.channel)
    if not channels or any(
        node.channel is None and not node.is_ground and draft.used[node.net] for node in draft.nodes.values()
    ):
        channels[USUAL_CHANNEL] = None
    listed = ", ".join(f'"{name}"' for name in channels)
    title = re.sub(r'["\\]|[^ -~]', " ", netlist.title)[:60].strip() or "Drafted module"
    unclear = "".join(f"#  - {_comment(question)}\n" for question in draft.unclear) or "#  - nothing\n"
    pins = "".join(
        f"# {_comment(each.reference)}: {_comment(', '.join(f'{pin} {node}' for pin, node in each.pins))}\n"
        for each in connectors
    )
    types = "\n".join(
        f"[relay_types.{name}]  # {_comment(value)}: from its data sheet, not in the netlist\n"
        'coil = "1028 ohm"\ncontact = "50 mohm"\ncontact_max = "100 mohm"\n'
        for name, value in draft.types.items()
    )
    blocks = [
        "# A draft from a netlist: compare it with the circuit diagram.\n"
        f"# What could not be derived:\n{unclear}"
        + (f"# Connectors, by pin (fixture.toml may have them as [connectors]):\n{pins}" if pins else ""),
        f'[module]\nname = "{title}"\nchannels = [{listed}]\n',
        '[supply]                       # not in a netlist: put in what the relays need\nvoltage = "12 V"\n'
        'limit = "400 mA"\n',
        "[controls]\n" + "".join(f'{name} = "{_comment(node)}"\n' for name, node in draft.controls.items()),
        "[ports]\n" + "".join(f'{net} = "{role}"\n' for net, role in ports.items()),
        types,
        *draft.relays,
        *draft.parts,
    ]
    return "\n".join(block for block in blocks if block)


def _part_name(reference: str) -> str:
    plain = re.sub(r"[^A-Za-z0-9_-]", "_", reference)
    return plain if plain[:1].isalpha() else f"X{plain}"


def _comment(text: str) -> str:
    """A text that cannot end a comment or a string: printable, without quotes, not endless."""
    return re.sub(r'["\\]|[^ -~]', "?", text)[:300]
