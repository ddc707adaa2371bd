"""Leads on wrong pins: which there can be in a setup, and the circuit that each of them makes.

A lead is told by what it comes from (the generator, or an input of the scope) and by the pin that it belongs
on, so that one slip is the same in every setup that uses this pin.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

from harness.circuit.elements import JOINT_OHM, WINDING, Circuit, Element, pin_name, resistor
from harness.job.fixture import PortName, Setup
from harness.job.module import GROUND, LEGS, Module

End = Literal["generator", "input"]
Pins = tuple[str, ...]
"""Where a lead is: on no pin, on one, or on several, which it joins. `ground` is pin 1 of any connector."""


@dataclass(frozen=True, kw_only=True, order=True)
class Lead:
    """A lead of the generator or of a scope input, and the leg of a port (`left.out.hot`) it belongs on."""

    end: End
    pin: str


@dataclass(frozen=True, kw_only=True)
class Slip:
    """Leads that are elsewhere than on their pins, each with the pins that it is on."""

    places: tuple[tuple[Lead, Pins], ...]

    @property
    def leads(self) -> tuple[Lead, ...]:
        """The leads that slipped."""
        return tuple(lead for lead, _ in self.places)


def leads_of(setup: Setup) -> tuple[Lead, ...]:
    """Every lead of a setup: the generator's two, then the inputs' in the order of the viewed legs."""
    driven = () if setup.drive is None else (setup.drive,)
    return (
        *(Lead(end="generator", pin=f"{port}.{leg}") for port in driven for leg in LEGS),
        *(Lead(end="input", pin=f"{port}.{leg}") for port in setup.view for leg in LEGS),
    )


def ports_of(module: Module) -> tuple[PortName, ...]:
    """Every port of every channel."""
    return tuple(
        PortName(channel=channel, net=port.net)
        for channel in module.channels
        for port in module.ports
        if port.is_in(channel)
    )


def pins_of(module: Module) -> Pins:
    """Every leg of every port, where a lead can be."""
    return tuple(f"{port}.{leg}" for port in ports_of(module) for leg in LEGS)


def possible_slips(module: Module, setup: Setup) -> tuple[Slip, ...]:
    """What hands, or a wire that comes loose, can make of a setup's leads; each differs from all others.

    A lead off, on another pin, or that shorts its pin to ground or to the other leg; two leads of a kind
    exchanged; both of a port off, or on another port; all inputs' leads one pin further.
    """
    leads, pins = leads_of(setup), pins_of(module)
    inputs = [lead for lead in leads if lead.end == "input"]
    pairs = [leads[first : first + 2] for first in range(0, len(leads), 2)]
    result: list[Slip] = [
        Slip(places=((lead, places),))
        for lead in leads
        for places in ((), (lead.pin, GROUND), *((pin,) for pin in pins if pin != lead.pin))
    ]
    for hot, cold in pairs:
        result.append(Slip(places=((hot, (hot.pin, cold.pin)),)))
        result.append(Slip(places=((hot, ()), (cold, ()))))
        result += [
            Slip(places=((hot, (pins[first],)), (cold, (pins[first + 1],))))
            for first in range(0, len(pins), 2)
            if pins[first] != hot.pin
        ]
    exchangeable = [(one, other) for one, other in combinations(leads, 2) if one.end == other.end]
    result += [Slip(places=((one, (other.pin,)), (other, (one.pin,)))) for one, other in exchangeable]
    result += _shifted(inputs)
    return tuple(dict.fromkeys(result))


def _shifted(inputs: list[Lead]) -> Iterator[Slip]:
    """All inputs' leads one pin on or back: the last on the first one's pin, or on none."""
    if len(inputs) < 3:
        return
    for way in (1, -1):
        onto: list[Pins] = [(inputs[(index + way) % len(inputs)].pin,) for index in range(len(inputs))]
        yield Slip(places=tuple(zip(inputs, onto, strict=True)))
        onto[-1 if way == 1 else 0] = ()
        yield Slip(places=tuple(zip(inputs, onto, strict=True)))
    if len(inputs) > 3:  # the ports' plugs, one on
        yield Slip(
            places=tuple((lead, (inputs[(i + 2) % len(inputs)].pin,)) for i, lead in enumerate(inputs))
        )


def slipped(circuit: Circuit, setup: Setup, slip: Slip) -> Circuit:
    """The circuit of a setup, as `build_wiring` or a state makes it, with its leads as in a slip.

    Leads of the slip that the setup does not have are left out.
    """
    rows = {lead.pin: row for row, lead in enumerate(x for x in leads_of(setup) if x.end == "input")}
    view, generator = list(circuit.view), list(circuit.generator)
    moved: dict[str, str] = {}  # by the name of an element, its new far end
    joints: list[Element] = []
    for lead, pins in slip.places:
        name = f"{lead.end} lead of {lead.pin}"
        if lead.end == "input" and lead.pin in rows:
            view[rows[lead.pin]] = moved[f"scope input {rows[lead.pin] + 1}"] = _end(name, pins, joints)
        elif lead.end == "generator" and setup.drive is not None:
            for index, leg in enumerate(LEGS):
                if lead.pin == f"{setup.drive}.{leg}":
                    node = _end(name, pins, joints)
                    if setup.source_added is not None and setup.source_added.leg == leg:
                        moved[f"source {leg}"] = node
                    elif any(element.name == f"{WINDING} {leg}" for element in circuit.elements):
                        moved[f"{WINDING} {leg}"] = node
                    else:
                        generator[index] = replace(generator[index], node=node)
    return replace(
        circuit,
        elements=(*(_moved(element, moved) for element in circuit.elements), *joints),
        generator=tuple(generator),
        view=tuple(view),
    )


def _end(name: str, pins: Pins, joints: list[Element]) -> str:
    """The node that a lead's end is on; what it joins that node to is added to the joints."""
    nodes = [pin if pin == GROUND else pin_name(pin) for pin in pins]
    start = nodes.pop(0) if nodes and nodes[0] != GROUND else name
    for number, node in enumerate(nodes, start=1):
        joints.append(resistor(f"{name}, joint {number}", "connector", start, node, JOINT_OHM, 0.0))
    return start


def _moved(element: Element, moved: Mapping[str, str]) -> Element:
    node = moved.get(element.name)
    if node is None:
        return element
    return replace(element, a=node) if element.kind == "scope" else replace(element, b=node)


def in_words(slip: Slip, names: Mapping[Lead, str]) -> str:
    """A slip for people. names: of the leads, `generator hot` or `input 1`."""
    if is_exchange(slip):
        one, other = slip.leads
        if one.end == "generator":
            return "the generator's hot and cold leads are swapped"
        return (
            f"inputs {_which(names[one])} and {_which(names[other])} are swapped: {names[one]} belongs on "
            f"{one.pin} and {names[other]} on {other.pin}"
        )
    return "; ".join(_place(lead, pins, names) for lead, pins in slip.places)


def is_one_mistake(slip: Slip) -> bool:
    """Whether a slip is of one lead, of two that are exchanged, or of leads that are all off."""
    return len(slip.places) == 1 or is_exchange(slip) or not any(pins for _, pins in slip.places)


def is_exchange(slip: Slip) -> bool:
    """Whether two leads are each on the other's pin: one mistake of two leads."""
    if len(slip.places) != 2:
        return False
    (one, at), (other, on) = slip.places
    return at == (other.pin,) and on == (one.pin,)


def _which(name: str) -> str:
    return name.partition(" ")[2]


def _place(lead: Lead, pins: Pins, names: Mapping[Lead, str]) -> str:
    name = names[lead]
    if lead.end == "input":
        match pins:
            case ():
                return f"{name} shows nothing: its lead is off, or not on {lead.pin}"
            case (one,):
                return f"{name} shows what is on {one}, and belongs on {lead.pin}"
            case _:
                return f"the lead of {name} shorts {' to '.join(pins)}"
    name = f"the generator's {_which(name)} lead"
    match pins:
        case ():
            return f"{name} is off, or not on {lead.pin}"
        case (one,):
            shared = [_which(names[each]) for each in names if each == Lead(end="generator", pin=one)]
            with_other = f" with the {shared[0]} lead" if shared else ""
            return f"{name} is on {one}{with_other}, and belongs on {lead.pin}"
        case _:
            return f"{name} shorts {' to '.join(pins)}"
