"""From a module, a fixture and a state to a circuit: what the unit is made of, contact by contact, and what
the fixture hangs on its ports' pins.
"""

from collections.abc import Iterator
from math import sqrt

from harness.circuit.elements import (
    JOINT_OHM,
    THROUGH,
    AmplifierLeg,
    BenchImpedances,
    Circuit,
    Element,
    GeneratorLeg,
    pin_name,
    resistor,
    terminal,
)
from harness.job.fixture import Fixture, Loopback, PortName, Setup, Termination
from harness.job.module import GROUND, LEGS, Amplifier, Leg, Module, Part, Relay, node_name
from harness.job.state import State


def is_operated(relay: Relay, state: State) -> bool:
    """Tell whether a relay stands in its operated position.

    A latching relay keeps what the last pulse left; a state alone doesn't know that, so it counts as operated
    only while its set control is on, and released otherwise.
    """
    return state.powered and relay.operating_control in state.on


def build_circuit(
    module: Module, fixture: Fixture, setup: Setup, state: State, impedances: BenchImpedances
) -> Circuit:
    """Expand one state of one setup."""
    return in_state(build_wiring(module, fixture, setup, impedances), module, setup, state)


def in_state(wiring: Circuit, module: Module, setup: Setup, state: State) -> Circuit:
    """Add the contacts as they stand in a state to a setup's wiring."""
    if setup.through:
        return wiring
    return Circuit(
        elements=(*wiring.elements, *contacts(module, state)),
        amplifiers=wiring.amplifiers,
        generator=wiring.generator,
        view=wiring.view,
    )


def build_wiring(module: Module, fixture: Fixture, setup: Setup, impedances: BenchImpedances) -> Circuit:
    """Expand what stays the same in every state of a setup: all but the contacts."""
    if setup.through:
        return _through(fixture, setup, impedances)
    drive = setup.drive
    view = tuple(pin_name(node_name(port.channel, port.net, leg)) for port in setup.view for leg in LEGS)
    elements = [
        *_parts(module),
        *_connectors(module),
        *load_elements(module, fixture, setup),
        *(
            element
            for name in setup.loopbacks
            for element in loopback_elements(module, fixture.loopbacks[name])
        ),
        *source_elements(module, setup),
        *(scope_input(index, node, impedances) for index, node in enumerate(view, start=1)),
    ]
    return Circuit(
        elements=tuple(elements),
        amplifiers=tuple(leg for amplifier in module.amplifiers for leg in _amplifier_legs(amplifier)),
        generator=()
        if drive is None
        else tuple(
            GeneratorLeg(
                leg=leg, node=source_node(module, setup, drive, leg), output_ohm=impedances.source_ohm
            )
            for leg in LEGS
        ),
        view=view,
    )


def contacts(module: Module, state: State) -> Iterator[Element]:
    """Give both throws of every pole as they stand in a state, named `K1.1.hot.released`,
    `K1.1.hot.operated`.
    """
    for relay in module.relays:
        kind, operated = relay.type, is_operated(relay, state)
        spread_ohm = (kind.contact_max_ohm - kind.contact_ohm) / sqrt(3)
        for pole in relay.poles:
            for throw, far, closed in (
                ("released", pole.released, not operated),
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
                    resistance_ohm=max(kind.contact_ohm, JOINT_OHM) if closed else None,
                    capacitance_f=0.0 if closed else kind.off_capacitance_f,
                    resistance_spread_ohm=spread_ohm if closed else 0.0,
                    conducts=closed,
                )


def _through(fixture: Fixture, setup: Setup, impedances: BenchImpedances) -> Circuit:
    """The generator straight to all scope inputs of a leg in parallel; the unit is out of the picture.

    A through setup that names no view has as many pairs as the widest of the fixture's setups.
    """
    pairs = len(setup.view) or max(len(other.view) for other in fixture.setups)
    view = tuple(f"{THROUGH}.{leg}" for _ in range(pairs) for leg in LEGS)
    return Circuit(
        elements=tuple(scope_input(index, node, impedances) for index, node in enumerate(view, start=1)),
        amplifiers=(),
        generator=tuple(
            GeneratorLeg(leg=leg, node=f"{THROUGH}.{leg}", output_ohm=impedances.source_ohm) for leg in LEGS
        ),
        view=view,
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
        yield resistor(
            part.name, "resistor", part.a, part.b, part.value, part.tolerance, part=_reference(part)
        )
    for part in module.capacitors:
        yield _capacitor(part)
    for amplifier in module.amplifiers:
        hot, cold = (node_name(amplifier.channel, amplifier.from_net, leg) for leg in LEGS)
        name = f"{amplifier.name}.{amplifier.channel} input"
        yield resistor(name, "resistor", hot, cold, amplifier.input_ohm, 0.0)


def _connectors(module: Module) -> Iterator[Element]:
    for channel in module.channels:
        for port in module.ports:
            for leg in LEGS:
                node = node_name(channel, port.net, leg)
                yield resistor(f"connector {node}", "connector", node, pin_name(node), JOINT_OHM, 0.0)


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


def scope_input(place: int, node: str, impedances: BenchImpedances) -> Element:
    """One scope input with its probe, from a leg to ground."""
    return Element(
        name=f"scope input {place}",
        part="scope",
        kind="scope",
        a=node,
        b=GROUND,
        resistance_ohm=impedances.input_ohm,
        capacitance_f=impedances.input_f,
    )


def load_elements(module: Module, fixture: Fixture, setup: Setup) -> Iterator[Element]:
    """What ends the ports: the fixture's loads, and its termination at inputs that nothing drives."""
    for channel in module.channels:
        for net, termination in fixture.loads.items():
            yield from _termination(module, "load", PortName(channel=channel, net=net), termination)
        for port in module.ports:
            place = PortName(channel=channel, net=port.net)
            if fixture.undriven_inputs is not None and port.role == "input" and place != setup.drive:
                yield from _termination(module, "termination", place, fixture.undriven_inputs)


def _termination(module: Module, what: str, place: PortName, termination: Termination) -> Iterator[Element]:
    hot, cold = (terminal(module, place.channel, place.net, leg) for leg in LEGS)
    name, tolerance = f"{what} {place}", termination.tolerance
    if termination.across_ohm is not None:
        yield resistor(name, "load", hot, cold, termination.across_ohm, tolerance)
    if termination.leg_ohm is not None:
        yield resistor(f"{name}.hot", "load", hot, GROUND, termination.leg_ohm, tolerance)
        yield resistor(f"{name}.cold", "load", cold, GROUND, termination.leg_ohm, tolerance)


def source_node(module: Module, setup: Setup, drive: PortName, leg: Leg) -> str:
    """Where an output of the generator is joined: the driven pin, or before a resistor that leads there."""
    added = setup.source_added
    if added is not None and added.leg == leg:
        return f"source.{leg}"
    return terminal(module, drive.channel, drive.net, leg)


def source_elements(module: Module, setup: Setup) -> Iterator[Element]:
    """The resistor in one leg of the source, in a setup that has one."""
    drive, added = setup.drive, setup.source_added
    if drive is not None and added is not None:
        yield resistor(
            f"source {added.leg}",
            "load",
            source_node(module, setup, drive, added.leg),
            terminal(module, drive.channel, drive.net, added.leg),
            added.series_ohm,
            added.tolerance,
        )


def loopback_elements(module: Module, loopback: Loopback) -> Iterator[Element]:
    """A loopback plug in every channel that it is made for."""
    for channel in module.channels:
        if loopback.legs is not None and channel not in loopback.legs:
            continue
        ends = {
            leg: (
                terminal(module, channel, loopback.from_net, leg),
                terminal(module, channel, loopback.to_net, leg),
            )
            for leg in LEGS
        }
        place = f"{loopback.name} {channel}"
        if loopback.legs is not None:
            yield from _leg_loopback(loopback, channel, place, ends)
        elif loopback.pad_db:
            yield from _pad_loopback(loopback, channel, place, ends)
        else:
            for leg, (near, far) in ends.items():
                yield resistor(f"{place}.{leg}", "loopback", near, far, JOINT_OHM, 0.0, part=loopback.name)


def _leg_loopback(
    loopback: Loopback, channel: str, place: str, ends: dict[Leg, tuple[str, str]]
) -> Iterator[Element]:
    """Series from the send, then the shunt at the return's end."""
    assembly = loopback.legs[channel] if loopback.legs is not None else {}
    for leg, resistors in assembly.items():
        near, far = ends[leg]
        yield resistor(
            f"{place}.{leg}.series",
            "loopback",
            near,
            far,
            resistors.series_ohm,
            loopback.tolerance,
            part=loopback.name,
        )
        if resistors.shunt_ohm is not None:
            yield resistor(
                f"{place}.{leg}.shunt",
                "loopback",
                far,
                GROUND,
                resistors.shunt_ohm,
                loopback.tolerance,
                part=loopback.name,
            )


def pad_resistors(loss_db: float, impedance_ohm: float) -> tuple[float, float]:
    """Arm (one of four) and shunt in ohm of a balanced H pad.

    K = 10^(loss/20), T pad R1 = Z(K-1)/(K+1), R2 = 2ZK/(K²-1), H arm = R1/2: the classic image-matched pad.
    """
    ratio = 10 ** (loss_db / 20)
    series = impedance_ohm * (ratio - 1) / (ratio + 1)
    return series / 2, 2 * impedance_ohm * ratio / (ratio**2 - 1)


def _pad_loopback(
    loopback: Loopback, channel: str, place: str, ends: dict[Leg, tuple[str, str]]
) -> Iterator[Element]:
    """A balanced H pad, floating: half of R1 in each of four arms, R2 across the middle."""
    arm, shunt = pad_resistors(loopback.pad_db or 0.0, loopback.pad_impedance_ohm or 600.0)
    middle = {leg: f"{channel}.{loopback.name} middle.{leg}" for leg in LEGS}
    for leg, (near, far) in ends.items():
        yield resistor(
            f"{place}.{leg}.in", "loopback", near, middle[leg], arm, loopback.tolerance, part=loopback.name
        )
        yield resistor(
            f"{place}.{leg}.out", "loopback", middle[leg], far, arm, loopback.tolerance, part=loopback.name
        )
    yield resistor(
        f"{place}.shunt",
        "loopback",
        middle["hot"],
        middle["cold"],
        shunt,
        loopback.tolerance,
        part=loopback.name,
    )
