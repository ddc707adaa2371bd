"""Which nets of a netlist carry audio, and as which channel, net and leg module.toml has each.

Where a name tells no channel or no leg, what the net connects to does: contacts before resistors and
capacitors, the nearest first. Two nets without such names that lie in the same place of two legs or channels
become one net's legs.
"""

from collections import Counter, defaultdict
from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from harness.drafts.doubts import Doubts
from harness.drafts.node_names import Named, is_ground, tell_apart
from harness.job.module import GROUND, Leg

USUAL_CHANNEL = "mono"
_ROUNDS = 6  # of telling nets apart by what is around them; a relay module's routes are not longer
_ORDER = ("left", "right")

Pairs = Sequence[tuple[str, str]]
Label = TypeVar("Label", bound=Hashable)


@dataclass(frozen=True, kw_only=True)
class Contact:
    """A contact of a relay, by the names of the nodes in the netlist; None for a throw that is not wired."""

    relay: str
    controls: tuple[str, ...]
    number: str
    common: str
    released: str | None
    operated: str | None

    @property
    def throws(self) -> dict[str, str]:
        """The node on each throw that is wired."""
        both = {"released": self.released, "operated": self.operated}
        return {throw: node for throw, node in both.items() if node is not None}


@dataclass(frozen=True, kw_only=True)
class TwoEnds:
    """A resistor, capacitor, inductor or link between two nodes of the netlist; value in ohms, farads or
    henry, 0 for a link; tolerance as module.toml has it, if the netlist tells it.
    """

    reference: str
    kind: str
    value: float
    tolerance: str | None
    a: str
    b: str


@dataclass(frozen=True, kw_only=True)
class Node:
    """A node as module.toml has it. is_shared: whether it is of no channel, and the first's only by name."""

    channel: str
    net: str
    leg: Leg
    is_shared: bool = False

    @property
    def is_ground(self) -> bool:
        """Whether it is pin 1."""
        return self.net == GROUND


def audio_nodes(contacts: Iterable[Contact], parts: Iterable[TwoEnds], starts: Iterable[str]) -> set[str]:
    """Every node that contacts, resistors and capacitors join to a contact or to one of `starts`."""
    reached = {node for each in contacts for node in (each.common, *each.throws.values())} | set(starts)
    reached = {node for node in reached if not is_ground(node)}
    beside = _beside([(part.a, part.b) for part in parts])
    waiting = list(reached)
    while waiting:
        fresh = beside[waiting.pop()] - reached
        reached |= fresh
        waiting += fresh
    return reached


def placed(
    nodes: Collection[str],
    named: Mapping[str, Named],
    contacts: Sequence[Contact],
    parts: Sequence[TwoEnds],
    doubts: Doubts,
) -> dict[str, Node]:
    """Channel, net and leg of every node that carries audio."""
    order = [node for node in named if node in nodes]
    made = [(each.common, node) for each in contacts for node in each.throws.values()]
    joined = [(part.a, part.b) for part in parts]
    legs = {node: leg for node in order if (leg := named[node].leg) is not None}
    channels = {node: channel for node in order if (channel := named[node].channel) is not None}
    unsaid = [node for node in order if node not in legs or (channels and node not in channels)]
    legs, no_leg = _spread(legs, order, made, joined)
    listed = sorted(set(channels.values()), key=lambda name: (name not in _ORDER, name)) or [USUAL_CHANNEL]
    shared: list[str] = []
    if channels:
        channels, unclear = _spread(channels, order, made, joined)
        shared = [node for node in unclear if node in channels]
    if inferred := [node for node in unsaid if node not in no_leg]:
        doubts.note("no channel or leg in the name, so taken from what the net connects to", *inferred)
    if no_leg:
        doubts.note(
            "no leg in the name: taken as hot alone; expected names such as left.out.hot and left.out.cold",
            *no_leg,
        )
    net_of = _nets(order, named, contacts, parts, channels, legs)
    channels |= dict.fromkeys(shared, listed[0])
    nets = {node: (channels.get(node, listed[0]), net_of[node], legs.get(node, "hot")) for node in order}
    apart = tell_apart(nets)
    if changed := [node for node in order if apart[node] != nets[node][1]]:
        doubts.note("two nets of one name: told apart by their sheet or a number", *changed)
    if shared:
        doubts.note(f"shared by the channels, so written as a net of {listed[0]}", *shared)
    return {
        node: Node(channel=channel, net=apart[node], leg=leg, is_shared=node in shared)
        for node, (channel, _, leg) in nets.items()
    }


def _spread(
    own: Mapping[str, Label], nodes: Sequence[str], made: Pairs, joined: Pairs
) -> tuple[dict[str, Label], list[str]]:
    """Labels of all nodes: their own, else those of the nearest that have one, through contacts as far as
    they lead before through parts. Also the nodes that are as near to two labels, or to none.
    """
    labels = dict(own)
    unclear: dict[str, None] = {}
    steps = [_beside(made), _beside(joined)]
    level = 0
    while level < len(steps):
        found: dict[str, set[Label]] = defaultdict(set)
        for node in nodes:
            if node not in labels:
                found[node].update(labels[far] for far in steps[level][node] if far in labels)
        fresh = {node: near for node, near in found.items() if near}
        for node, near in fresh.items():
            labels[node] = sorted(near, key=str)[0] if len(near) > 1 else next(iter(near))
            if len(near) > 1:
                unclear[node] = None
        level = 0 if fresh else level + 1
    return labels, [*unclear, *(node for node in nodes if node not in labels)]


def _beside(pairs: Pairs) -> dict[str, set[str]]:
    beside: dict[str, set[str]] = defaultdict(set)
    for a, b in pairs:
        if not is_ground(a) and not is_ground(b):
            beside[a].add(b)
            beside[b].add(a)
    return beside


def _nets(
    nodes: Sequence[str],
    named: Mapping[str, Named],
    contacts: Sequence[Contact],
    parts: Sequence[TwoEnds],
    channels: Mapping[str, str],
    legs: Mapping[str, Leg],
) -> dict[str, str]:
    """The net of every node; nodes whose name tells no leg are of one net if all around them is alike."""
    result = {node: named[node].net for node in nodes if named[node].leg is not None}
    taken = set(result.values())
    alike: dict[int, list[str]] = defaultdict(list)
    for node, sign in _signs(nodes, named, contacts, parts).items():
        if node not in result:
            alike[sign].append(node)
    for group in alike.values():
        seen: Counter[tuple[str | None, str | None]] = Counter()
        names: dict[int, str] = {}
        for node in group:
            place = (channels.get(node), legs.get(node))
            number = seen[place]
            seen[place] += 1
            if number not in names:
                names[number] = _free(named[node].net, taken)
                taken.add(names[number])
            result[node] = names[number]
    return result


def _free(net: str, taken: Collection[str]) -> str:
    number, free = 2, net
    while free in taken:
        free, number = f"{net}_{number}", number + 1
    return free


def _signs(
    nodes: Sequence[str], named: Mapping[str, Named], contacts: Sequence[Contact], parts: Sequence[TwoEnds]
) -> dict[str, int]:
    """A number for each node, the same for nodes that have the same parts around them, and so on outwards
    (colour refinement: Weisfeiler and Leman, 1968, from memory).
    """
    around: dict[str, list[tuple[Hashable, str]]] = defaultdict(list)
    for each in contacts:
        ends = {"common": each.common, **each.throws}
        for mine, node in ends.items():
            for other, far in ends.items():
                if other != mine:
                    around[node].append((("contact", each.controls, mine, other), far))
    for part in parts:
        for near, far in ((part.a, part.b), (part.b, part.a)):
            around[near].append(((part.kind, f"{part.value:.6g}"), far))
    numbers: dict[Hashable, int] = {}

    def number(label: Hashable) -> int:
        return numbers.setdefault(label, len(numbers))

    ground = number("ground")
    signs = {node: number(("net", named[node].net if named[node].leg else "")) for node in nodes}
    for _ in range(_ROUNDS):
        signs = {
            node: number(
                (
                    signs[node],
                    tuple(sorted((number(how), signs.get(far, ground)) for how, far in around[node])),
                )
            )
            for node in nodes
        }
    return signs
