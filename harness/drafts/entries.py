"""Relays and parts as the tables of module.toml that they become; those of two channels that are alike become
one table with `names`.
"""

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from harness.drafts.audio_nets import Contact, Node, TwoEnds
from harness.drafts.doubts import Doubts
from harness.job.module import LEGS
from harness.units import format_value

_UNITS = {"resistor": "ohm", "capacitor": "F"}


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
        throws: list[tuple[str, str]] = []
        for throw, written in contact.throws.items():
            node = nodes[written]
            if not node.is_ground and node.channel != common.channel:
                doubts.note(
                    f"contact {contact.number} joins channels, {_full(common)} and {_full(node)}: its "
                    f"{throw} throw is left out",
                    contact.relay,
                )
            elif (node.net, node.leg) == (common.net, common.leg) and not node.is_ground:
                doubts.note(f"contact {contact.number}: {throw} is on the same net as common", contact.relay)
            else:
                other = not node.is_ground and node.leg != common.leg
                throws.append((throw, f"{node.net}.{node.leg}" if other else node.net))
        if throws:
            shape = (("common", common.net), *throws)
            shapes.setdefault((common.channel, shape), []).append(common.leg)
    for (channel, shape), legs in shapes.items():
        words = [f'{throw} = "{net}"' for throw, net in shape]
        if sorted(legs) == sorted(LEGS):
            yield channel, ", ".join(words)
        else:
            for leg in legs:
                yield channel, ", ".join([f'leg = "{leg}"', *words])


def part_entry(part: TwoEnds, nodes: Mapping[str, Node], doubts: Doubts) -> Entry | None:
    """The table of a resistor or capacitor; None, and a doubt, if module.toml has no place for it."""
    a, b = sorted((nodes[part.a], nodes[part.b]), key=lambda node: node.is_ground)
    value_text = written(part.value, _UNITS[part.kind])
    value = f'value = "{value_text}"'
    if a.is_ground or a == b:
        doubts.note("left out: both ends are on the same net", part.reference)
        return None
    leg = f'leg = "{a.leg}"'
    lines: tuple[str, ...]
    if b.is_ground:
        lines = (f'to_ground = "{a.net}"', leg, value)
    elif a.channel != b.channel:
        doubts.note(
            f"left out, as it joins channels: {part.kind} of {value_text} between {_full(a)} and {_full(b)}",
            part.reference,
        )
        return None
    elif a.net == b.net:
        lines = (f'across = "{a.net}"', value)
    elif a.leg == b.leg:
        lines = (f'series = ["{a.net}", "{b.net}"]', leg, value)
    else:
        doubts.note(
            f"left out, between {_full(a)} and {_full(b)}: no series, across or to_ground", part.reference
        )
        return None
    return Entry(table=part.kind, channel=a.channel, name=part_name(part.reference), lines=lines)


def written(value: float, unit: str) -> str:
    """A value as a keyboard has it: `4.7 kohm`, `100 pF`."""
    return format_value(value, unit, digits=6).replace("µ", "u")


def _full(node: Node) -> str:
    return f"{node.channel}.{node.net}.{node.leg}"
