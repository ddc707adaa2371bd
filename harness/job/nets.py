"""What is on each net of a module.toml as it is read, and which parts may join nets: nets, ports and channels
that something is missing from.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from harness.errors import nearest
from harness.job.module import GROUND, LEGS, Leg, Names, node_name
from harness.job.part_entries import NamedEntry
from harness.toml_files.located import Key
from harness.toml_files.messages import did_you_mean, unknown
from harness.toml_files.source import Source


@dataclass(frozen=True, kw_only=True)
class End:
    """Where a part ends, as a file has it: `bus`, `left.bus`, `bus.cold`, `left.bus.cold`."""

    channel: str | None
    net: str
    leg: Leg | None

    @classmethod
    def of(cls, text: str) -> "End":
        """Split what a file has; a net alone is of the part's own channel and leg."""
        leg: Leg | None = None
        for named in LEGS:
            if text.endswith(f".{named}"):
                text, leg = text.removesuffix(f".{named}"), named
        channel, _, net = text.rpartition(".")
        return cls(channel=channel or None, net=net, leg=leg)

    @property
    def is_placed(self) -> bool:
        """Whether it says by itself in which channel it is; the ground is in all."""
        return self.channel is not None or self.net == GROUND


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
    grounded: set[str] = field(default_factory=set)  # nodes that a link joins to ground
    complete: bool = True

    def attach(self, channel: str, net: str, leg: Leg, key: Key) -> str:
        """Note that something is on a leg of a net, and return that node's name."""
        node = node_name(channel, net, leg)
        if not net or not self.source.reads(*key):
            self.complete = False
        elif net != GROUND:
            self.attached.append((node, net, key))
        return node

    def attach_end(self, end: str, channel: str, leg: Leg, key: Key) -> str:
        """The same of an end that may have a channel or a leg of its own."""
        its = End.of(end)
        if its.channel is not None:
            if self.names.channels and its.channel not in self.names.channels:
                self.complete = False
                self.source.wrong(
                    key,
                    f'found "{end}"; expected a net, with one of {", ".join(self.names.channels)} before '
                    'it for that of a channel, or its leg as in "bus.cold"',
                )
            channel = its.channel
        return self.attach(channel, its.net, its.leg or leg, key)

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


def check_nets(nets: Nets) -> None:
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
        legs = LEGS if net not in names.unbalanced else LEGS[:1]
        its = [channel for channel in names.channels if names.has_port(channel, net)]
        nodes = [node_name(channel, net, leg) for channel in its for leg in legs]
        if loose := [node for node in nodes if node not in attached]:
            source.wrong(("ports", net), f"nothing in the module is connected to {', '.join(loose)}")
        elif (
            role in ("output", "send")
            and reached is not None
            and not reached.union(nets.grounded).issuperset(nodes)
        ):
            undriven = ", ".join(node for node in nodes if node not in reached | nets.grounded)
            source.wrong(
                ("ports", net), f"nothing drives {undriven}: no contact or part leads there from an input"
            )


def _check_lonely(nets: Nets) -> dict[str, str | None]:
    """Note every net with only one part on it; returns the net that each is probably meant to be."""
    count = Counter(node for node, _, _ in nets.attached)
    ports = nets.names.ports
    lonely: dict[str, Key] = {}
    for node, net, key in nets.attached:
        if count[node] == 1 and not (net in ports and nets.names.has_port(node.split(".")[0], net)):
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
        if names.has_port(channel, net)
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


def owners(nets: Nets, entry: NamedEntry, key: Key, ends: Iterable[str]) -> Iterator[tuple[str | None, str]]:
    """The channel and the name of each part that one entry stands for; channel None serves every one.

    ends: its nets as the file has them. A channel without one of them, a port, needs no part.
    """
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
            channel = known_channel(nets, written, name_key, absent)
            if channel in absent:
                absent.remove(channel)
            nets.take_name(name, name_key)
            if channel:
                yield channel, name
        own = [end.net for end in map(End.of, ends) if end.channel is None]
        absent = [channel for channel in absent if all(nets.names.has_net(channel, net) for net in own)]
        if absent:
            nets.complete = False
            source.wrong((*key, "names"), f"no part for channel {', '.join(absent)}")


def known_channel(nets: Nets, written: str, key: Key, meant: Sequence[str]) -> str | None:
    """A channel as it is written, or the one of `meant` that is most like it; notes one that is unknown."""
    channels = nets.names.channels
    if not channels or written in channels:
        return written or None
    nets.source.wrong(key, unknown("channel", written, channels, where="module"))
    channel = nearest(written, meant)
    nets.complete = nets.complete and channel is not None
    return channel


def channel_of(
    nets: Nets, of_names: str | None, own: str | None, ends: Sequence[str], key: Key
) -> str | None:
    """The channel of a part's ends that name none: from `names`, its own `channel`, or the module's only one.

    Of a part whose ends all name theirs, that of the first.
    """
    channels = nets.names.channels
    if ends and all(End.of(end).is_placed for end in ends):
        given = "names" if of_names is not None else "channel" if own is not None else ""
        if given:
            nets.source.wrong(
                (*key, given),
                "every end names its channel, so this is one part; expected name, without names or channel",
            )
        placed = (End.of(end).channel for end in ends)
        return next(filter(None, placed), next(iter(channels), None))
    if of_names is not None:
        if own is not None:
            nets.source.wrong(
                (*key, "channel"), "names already gives the channel; expected channel only beside name"
            )
        return of_names
    if own is not None:
        return known_channel(nets, own, (*key, "channel"), channels)
    if len(channels) == 1:
        return channels[0]
    nets.complete = False
    if channels:
        nets.source.wrong((*key, "channel"), f"missing; expected one of {', '.join(channels)}", missing=True)
    return None
