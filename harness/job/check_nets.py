"""Nets, ports and lines that something in module.toml must use, and nothing does."""

from collections import Counter
from collections.abc import Iterable

from harness.job.located import Key
from harness.job.mistakes import Source
from harness.job.module import LEGS, node_name
from harness.job.names import Names, nearest
from harness.job.soldered import Soldered


def check_lines_used(source: Source, names: Names) -> None:
    """Note every line that is no relay's; a misspelt line elsewhere is reported there and not again here."""
    used = set()
    for value in source.entries("relay"):
        if not isinstance(value, dict) or not {"line", "set_line", "reset_line"} & value.keys():
            return  # that relay is told of already, and its line may be any
        used |= {str(value[which]) for which in ("line", "set_line", "reset_line") if which in value}
    meant = {nearest(line, names.lines) for line in used if line not in names.lines}
    for line in names.lines:
        if line not in used and line not in meant:
            source.wrong(("lines", line), "no relay uses this line; expected it as the line of a [[relay]]")


def check_nets(soldered: Soldered) -> bool:
    """Note every net that only one thing is soldered to and that is no port; tells whether there was none."""
    count = Counter(node for node, _, _ in soldered.attached)
    nets = {net for _, net, _ in soldered.attached} | set(soldered.names.ports)
    lonely: dict[str, Key] = {}
    for node, net, key in soldered.attached:
        if count[node] == 1 and net not in soldered.names.ports:
            lonely.setdefault(net, key)
    for net, key in lonely.items():
        guess = nearest(net, sorted(nets - set(lonely)))
        hint = f"; did you mean {guess}?" if guess else ""
        soldered.source.wrong(key, f"nothing else is on net {net}, and it is no port{hint}")
    return not lonely


def check_ports(soldered: Soldered) -> None:
    """Note every port that nothing is soldered to, and every output or send that no state can drive."""
    names, source = soldered.names, soldered.source
    attached = {node for node, _, _ in soldered.attached}
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
            reached = _reached(starts, soldered.joins)
            if undriven := [node for node in nodes if node not in reached]:
                source.wrong(
                    ("ports", net),
                    f"nothing drives {', '.join(undriven)}: no contact or part leads there from an input",
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
