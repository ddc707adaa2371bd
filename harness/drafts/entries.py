"""Relays and parts as the tables of module.toml that they become; those of two channels that are alike become
one table with `names`.
"""

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from harness.drafts.audio_nets import Contact, Node, TwoEnds
from harness.drafts.doubts import Doubts
from harness.job.module import GROUND, LEGS, Leg
from harness.units import format_value

_UNITS = {"resistor": "ohm", "capacitor": "F", "inductor": "H"}
WINDING = "100 mohm"


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One table: its part in one channel, or by `names` in each; channel None of a relay that serves several.

    lines: its keys but for the name. contacts: (channel, row) of a relay.
    """

    table: str
    channel: str | None
    name: str
    lines: tuple[str, ...]
    contacts: tuple[tuple[str, str], ...] = ()
    names: tuple[tuple[str, str], ...] = ()

    @property
    def alike(self) -> tuple[object, ...]:
        """What entries of two channels have in common that become one."""
        return self.table, self.lines, tuple(row for _, row in self.contacts)

    def text(self, *, one_channel: bool) -> str:
        """The table as module.toml has it; in a module with one channel none is named."""
        bare = bool(self.names) or one_channel
        head = [f"[[{self.table}]]"]
        if self.names:
            head.append("names = { " + ", ".join(f'{each} = "{name}"' for each, name in self.names) + " }")
        else:
            head.append(f'name = "{self.name}"')
        if self.channel is not None and not self.contacts and not bare:
            head.append(f'channel = "{self.channel}"')
        rows = [row if bare else f'channel = "{channel}", {row}' for channel, row in self.contacts]
        listed = ["contacts = [", *(f"  {{ {row} }}," for row in rows), "]"] if rows else []
        return "\n".join([*head, *self.lines, *listed, ""])


def paired(entries: Sequence[Entry], channels: Sequence[str]) -> list[Entry]:
    """The entries, with those that every channel has alike as one, in the order in which they came."""
    groups: dict[tuple[object, ...], dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
    for index, entry in enumerate(entries):
        if entry.channel is not None:
            groups[entry.alike][entry.channel].append(index)
    result: dict[int, Entry] = dict(enumerate(entries))
    for by_channel in groups.values():
        if len(channels) < 2 or {*by_channel} != {*channels} or len({*map(len, by_channel.values())}) > 1:
            continue
        for members in zip(*(by_channel[channel] for channel in channels), strict=True):
            names = tuple((channel, entries[i].name) for channel, i in zip(channels, members, strict=True))
            result[members[0]] = replace(entries[members[0]], names=names)
            for index in members[1:]:
                del result[index]
    return [result[index] for index in sorted(result)]


def part_name(reference: str) -> str:
    """A reference as module.toml takes it."""
    plain = re.sub(r"[^A-Za-z0-9_-]", "_", reference)
    return plain if plain[:1].isalpha() else f"X{plain}"


def contact_entries(
    contacts: Sequence[Contact], nodes: Mapping[str, Node], doubts: Doubts
) -> Iterator[tuple[str, str]]:
    """(channel, row) of one relay's contacts; two that are alike but for the leg become one."""
    shapes: dict[tuple[str, tuple[tuple[str, str], ...]], list[str]] = {}
    for contact in contacts:
        common = nodes[contact.common]
        owner = _owner([common, *(nodes[each] for each in contact.throws.values())])
        throws: list[tuple[str, str]] = []
        for throw, node_name in contact.throws.items():
            node = nodes[node_name]
            if node == common:
                doubts.note(f"contact {contact.number}: {throw} is on the same net as common", contact.relay)
            else:
                throws.append((throw, _net(node, owner, common.leg)))
        if throws:
            shape = (("common", _net(common, owner, common.leg)), *throws)
            shapes.setdefault((owner, shape), []).append(common.leg)
    for (channel, shape), legs in shapes.items():
        words = [f'{throw} = "{net}"' for throw, net in shape]
        if sorted(legs) == sorted(LEGS):
            yield channel, ", ".join(words)
        else:
            for leg in legs:
                yield channel, ", ".join([f'leg = "{leg}"', *words])


def _owner(nodes: Sequence[Node]) -> str:
    """The channel of a part: that of its first net that is of one channel."""
    own = [node for node in nodes if not node.is_ground and not node.is_shared]
    return (own or [node for node in nodes if not node.is_ground])[0].channel


def _net(node: Node, channel: str, leg: Leg) -> str:
    """A net beside a part's channel and leg: with its own channel and its own leg if they are others."""
    if node.is_ground:
        return GROUND
    before = f"{node.channel}." if node.is_shared or node.channel != channel else ""
    after = f".{node.leg}" if node.leg != leg else ""
    return f"{before}{node.net}{after}"


def part_entry(part: TwoEnds, nodes: Mapping[str, Node], doubts: Doubts) -> Entry | None:
    """The table of a part with two ends; None, and a doubt, if both are on one net."""
    ends = (nodes[part.a], nodes[part.b])
    a, b = sorted(ends, key=lambda node: (node.is_ground, node.is_shared))
    if a == b or a.is_ground:
        doubts.note("left out: both ends are on the same net", part.reference)
        return None
    channel = _owner((a, b))
    values = [f'value = "{written(part.value, _UNITS[part.kind])}"'] if part.value else []
    if part.tolerance is not None:
        values.append(f'tolerance = "{part.tolerance}"')
    if part.kind == "inductor":
        doubts.note(f"the winding's resistance is not in the netlist: taken as {WINDING}", part.reference)
        values.append(f'resistance = "{WINDING}"')
    lines = [f'leg = "{a.leg}"', *values]
    near, far = _net(a, channel, a.leg), _net(b, channel, a.leg)
    if b.is_ground:
        lines.insert(0, f'to_ground = "{near}"')
    elif (a.channel, a.net) == (b.channel, b.net):
        lines = [f'across = "{near}"', *values]
    else:
        lines.insert(0, f'series = ["{near}", "{far}"]')
    return Entry(table=part.kind, channel=channel, name=part_name(part.reference), lines=tuple(lines))


def written(value: float, unit: str) -> str:
    """A value as a keyboard has it: `4.7 kohm`, `100 pF`."""
    return format_value(value, unit, digits=6).replace("µ", "u")
