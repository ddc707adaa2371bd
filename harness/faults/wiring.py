"""What faults of connectors, plugs and parts do to a circuit's wiring."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from harness.circuit.elements import Element, pin_name, terminal
from harness.circuit.expand import link_elements
from harness.job.faults import Fault
from harness.job.fixture import Fixture, Link
from harness.job.module import GROUND, LEGS, Module, node_name

SHORT_OHM = 0.02  # a blob of solder, a whisker: common practice, no source
OPEN_JOINT_F = 0.2e-12  # across a broken joint: common practice, no source


def edit_wiring(
    elements: Sequence[Element], fault: Fault, *, module: Module, fixture: Fixture
) -> list[Element]:
    """Apply a fault of connectors, plugs or parts; others leave the wiring as it is."""
    if fault.kind.startswith("link"):
        return _edit_link(elements, fault, module, fixture.links[fault.subject])
    if fault.kind.startswith("part"):
        return [_edit_part(element, fault) for element in elements]
    if fault.kind in ("leg open", "legs swapped", "channels swapped"):
        return _edit_joints(elements, fault, module)
    return [*elements, *_bridges(fault, module)]


def _edit_part(element: Element, fault: Fault) -> Element:
    if element.name != fault.subject or element.kind not in ("resistor", "capacitor"):
        return element
    factor = {"part tenfold": 10.0, "part a tenth": 0.1}.get(fault.kind, 1.0)
    if element.kind == "capacitor":
        farads = 0.0 if fault.kind == "part open" else factor * element.capacitance_f
        shorted = SHORT_OHM if fault.kind == "part shorted" else None
        return replace(element, capacitance_f=farads, resistance_ohm=shorted, capacitance_spread_f=0.0)
    ohm: float | None = None
    if fault.kind == "part shorted":
        ohm = SHORT_OHM
    elif fault.kind != "part open" and element.resistance_ohm is not None:
        ohm = factor * element.resistance_ohm
    return replace(element, resistance_ohm=ohm, resistance_spread_ohm=0.0)


def _nodes(fault: Fault, module: Module) -> list[list[str]]:
    """The nodes of a connector's fault: a row for each channel, a column for each leg."""
    channels = module.channels if fault.channel is None else (fault.channel,)
    legs = LEGS if fault.leg is None else (fault.leg,)
    return [[node_name(channel, fault.subject, leg) for leg in legs] for channel in channels]


def _edit_joints(elements: Sequence[Element], fault: Fault, module: Module) -> list[Element]:
    """Break a joint, or lead pairs of joints to each other's pins."""
    rows = _nodes(fault, module)
    if fault.kind == "leg open":
        name = f"connector {rows[0][0]}"
        return [
            replace(element, resistance_ohm=None, capacitance_f=OPEN_JOINT_F)
            if element.name == name
            else element
            for element in elements
        ]
    pairs = rows if fault.kind == "legs swapped" else list(zip(*rows, strict=True))
    ends = {element.name: element.b for element in elements if element.kind == "connector"}
    exchanged: dict[str, str] = {}
    for one, other in pairs:
        first, second = f"connector {one}", f"connector {other}"
        exchanged[first], exchanged[second] = ends[second], ends[first]
    return [
        replace(element, b=exchanged[element.name]) if element.name in exchanged else element
        for element in elements
    ]


def _bridges(fault: Fault, module: Module) -> Iterator[Element]:
    """Solder between pins, or from a pin to ground."""
    rows = _nodes(fault, module) if fault.kind in ("leg grounded", "legs shorted", "channels bridged") else []
    pins = [pin_name(node) for row in rows for node in row]
    if pins:
        a, b = (pins[0], GROUND) if fault.kind == "leg grounded" else (pins[0], pins[1])
        yield Element(
            name=f"short {fault.name}", part=fault.name, kind="resistor", a=a, b=b, resistance_ohm=SHORT_OHM
        )


def _edit_link(elements: Sequence[Element], fault: Fault, module: Module, link: Link) -> list[Element]:
    """Put another plug, or none, where a link's elements stand."""
    channels = module.channels if fault.channel is None else (fault.channel,)
    starts = tuple(f"{link.name} {channel}." for channel in channels)
    ours = [e for e in elements if e.kind == "link" and e.name.startswith(starts)]
    if not ours:
        return list(elements)
    others = [element for element in elements if element not in ours]
    match fault.kind:
        case "link straight":
            straight = replace(link, legs=None, pad_db=None)
            return [*others, *link_elements(replace(module, channels=tuple(channels)), straight)]
        case "link legs swapped":
            return [*others, *_crossed(ours, module, channels, link)]
        case "link channels swapped":
            legs = link.legs or {}
            one, other = channels
            exchanged = replace(link, legs={one: legs[other], other: legs[one]})
            return [*others, *link_elements(module, exchanged)]
        case _:
            return others


def _crossed(
    ours: Sequence[Element], module: Module, channels: Sequence[str], link: Link
) -> Iterator[Element]:
    """The same plug with its return's hot and cold pin exchanged."""
    other: dict[str, str] = {}
    for channel in channels:
        hot, cold = (terminal(module, channel, link.to_net, leg) for leg in LEGS)
        other |= {hot: cold, cold: hot}
    for element in ours:
        yield replace(element, a=other.get(element.a, element.a), b=other.get(element.b, element.b))
