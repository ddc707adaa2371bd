"""What is between the generator's e.m.f. and the scope's inputs, as a flat list of two-terminal elements.

A net inside the unit is a node (`left.out.hot`). Everything of the fixture meets a port at its pin
(`left.out.hot.pin`), on the other side of the connector. `GROUND` is 0 V.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt
from typing import Literal

from harness.descriptions.fixture import Fixture, Hookup, Link, Termination
from harness.descriptions.module import GROUND, LEGS, Amplifier, Leg, Module, Part, Relay, node_name
from harness.descriptions.state import State

# A mated gold or silver audio connector is a few milliohm per pin; 10 milliohm is a round upper figure, costs
# 0.00002 dB into 10 kohm, and gives every joint a place of its own where a broken or high one can be put.
CONNECTOR_OHM = 0.010

PIN = ".pin"
THROUGH = "through"  # the net that joins generator and scope in a through hookup

Kind = Literal["contact", "resistor", "capacitor", "connector", "link", "load", "scope"]


@dataclass(frozen=True, kw_only=True)
class BenchImpedances:
    """What the instruments put on the pins: generator output, and scope input with its probe."""

    source_ohm: float = 50.0
    input_ohm: float = 1e6
    input_f: float = 15e-12


@dataclass(frozen=True, kw_only=True, slots=True)
class Element:
    """A resistance (None: none) in parallel with a capacitance, between two nodes.

    `part` is what a person calls the thing it belongs to: `R1`, `K1`, a plug's name. The spreads are standard
    uncertainties of the two values. `conducts` is False for a contact that is open, which only couples.
    """

    name: str
    part: str
    kind: Kind
    a: str
    b: str
    resistance_ohm: float | None
    capacitance_f: float = 0.0
    resistance_spread_ohm: float = 0.0
    capacitance_spread_f: float = 0.0
    conducts: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class AmplifierLeg:
    """One leg of a driver: an e.m.f. of gain_hot·V(hot) + gain_cold·V(cold), behind a resistance.

    `follows` is the input node on the same leg.
    """

    name: str
    part: str
    output: str
    follows: str
    output_ohm: float
    hot: str
    cold: str
    gain_hot: float
    gain_cold: float


@dataclass(frozen=True, kw_only=True, slots=True)
class GeneratorLeg:
    """One output of the generator: an e.m.f. behind its output resistance, at a node."""

    leg: Leg
    node: str
    output_ohm: float


@dataclass(frozen=True, kw_only=True)
class Circuit:
    """One state of one hookup; `view` are the nodes on the scope's inputs, in view order."""

    elements: tuple[Element, ...]
    amplifiers: tuple[AmplifierLeg, ...]
    generator: tuple[GeneratorLeg, ...]
    view: tuple[str, ...]


def pin_name(node: str) -> str:
    """Name the pin on the fixture's side of a port's connector."""
    return node + PIN


def is_operated(relay: Relay, state: State) -> bool:
    """Tell whether a relay stands in its operated position.

    A latching relay keeps what the last pulse left; a state alone doesn't know that, so it counts as operated
    only while its set line is on, and at rest otherwise.
    """
    line = relay.line if relay.line is not None else relay.set_line
    return state.powered and line in state.on


def build_circuit(
    module: Module, fixture: Fixture, hookup: Hookup, state: State, impedances: BenchImpedances
) -> Circuit:
    """Expand one state of one hookup."""
    return in_state(build_wiring(module, fixture, hookup, impedances), module, hookup, state)


def in_state(wiring: Circuit, module: Module, hookup: Hookup, state: State) -> Circuit:
    """Add the contacts as they stand in a state to a hookup's wiring."""
    if hookup.through:
        return wiring
    return Circuit(
        elements=(*wiring.elements, *contacts(module, state)),
        amplifiers=wiring.amplifiers,
        generator=wiring.generator,
        view=wiring.view,
    )


def build_wiring(module: Module, fixture: Fixture, hookup: Hookup, impedances: BenchImpedances) -> Circuit:
    """Expand what stays the same in every state of a hookup: all but the contacts."""
    if hookup.through:
        return _through(hookup, impedances)
    drive = hookup.drive
    view = tuple(pin_name(node_name(port.channel, port.net, leg)) for port in hookup.view for leg in LEGS)
    elements = [
        *_parts(module),
        *_connectors(module),
        *_loads(module, fixture, hookup),
        *(element for name in hookup.links for element in _link(module, fixture.links[name])),
        *(_scope_input(place, node, impedances) for place, node in enumerate(view, start=1)),
    ]
    return Circuit(
        elements=tuple(elements),
        amplifiers=tuple(leg for amplifier in module.amplifiers for leg in _amplifier_legs(amplifier)),
        generator=()
        if drive is None
        else tuple(
            GeneratorLeg(
                leg=leg,
                node=_terminal(module, drive.channel, drive.net, leg),
                output_ohm=impedances.source_ohm,
            )
            for leg in LEGS
        ),
        view=view,
    )


def contacts(module: Module, state: State) -> Iterator[Element]:
    """Give both throws of every pole as they stand in a state, named `K1.1.hot.rest`, `K1.1.hot.operated`."""
    for relay in module.relays:
        kind, operated = relay.type, is_operated(relay, state)
        spread_ohm = (kind.contact_max_ohm - kind.contact_ohm) / sqrt(3)
        for pole in relay.poles:
            for throw, far, closed in (
                ("rest", pole.rest, not operated),
                ("operated", pole.operated, operated),
            ):
                if far is None:
                    continue
                yield Element(
                    name=f"{pole.name}.{throw}",
                    part=relay.name,
                    kind="contact",
                    a=pole.common,
                    b=far,
                    resistance_ohm=kind.contact_ohm if closed else None,
                    capacitance_f=0.0 if closed else kind.off_capacitance_f,
                    resistance_spread_ohm=spread_ohm if closed else 0.0,
                    conducts=closed,
                )


def _through(hookup: Hookup, impedances: BenchImpedances) -> Circuit:
    """The generator straight to all scope inputs of a leg in parallel; the unit is out of the picture."""
    view = tuple(f"{THROUGH}.{leg}" for _ in hookup.view for leg in LEGS)
    return Circuit(
        elements=tuple(_scope_input(place, node, impedances) for place, node in enumerate(view, start=1)),
        amplifiers=(),
        generator=tuple(
            GeneratorLeg(leg=leg, node=f"{THROUGH}.{leg}", output_ohm=impedances.source_ohm) for leg in LEGS
        ),
        view=view,
    )


def _scope_input(place: int, node: str, impedances: BenchImpedances) -> Element:
    return Element(
        name=f"scope input {place}",
        part="scope",
        kind="scope",
        a=node,
        b=GROUND,
        resistance_ohm=impedances.input_ohm,
        capacitance_f=impedances.input_f,
    )


def _terminal(module: Module, channel: str, net: str, leg: Leg) -> str:
    """Where the fixture meets a net: the pin of a port, or the net itself where it has no connector."""
    node = node_name(channel, net, leg)
    return pin_name(node) if any(port.net == net for port in module.ports) else node


def _resistor(
    name: str, kind: Kind, a: str, b: str, ohm: float, tolerance: float, *, part: str = ""
) -> Element:
    """A tolerance is the half-width of a rectangular distribution (JCGM 100, 4.3.7)."""
    return Element(
        name=name,
        part=part or name,
        kind=kind,
        a=a,
        b=b,
        resistance_ohm=ohm,
        resistance_spread_ohm=ohm * tolerance / sqrt(3),
    )


def _reference(part: Part) -> str:
    """A part's name without its leg: `R1.hot` is one half of R1."""
    return part.name.removesuffix(".hot").removesuffix(".cold")


def _capacitor(part: Part) -> Element:
    return Element(
        name=part.name,
        part=_reference(part),
        kind="capacitor",
        a=part.a,
        b=part.b,
        resistance_ohm=None,
        capacitance_f=part.value,
        capacitance_spread_f=part.value * part.tolerance / sqrt(3),
    )


def _parts(module: Module) -> Iterator[Element]:
    for part in module.resistors:
        yield _resistor(
            part.name, "resistor", part.a, part.b, part.value, part.tolerance, part=_reference(part)
        )
    for part in module.capacitors:
        yield _capacitor(part)
    for amplifier in module.amplifiers:
        hot, cold = (node_name(amplifier.channel, amplifier.from_net, leg) for leg in LEGS)
        name = f"{amplifier.name}.{amplifier.channel} input"
        yield _resistor(name, "resistor", hot, cold, amplifier.input_ohm, 0.0)


def _connectors(module: Module) -> Iterator[Element]:
    for channel in module.channels:
        for port in module.ports:
            for leg in LEGS:
                node = node_name(channel, port.net, leg)
                yield _resistor(f"connector {node}", "connector", node, pin_name(node), CONNECTOR_OHM, 0.0)


def _loads(module: Module, fixture: Fixture, hookup: Hookup) -> Iterator[Element]:
    for channel in module.channels:
        for net, termination in fixture.loads.items():
            yield from _termination(module, channel, net, termination)
        if fixture.undriven_inputs is None:
            continue
        for port in module.ports:
            driven = hookup.drive is not None and (hookup.drive.channel, hookup.drive.net) == (
                channel,
                port.net,
            )
            if port.role == "input" and not driven and port.net not in fixture.loads:
                yield from _termination(module, channel, port.net, fixture.undriven_inputs)


def _termination(module: Module, channel: str, net: str, termination: Termination) -> Iterator[Element]:
    hot, cold = (_terminal(module, channel, net, leg) for leg in LEGS)
    name, tolerance = f"load {channel}.{net}", termination.tolerance
    if termination.across_ohm is not None:
        yield _resistor(name, "load", hot, cold, termination.across_ohm, tolerance)
    if termination.leg_ohm is not None:
        yield _resistor(f"{name}.hot", "load", hot, GROUND, termination.leg_ohm, tolerance)
        yield _resistor(f"{name}.cold", "load", cold, GROUND, termination.leg_ohm, tolerance)


def _link(module: Module, link: Link) -> Iterator[Element]:
    for channel in module.channels:
        if link.legs is not None and channel not in link.legs:
            continue
        ends = {
            leg: (
                _terminal(module, channel, link.from_net, leg),
                _terminal(module, channel, link.to_net, leg),
            )
            for leg in LEGS
        }
        place = f"{link.name} {channel}"
        if link.legs is not None:
            yield from _leg_link(link, channel, place, ends)
        elif link.pad_db:
            yield from _pad_link(link, channel, place, ends)
        else:
            for leg, (near, far) in ends.items():
                yield _resistor(f"{place}.{leg}", "link", near, far, 0.0, 0.0, part=link.name)


def _leg_link(link: Link, channel: str, place: str, ends: dict[Leg, tuple[str, str]]) -> Iterator[Element]:
    """Series from the send, then the shunt at the return's end."""
    assembly = link.legs[channel] if link.legs is not None else {}
    for leg, resistors in assembly.items():
        near, far = ends[leg]
        yield _resistor(
            f"{place}.{leg}.series", "link", near, far, resistors.series_ohm, link.tolerance, part=link.name
        )
        if resistors.shunt_ohm is not None:
            yield _resistor(
                f"{place}.{leg}.shunt",
                "link",
                far,
                GROUND,
                resistors.shunt_ohm,
                link.tolerance,
                part=link.name,
            )


def pad_resistors(loss_db: float, impedance_ohm: float) -> tuple[float, float]:
    """Arm (one of four) and shunt in ohm of a balanced H pad.

    K = 10^(loss/20), T pad R1 = Z(K-1)/(K+1), R2 = 2ZK/(K²-1), H arm = R1/2: the classic image-matched pad.
    """
    ratio = 10 ** (loss_db / 20)
    series = impedance_ohm * (ratio - 1) / (ratio + 1)
    return series / 2, 2 * impedance_ohm * ratio / (ratio**2 - 1)


def _pad_link(link: Link, channel: str, place: str, ends: dict[Leg, tuple[str, str]]) -> Iterator[Element]:
    """A balanced H pad, floating: half of R1 in each of four arms, R2 across the middle."""
    arm, shunt = pad_resistors(link.pad_db or 0.0, link.pad_impedance_ohm or 600.0)
    middle = {leg: f"{channel}.{link.name} middle.{leg}" for leg in LEGS}
    for leg, (near, far) in ends.items():
        yield _resistor(f"{place}.{leg}.in", "link", near, middle[leg], arm, link.tolerance, part=link.name)
        yield _resistor(f"{place}.{leg}.out", "link", middle[leg], far, arm, link.tolerance, part=link.name)
    yield _resistor(
        f"{place}.shunt", "link", middle["hot"], middle["cold"], shunt, link.tolerance, part=link.name
    )


def _amplifier_legs(amplifier: Amplifier) -> Iterator[AmplifierLeg]:
    """Each leg carries half of the output, in antiphase, behind half of the output resistance.

    A common-mode rejection of r dB is the differential gain over the conversion of a common drive to
    differential, so 10^(-r/20) of the input's common mode joins its differential.
    """
    rejection_db = amplifier.common_mode_rejection_db
    common = 0.0 if rejection_db is None else 10 ** (-rejection_db / 20)
    hot, cold = (node_name(amplifier.channel, amplifier.from_net, leg) for leg in LEGS)
    for leg, half in (("hot", amplifier.gain / 2), ("cold", -amplifier.gain / 2)):
        yield AmplifierLeg(
            name=f"{amplifier.name}.{amplifier.channel}.{leg}",
            part=amplifier.name,
            follows=hot if leg == "hot" else cold,
            output=f"{amplifier.channel}.{amplifier.to_net}.{leg}",
            output_ohm=amplifier.output_ohm / 2,
            hot=hot,
            cold=cold,
            gain_hot=half * (1 + common / 2),
            gain_cold=half * (-1 + common / 2),
        )
