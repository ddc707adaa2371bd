"""From a module, a fixture and a state to a circuit: what the unit is made of, contact by contact, and what
the fixture hangs on its ports' pins.
"""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from functools import lru_cache, partial
from math import sqrt
from typing import Literal

from harness.circuit.elements import (
    JOINT_OHM,
    THROUGH,
    WINDING,
    AmplifierLeg,
    BenchImpedances,
    Circuit,
    Element,
    GeneratorLeg,
    IdealTransformer,
    inductive,
    pin_name,
    resistor,
    terminal,
)
from harness.job.fixture import Fixture, Loopback, PortName, Setup, Termination, channels_of
from harness.job.module import (
    GROUND,
    LEGS,
    WINDINGS,
    Amplifier,
    Leg,
    Module,
    Part,
    Relay,
    ThrowName,
    Transformer,
    Winding,
    node_name,
)
from harness.job.state import State

Throw = tuple[str, ThrowName]  # a pole's name and one of its throws
Throws = Mapping[Throw, tuple[Element, Element]]  # each as it is when closed and when open


def is_operated(relay: Relay, state: State) -> bool:
    """Tell whether a relay stands in its operated position; a latching one keeps it without the supply."""
    return (state.powered or relay.latches) and relay.operating_control in state.on


def build_circuit(
    module: Module, fixture: Fixture, setup: Setup, state: State, impedances: BenchImpedances
) -> Circuit:
    """Expand one state of one setup."""
    return in_state(build_wiring(module, fixture, setup, impedances), module, setup, state)


def in_state(wiring: Circuit, module: Module, setup: Setup, state: State) -> Circuit:
    """Add the contacts as they stand in a state to a setup's wiring."""
    if setup.through:
        return wiring
    return replace(wiring, elements=(*wiring.elements, *contacts(module, state)))


def build_wiring(module: Module, fixture: Fixture, setup: Setup, impedances: BenchImpedances) -> Circuit:
    """Expand what stays the same in every state of a setup: all but the contacts."""
    if setup.through:
        return _through(fixture, setup, impedances)
    drive = setup.drive
    loopbacks = [fixture.loopbacks[name] for name in setup.loopbacks]
    view = tuple(pin_name(node_name(port.channel, port.net, leg)) for port in setup.view for leg in LEGS)
    elements = (
        *_parts(module),
        *_connectors(module),
        *_load_elements(module, fixture, setup),
        *(element for loopback in loopbacks for element in loopback_elements(module, loopback)),
        *_source_elements(module, setup),
        *(scope_input(number, node, impedances) for number, node in enumerate(view, start=1)),
    )
    nodes = [] if drive is None else [_source_node(module, setup, drive, leg) for leg in LEGS]
    source, windings, balancing = _source(nodes, impedances)
    return Circuit(
        elements=(*elements, *windings),
        amplifiers=tuple(leg for amplifier in module.amplifiers for leg in _amplifier_legs(amplifier)),
        generator=source,
        view=view,
        transformers=(*(_ideal(transformer) for transformer in module.transformers), *balancing),
    )


def _source(
    nodes: list[str], impedances: BenchImpedances
) -> tuple[tuple[GeneratorLeg, ...], list[Element], list[IdealTransformer]]:
    """What feeds the nodes of hot and cold: the generator's legs, perhaps by the halves of a winding.

    Then each leg of the generator is at one end of the primary, so that its e.m.f. is that of the whole
    secondary, in antiphase, with the sign of the leg.
    """
    if impedances.winding_ohm is None or not nodes:
        return _generator(nodes, impedances), [], []
    primary, ends = ("primary.hot", "primary.cold"), ("secondary.hot", "secondary.cold")
    halves = (ends[0], GROUND), (GROUND, ends[1])
    return (
        _generator(list(primary), impedances),
        [
            resistor(f"{WINDING} {leg}", "load", end, node, impedances.winding_ohm, 0.0)
            for leg, end, node in zip(LEGS, ends, nodes, strict=True)
        ],
        [
            IdealTransformer(
                name=f"balancing {leg}", primary=primary, secondary=half, ratio=0.5, ends=(primary, half)
            )
            for leg, half in zip(LEGS, halves, strict=True)
        ],
    )


def _generator(nodes: list[str], impedances: BenchImpedances) -> tuple[GeneratorLeg, ...]:
    """Both outputs at their nodes, hot first; none at none."""
    outputs = zip(LEGS, nodes, strict=False)
    ohm, tolerance = impedances.source_ohm, impedances.source_tolerance
    return tuple(
        GeneratorLeg(leg=leg, node=node, output_ohm=ohm, output_spread_ohm=ohm * tolerance / sqrt(3))
        for leg, node in outputs
    )


def contacts(module: Module, state: State) -> Iterator[Element]:
    """Both throws of every pole as they stand in a state."""
    operated = {pole.name: is_operated(relay, state) for relay in module.relays for pole in relay.poles}
    for (pole, throw), (closed, opened) in throws_of(module).items():
        yield closed if operated[pole] == (throw == "operated") else opened


Place = Literal["old", "open", "new"]
PLACES: tuple[Place, Place, Place] = ("old", "open", "new")


def contacts_between(
    module: Module, before: State, after: State, moving: Collection[str], places: tuple[Place, Place]
) -> Iterator[Element]:
    """The same while relays move from one state to another: by the places of hot and of cold legs' poles."""
    old, new = (
        {pole.name: is_operated(relay, state) for relay in module.relays for pole in relay.poles}
        for state in (before, after)
    )
    poles = {pole.name: pole for relay in module.relays for pole in relay.poles}
    for (name, throw), (closed, opened) in throws_of(module).items():
        place = places[LEGS.index(poles[name].leg)] if poles[name].relay in moving else "new"
        operated = old[name] if place == "old" else new[name]
        yield closed if place != "open" and operated == (throw == "operated") else opened


@lru_cache(maxsize=32)
def throws_of(module: Module) -> Throws:
    """Every throw of a module's poles; their elements are named `K1.1.hot.released`."""
    throws: dict[Throw, tuple[Element, Element]] = {}
    for relay in module.relays:
        kind = relay.type
        for pole in relay.poles:
            for throw, far in pole.throws.items():
                opened = Element(
                    name=f"{pole.name}.{throw}",
                    part=relay.name,
                    kind="contact",
                    a=pole.common,
                    b=far,
                    resistance_ohm=None,
                    capacitance_f=kind.off_capacitance_f,
                    conducts=False,
                )
                closed = replace(
                    opened,
                    resistance_ohm=max(kind.contact_ohm, JOINT_OHM),
                    capacitance_f=0.0,
                    resistance_spread_ohm=(kind.contact_max_ohm - kind.contact_ohm) / sqrt(3),
                    conducts=True,
                )
                throws[pole.name, throw] = closed, opened
    return throws


def _through(fixture: Fixture, setup: Setup, impedances: BenchImpedances) -> Circuit:
    """The generator straight to all scope inputs of a leg in parallel; the unit is out of the picture.

    A through setup that names no view has as many pairs as the widest of the fixture's setups.
    """
    pairs = len(setup.view) or max(len(other.view) for other in fixture.setups)
    view = tuple(f"{THROUGH}.{leg}" for _ in range(pairs) for leg in LEGS)
    source, windings, balancing = _source([f"{THROUGH}.{leg}" for leg in LEGS], impedances)
    inputs = (scope_input(number, node, impedances) for number, node in enumerate(view, start=1))
    return Circuit(
        elements=(*inputs, *windings),
        amplifiers=(),
        generator=source,
        view=view,
        transformers=tuple(balancing),
    )


def _reference(part: Part) -> str:
    """A part's name without its leg: `R1.hot` is one half of R1."""
    return part.name.removesuffix(".hot").removesuffix(".cold")


def _parts(module: Module) -> Iterator[Element]:
    for part in module.resistors:
        yield resistor(
            part.name, "resistor", part.a, part.b, part.value, part.tolerance, part=_reference(part)
        )
    for part in module.capacitors:
        yield Element(
            name=part.name,
            part=_reference(part),
            kind="capacitor",
            a=part.a,
            b=part.b,
            resistance_ohm=None,
            capacitance_f=part.value,
            capacitance_spread_f=part.value * part.tolerance / sqrt(3),
        )
    for part in module.links:
        yield resistor(part.name, "link", part.a, part.b, JOINT_OHM, 0.0, part=_reference(part))
    for coil in module.inductors:
        yield inductive(
            coil.name,
            "inductor",
            coil.a,
            coil.b,
            ohm=coil.resistance_ohm,
            henry=coil.value,
            tolerance=coil.tolerance,
            part=_reference(coil),
        )
    for transformer in module.transformers:
        yield from _windings(transformer)
    for amplifier in module.amplifiers:
        hot, cold = (node_name(amplifier.channel, amplifier.from_net, leg) for leg in LEGS)
        name = f"{amplifier.name}.{amplifier.channel} input"
        yield resistor(name, "resistor", hot, cold, amplifier.input_ohm, 0.0)


def _inside(transformer: Transformer, winding: Winding) -> str:
    """The node behind a winding's resistance."""
    return f"{transformer.name} inside {winding}"


def _windings(transformer: Transformer) -> Iterator[Element]:
    """Resistance and leakage of the primary, what magnetises the core beside it, and the secondary's
    resistance: the usual equivalent circuit, with all leakage on the primary's side.
    """
    (a, b), (c, _) = transformer.primary, transformer.secondary
    p, s = (_inside(transformer, winding) for winding in WINDINGS)
    for name, start, end, ohm, henry in (
        ("primary", a, p, transformer.primary_ohm, transformer.leakage_h),
        ("magnetising", p, b, 0.0, transformer.magnetising_h),
        ("secondary", c, s, transformer.secondary_ohm, 0.0),
    ):
        yield inductive(
            f"{transformer.name}.{name}",
            "winding",
            start,
            end,
            ohm=ohm,
            henry=henry,
            tolerance=transformer.tolerance,
            part=transformer.name,
        )


def _ideal(transformer: Transformer) -> IdealTransformer:
    p, s = (_inside(transformer, winding) for winding in WINDINGS)
    return IdealTransformer(
        name=transformer.name,
        primary=(p, transformer.primary[1]),
        secondary=(s, transformer.secondary[1]),
        ratio=transformer.ratio,
        ends=(transformer.primary, transformer.secondary),
    )


def _connectors(module: Module) -> Iterator[Element]:
    for channel in module.channels:
        for port in (port for port in module.ports if port.is_in(channel)):
            for leg in LEGS:
                node = node_name(channel, port.net, leg)
                yield resistor(f"connector {node}", "connector", node, pin_name(node), JOINT_OHM, 0.0)
                if leg not in port.legs:
                    yield resistor(f"ground of {node}", "link", node, GROUND, JOINT_OHM, 0.0)


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
            is_hot=leg == "hot",
            gain_spread=amplifier.tolerance / sqrt(3),
        )


def scope_input(number: int, node: str, impedances: BenchImpedances) -> Element:
    """One scope input with its probe, from a leg to ground."""
    return Element(
        name=f"scope input {number}",
        part="scope",
        kind="scope",
        a=node,
        b=GROUND,
        resistance_ohm=impedances.input_ohm,
        capacitance_f=impedances.input_f,
    )


def _load_elements(module: Module, fixture: Fixture, setup: Setup) -> Iterator[Element]:
    """What ends the ports: the fixture's loads, and its termination at inputs that nothing drives."""
    undriven = fixture.undriven_inputs
    for channel in module.channels:
        for net, termination in fixture.loads.items():
            if not module.has_port(channel, net):
                continue
            yield from _termination(module, "load", PortName(channel=channel, net=net), termination)
        for net in (port.net for port in module.ports if port.role == "input" and port.is_in(channel)):
            port = PortName(channel=channel, net=net)
            if undriven is not None and port != setup.drive:
                yield from _termination(module, "termination", port, undriven)


def _termination(module: Module, what: str, port: PortName, termination: Termination) -> Iterator[Element]:
    hot, cold = (terminal(module, port.channel, port.net, leg) for leg in LEGS)
    name, tolerance = f"{what} {port}", termination.tolerance
    if termination.across_ohm is not None:
        yield resistor(name, "load", hot, cold, termination.across_ohm, tolerance)
    if termination.leg_ohm is not None:
        yield resistor(f"{name}.hot", "load", hot, GROUND, termination.leg_ohm, tolerance)
        yield resistor(f"{name}.cold", "load", cold, GROUND, termination.leg_ohm, tolerance)


def _source_node(module: Module, setup: Setup, drive: PortName, leg: Leg) -> str:
    """Where an output of the generator is joined: the driven pin, or before a resistor that leads there."""
    added = setup.source_added
    if added is not None and added.leg == leg:
        return f"source.{leg}"
    return terminal(module, drive.channel, drive.net, leg)


def _source_elements(module: Module, setup: Setup) -> Iterator[Element]:
    """The resistor in one leg of the source, in a setup that has one."""
    drive, added = setup.drive, setup.source_added
    if drive is not None and added is not None:
        yield resistor(
            f"source {added.leg}",
            "load",
            _source_node(module, setup, drive, added.leg),
            terminal(module, drive.channel, drive.net, added.leg),
            added.series_ohm,
            added.tolerance,
        )


def loopback_elements(module: Module, loopback: Loopback) -> Iterator[Element]:
    """A loopback plug in every channel that it is made for.

    Resistors of a leg are in series from the send, then the shunt at the return's end. A pad is a balanced H
    pad, floating: half of R1 in each of four arms, R2 across the middle.
    """
    part = partial(resistor, kind="loopback", tolerance=loopback.tolerance, part=loopback.name)
    pad_db = 0.0 if loopback.legs is not None else loopback.pad_db or 0.0
    arm, shunt = pad_resistors(pad_db, loopback.pad_impedance_ohm or 600.0) if pad_db else (0.0, 0.0)
    for channel in channels_of(loopback, module):
        middle = {leg: f"{channel}.{loopback.name} middle.{leg}" for leg in LEGS}
        for leg in LEGS if loopback.legs is None else loopback.legs[channel]:
            name = f"{loopback.name} {channel}.{leg}"
            near = terminal(module, channel, loopback.from_net, leg)
            far = terminal(module, channel, loopback.to_net, leg)
            if loopback.legs is not None:
                resistors = loopback.legs[channel][leg]
                yield part(f"{name}.series", a=near, b=far, ohm=resistors.series_ohm)
                if resistors.shunt_ohm is not None:
                    yield part(f"{name}.shunt", a=far, b=GROUND, ohm=resistors.shunt_ohm)
            elif pad_db:
                yield part(f"{name}.in", a=near, b=middle[leg], ohm=arm)
                yield part(f"{name}.out", a=middle[leg], b=far, ohm=arm)
            else:
                yield part(name, a=near, b=far, ohm=JOINT_OHM, tolerance=0.0)
        if pad_db:
            yield part(f"{loopback.name} {channel}.shunt", a=middle["hot"], b=middle["cold"], ohm=shunt)


def pad_resistors(loss_db: float, impedance_ohm: float) -> tuple[float, float]:
    """Arm (one of four) and shunt in ohm of a balanced H pad.

    K = 10^(loss/20), T pad R1 = Z(K-1)/(K+1), R2 = 2ZK/(K²-1), H arm = R1/2: the classic image-matched pad.
    """
    ratio = 10 ** (loss_db / 20)
    series = impedance_ohm * (ratio - 1) / (ratio + 1)
    return series / 2, 2 * impedance_ohm * ratio / (ratio**2 - 1)
