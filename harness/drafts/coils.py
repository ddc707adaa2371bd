"""Which end of each coil is the supply, and which control line is on the other."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.drafts.doubts import Doubts
from harness.drafts.netlist import NetPart
from harness.drafts.node_names import Named, is_ground, is_supply, plain_name, volts_of
from harness.job.state import IDLE, UNPOWERED

_RESERVED = (IDLE, UNPOWERED, "all")
USUAL_V = 12.0
USUAL_W = 0.14  # of a signal relay's coil: from memory, as no netlist has it


@dataclass(frozen=True, kw_only=True)
class Coils:
    """controls: each relay's control lines by the netlist's nodes, one, or that which sets and that which
    resets. titles: control line's name to what it is called in the netlist. names: its name by its node.
    """

    controls: Mapping[str, tuple[str, ...]]
    supplies: tuple[str, ...]
    names: Mapping[str, str]
    titles: Mapping[str, str]


def read_coils(parts: Sequence[NetPart], named: Mapping[str, Named], doubts: Doubts) -> Coils:
    """Read the control lines of all relays."""
    relays = [part for part in parts if part.kind == "relay" and part.coil_ends]
    uses = Counter(node for relay in relays for ends in relay.coil_ends for node in set(ends))
    coils = sum(len(relay.coil_ends) for relay in relays)
    controls: dict[str, tuple[str, ...]] = {}
    supplies: Counter[str] = Counter()
    for relay in relays:
        decided = [_supply_end(relay.reference, ends, uses, coils, doubts) for ends in relay.coil_ends]
        if None in decided:
            continue
        ends_of = list(zip(relay.coil_ends, decided, strict=True))
        controls[relay.reference] = tuple(b if supply == a else a for (a, b), supply in ends_of)
        supplies.update(supply for _, supply in ends_of if supply is not None)
    names, titles = _names(controls, parts, named, doubts)
    by_use = [node for node, _ in supplies.most_common()]
    return Coils(controls=controls, supplies=tuple(by_use), names=names, titles=titles)


def _supply_end(
    relay: str, ends: tuple[str, str], uses: Mapping[str, int], coils: int, doubts: Doubts
) -> str | None:
    """The coil's end on the supply; None if both ends are."""
    a, b = ends
    rails = [node for node in ends if is_supply(node)]
    if a == b:
        doubts.note(f"both ends of its coil are on {a}: left out", relay)
        return None
    if len(rails) == 1:
        return rails[0]
    if len(rails) == 2 and is_ground(a) != is_ground(b):
        switched = b if is_ground(a) else a  # a rail by its name that may be a control line
        if uses[switched] < coils or coils == 1:
            doubts.note(f"its coil is between {a} and {b}: {switched} taken as its control line", relay)
            return a if switched == b else b
        doubts.note(f"its coil is between {a} and {b}, as all are: no control line, left out", relay)
        return None
    if uses[a] != uses[b]:
        supply = a if uses[a] > uses[b] else b
        if not rails:
            doubts.note(f"on {uses[supply]} of {coils} coils, so taken as the relay supply", supply)
        return supply
    doubts.note(f"its coil is between {a} and {b}: {a} taken as the control line, {b} as the supply", relay)
    return b


def _names(
    controls: Mapping[str, tuple[str, ...]],
    parts: Sequence[NetPart],
    named: Mapping[str, Named],
    doubts: Doubts,
) -> tuple[dict[str, str], dict[str, str]]:
    names: dict[str, str] = {}
    titles: dict[str, str] = {}
    for relay, nodes in controls.items():
        for node in nodes:
            if node in names:
                continue
            title = node
            if named[node].nameless:
                title = _driver(node, parts, named) or f"{relay} coil"
                doubts.note(f"a control line without a name: called after {title}", node)
            name = plain_name(title.rsplit("/", 1)[-1])
            name = f"{name}_line" if name in _RESERVED else name
            if name in titles:
                name = plain_name(title)
            number, free = 2, name
            while free in titles:
                free, number = f"{name}_{number}", number + 1
            names[node], titles[free] = free, title
    return names, titles


def _driver(node: str, parts: Sequence[NetPart], named: Mapping[str, Named]) -> str | None:
    """The named net that drives a coil's net: beyond a transistor, and perhaps a resistor."""

    def has_name(far: str) -> bool:
        return not named[far].nameless and not is_supply(far)

    for transistor in (part for part in parts if part.kind == "transistor" and node in part.nodes):
        others = [far for far in transistor.nodes if far != node and not is_supply(far)]
        for far in others:
            if has_name(far):
                return far
        for part in parts:
            if part.kind == "resistor" and set(part.nodes) & set(others):
                for far in part.nodes:
                    if far not in others and has_name(far):
                        return far
    return None


def supply_volts(supplies: Sequence[str], types: Sequence[str], doubts: Doubts) -> tuple[float, str]:
    """The relay supply's voltage, and where it is written: in the name of the coils' net, else of a relay."""
    by_net = [(volts, node) for node in supplies if (volts := volts_of(node)) is not None]
    by_part = [(volts, name) for name in types if (volts := volts_of(name)) is not None]
    found = [*by_net, *by_part]
    if not found:
        doubts.note(f"no voltage in the names of nets and relays: the relay supply taken as {USUAL_V:g} V")
        return USUAL_V, "not in the netlist: put in what the relays need"
    if differing := sorted({volts for volts, _ in found} - {found[0][0]}):
        others = ", ".join(f"{volts:g} V" for volts in differing)
        doubts.note(
            f"{found[0][1]} tells {found[0][0]:g} V, but other names {others}: which coils are fitted?"
        )
    return found[0][0], f"from the name {found[0][1]}"
