"""What a fault does to the wiring: to parts, joints, plugs and amplifiers, and what it bridges."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from harness.circuit.elements import AmplifierLeg, Element, pin_name, swapped, terminal, with_value
from harness.circuit.expand import loopback_elements
from harness.job.faults import Fault
from harness.job.fixture import Fixture, Loopback
from harness.job.module import GROUND, LEGS, WINDINGS, Module, node_name

SHORT_OHM = 0.02  # a blob of solder, a whisker: common practice, no source
OPEN_JOINT_F = 0.2e-12  # across a broken joint: common practice, no source
PARTS = ("resistor", "capacitor", "link", "inductor", "winding")  # kinds of elements that fail as parts do


def edit_wiring(
    elements: Sequence[Element], fault: Fault, *, module: Module, fixture: Fixture
) -> list[Element]:
    """Apply a fault of connectors, plugs or parts; others leave the wiring as it is."""
    if fault.kind.startswith("loopback"):
        return _edit_loopback(elements, fault, module, fixture.loopbacks[fault.subject])
    if fault.kind == "parts swapped":
        return swapped(elements, fault.subject, fault.other or "")
    if fault.kind.startswith("part") or fault.kind == "winding open":
        return [_edit_part(element, fault) for element in elements]
    if fault.kind == "transformer left out":
        windings = [
            replace(fault, kind="winding open", subject=f"{fault.subject}.{each}") for each in WINDINGS
        ]
        return [_edit_part(_edit_part(element, windings[0]), windings[1]) for element in elements]
    if fault.kind in ("leg open", "legs swapped", "channels swapped"):
        return _edit_joints(elements, fault, module)
    return [*elements, *_bridges(fault, module)]


def amplifiers_with(legs: tuple[AmplifierLeg, ...], fault_set: tuple[Fault, ...]) -> tuple[AmplifierLeg, ...]:
    """Amplifiers' output legs; one that is dead has its output resistance alone, to ground."""
    dead = {fault.subject for fault in fault_set if fault.kind == "amplifier dead"}
    if not dead:
        return legs
    return tuple(
        replace(leg, gain_hot=0.0, gain_cold=0.0)
        if leg.part in dead or f"{leg.part}.{'hot' if leg.is_hot else 'cold'}" in dead
        else leg
        for leg in legs
    )


def _edit_part(element: Element, fault: Fault) -> Element:
    if element.name != fault.subject or element.kind not in PARTS:
        return element
    if fault.value is not None:
        return with_value(element, fault.value)
    factor = {"part tenfold": 10.0, "part a tenth": 0.1}.get(fault.kind, 1.0)
    if element.kind == "capacitor":
        farads = 0.0 if fault.kind in ("part open", "part left out") else factor * element.capacitance_f
        shorted = SHORT_OHM if fault.kind == "part shorted" else None
        return replace(element, capacitance_f=farads, resistance_ohm=shorted, capacitance_spread_f=0.0)
    if element.inductance_h and fault.kind in ("part tenfold", "part a tenth"):
        return replace(element, inductance_h=factor * element.inductance_h, inductance_spread_h=0.0)
    ohm: float | None = None
    if fault.kind == "part shorted":
        ohm = SHORT_OHM
    elif factor != 1.0 and element.resistance_ohm is not None:
        ohm = factor * element.resistance_ohm
    return replace(
        element, resistance_ohm=ohm, resistance_spread_ohm=0.0, inductance_h=0.0, inductance_spread_h=0.0
    )


def _channels(fault: Fault, module: Module) -> tuple[str, ...]:
    """The channels that a fault is of; all if it names none."""
    return module.channels if fault.channel is None else tuple(filter(None, (fault.channel, fault.other)))


def _nodes(fault: Fault, module: Module) -> list[list[str]]:
    """The nodes of a connector's fault: a row for each channel, a column for each leg."""
    channels = _channels(fault, module)
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
    swapped: dict[str, str] = {}
    for first, second in ((f"connector {one}", f"connector {other}") for one, other in pairs):
        swapped[first], swapped[second] = ends[second], ends[first]
    return [
        replace(element, b=swapped[element.name]) if element.name in swapped else element
        for element in elements
    ]


def _bridges(fault: Fault, module: Module) -> Iterator[Element]:
    """Solder between pins or nets, from one to ground, or across a winding."""
    rows = _nodes(fault, module) if fault.kind in ("leg grounded", "legs shorted", "channels bridged") else []
    ends = [pin_name(node) for row in rows for node in row]
    if fault.kind == "leg grounded":
        ends.append(GROUND)
    if fault.kind == "nets bridged" and fault.other is not None:
        ends += [fault.subject, fault.other]
    for transformer in module.transformers if fault.kind == "winding shorted" else ():
        for winding in WINDINGS:
            if fault.subject == f"{transformer.name}.{winding}":
                ends += transformer.ends(winding)
    if ends:
        a, b = ends
        yield Element(
            name=f"short {fault.name}", part=fault.name, kind="resistor", a=a, b=b, resistance_ohm=SHORT_OHM
        )


def _edit_loopback(
    elements: Sequence[Element], fault: Fault, module: Module, loopback: Loopback
) -> list[Element]:
    """Put another plug, or none, where a loopback's elements stand."""
    channels = _channels(fault, module)
    starts = tuple(f"{loopback.name} {channel}." for channel in channels)
    ours = [e for e in elements if e.kind == "loopback" and e.name.startswith(starts)]
    if not ours:
        return list(elements)
    others = [element for element in elements if element not in ours]
    match fault.kind:
        case "loopback straight":
            straight = replace(loopback, legs=None, pad_db=None)
            return [*others, *loopback_elements(replace(module, channels=tuple(channels)), straight)]
        case "loopback legs swapped":
            return [*others, *_crossed(ours, module, channels, loopback)]
        case "loopback channels swapped":
            legs = loopback.legs or {}
            one, other = channels
            swapped = replace(loopback, legs={one: legs[other], other: legs[one]})
            return [*others, *loopback_elements(replace(module, channels=tuple(channels)), swapped)]
        case _:
            return others


def _crossed(
    ours: Sequence[Element], module: Module, channels: Sequence[str], loopback: Loopback
) -> Iterator[Element]:
    """The same plug with its return's hot and cold pin swapped."""
    other: dict[str, str] = {}
    for channel in channels:
        hot, cold = (terminal(module, channel, loopback.to_net, leg) for leg in LEGS)
        other |= {hot: cold, cold: hot}
    for element in ours:
        yield replace(element, a=other.get(element.a, element.a), b=other.get(element.b, element.b))
