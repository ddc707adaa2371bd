"""Which part is on which node, and which nets, ports and lines of a module are left without one."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from harness.errors import nearest
from harness.job.module import GROUND, LEGS, Leg, node_name
from harness.job.module_file import ModuleFile, Names
from harness.toml_files.located import Key
from harness.toml_files.messages import did_you_mean
from harness.toml_files.source import Source


@dataclass
class Nets:
    """What has been read of one module.toml so far: which node has what on it, and what may connect nodes.

    complete: whether every end of every part is known; else nothing can be said of what a net lacks.
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


def check_lines_used(source: Source, file: ModuleFile) -> None:
    """Note every line that is no relay's; a misspelt line elsewhere is reported there and not again here."""
    used: set[str | None] = set()
    for relay in file.relay:
        if {relay.line, relay.set_line, relay.reset_line} == {None}:
            return  # that relay is told of already, and its line may be any
        used |= {relay.line, relay.set_line, relay.reset_line}
    if not file.relay or "" in used:
        return
    meant = {nearest(line, file.lines) for line in used if line is not None and line not in file.lines}
    for line in file.lines:
        if line not in used and line not in meant:
            source.wrong(("lines", line), "no relay uses this line; expected it as the line of a [[relay]]")


def check_nets(nets: Nets) -> None:
    """Note every net that only one thing is on and that is no port, then what such nets don't explain: every
    port that nothing is on, and every output or send that no state can drive.
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
    """Note every net that only one thing is on; gives the net that each is probably meant to be."""
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
    """Every node that some state can drive; None where that cannot be told."""
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
