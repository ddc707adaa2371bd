"""Which part is soldered to which node, as module.toml is read."""

from dataclasses import dataclass, field

from harness.job.located import Key
from harness.job.mistakes import Source
from harness.job.module import GROUND, Leg, node_name
from harness.job.names import Names


@dataclass
class Soldered:
    """What has been read of one module.toml so far: part names, and which node has what on it."""

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
        """Note that some state may connect two nodes; ground joins nothing."""
        if GROUND not in (a, b):
            self.joins.append((a, b))

    def take_name(self, name: str, key: Key) -> None:
        """Note a second part of the same name."""
        if name in self.part_names:
            line = self.source.located.line(self.part_names[name])
            self.source.wrong(key, f"{name} is already the name of the part at line {line}")
        else:
            self.part_names[name] = key
