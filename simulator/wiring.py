"""The fixture around a unit: loads, plugs, the generator's and the scope's leads, in one setup."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from harness.job.fixture import Fixture, Loopback, LoopbackLeg, Setup, Termination, channels_of
from harness.job.module import GROUND, LEGS, Leg, Module, node_name
from simulator.circuit import Element, Parts, Source
from simulator.imperfections import USUAL, Imperfections
from simulator.parts.magnetics import Balancing
from simulator.sources import generator_for, within
from simulator.unit import LEG_SPREAD, MAINS, Built, log_uniform, pin

GENERATOR_OHM = 50.0
GENERATOR_TOLERANCE = 0.005  # of each output's resistance
MAINS_OHM = 1.0
PRIMARY = "generator primary"
INPUT_TOLERANCE = 0.01  # of the scope's input resistance
INPUT_SPREAD = 0.05  # of its capacitance
CABLE_F = (
    30e-12,
    300e-12,
)  # of a screened pair, each leg: 0.3 to 3 m of 100 pF/m; common practice, no source
PROBES = {1.0: (1e6, 15e-12), 10.0: (10e6, 12e-12)}
"""Input resistance and capacitance with a plain lead, and with a probe of ten to one."""


Place = str | tuple[str, ...] | None
LeadNodes = Mapping[str, Place]
"""Of leads (`generator hot`, `input 1`) the nodes that they are on; None: on nothing; several: it joins them.

Of a fixture's wires to pins the same, each named after what it comes from and its own pin, as
`generator pin left.in.hot`, `input pin left.out.cold`.
"""

PlugPosition = tuple[str, str]  # a channel and a loopback


@dataclass(kw_only=True)
class Plugs:
    """What is wrong with the loopback plugs, each by its channel and loopback."""

    missing: set[PlugPosition] = field(default_factory=set)
    straight: set[PlugPosition] = field(default_factory=set)  # a plain plug in place of the right one
    crossed: set[PlugPosition] = field(default_factory=set)  # hot and cold swapped at the return
    of_other_channel: dict[PlugPosition, str] = field(default_factory=dict)  # and of which


@dataclass(frozen=True, kw_only=True)
class Leads:
    """The bench's side: how many scope inputs, behind which probe, and the seed of its tolerances.

    elsewhere: leads that are on other nodes than the setup has them on, and which. wires: the same of wires
    of the fixture, in every setup that uses their pin. balancing: the transformer between the generator's one
    output and both legs; None: it has an output for each.
    """

    inputs: int
    probe: float
    seed: int
    elsewhere: LeadNodes = field(default_factory=dict)
    wires: LeadNodes = field(default_factory=dict)
    imperfections: Imperfections = USUAL
    balancing: Balancing | None = None


def connect(
    module: Module, fixture: Fixture, built: Built, *, plugs: Plugs, setup: Setup | None, leads: Leads
) -> Parts:
    """Everything between the generator's e.m.f. and the scope's inputs.

    Sources are the hot output, the cold one and the mains; with a balancing transformer the one output and
    the mains.
    """
    resistors: list[Element] = []
    wires: list[tuple[str, str]] = []
    for channel in module.channels:
        for net, load in fixture.loads.items():
            if not module.has_port(channel, net):
                continue
            resistors += _terminate(channel, net, load, leads)
        if fixture.undriven_inputs is not None:
            for port in module.ports:
                driven = setup is not None and setup.drive is not None and str(setup.drive)
                if port.role == "input" and port.is_in(channel) and f"{channel}.{port.net}" != driven:
                    resistors += _terminate(channel, port.net, fixture.undriven_inputs, leads)
        for name in setup.loopbacks if setup is not None else ():
            if channel not in channels_of(fixture.loopbacks[name], module):
                continue
            plugged, joined = _plug(fixture, name, channel, plugs, leads)
            resistors += plugged
            wires += joined
    starts: dict[str, str] = {}
    added = setup.source_added if setup is not None else None
    if added is not None:
        output, start = f"generator {added.leg}", f"source {added.leg}"
        value = added.series_ohm * within(added.tolerance, generator_for("source", leads.seed, added.leg))
        resistors.append(Element(a=output, b=start, value=value))
        starts[output] = start
    wires += _leads(setup, leads, starts)
    inputs, capacitances = _scope(leads)
    outputs = tuple(_outputs(leads))
    windings, mutuals = built.windings, built.mutuals
    if leads.balancing is not None:
        outputs = (replace(outputs[0], node=PRIMARY),)
        ends = ("generator hot", "generator cold")
        wound = leads.balancing.wound(primary=PRIMARY, ends=ends, first=len(windings))
        windings, mutuals = windings + wound[0], mutuals + wound[1]
    return Parts(
        wires=(*built.wires, *wires),
        resistors=(*built.resistors, *resistors, *inputs),
        capacitors=(*built.capacitors, *capacitances, *_cables(module, leads)),
        contacts=built.contacts,
        amplifiers=built.amplifiers,
        sources=(*outputs, Source(node=MAINS, ohm=MAINS_OHM)),
        probes=tuple(f"scope {number}" for number in range(1, leads.inputs + 1)),
        windings=windings,
        mutuals=mutuals,
    )


def proper_nodes(setup: Setup, inputs: int) -> dict[str, str]:
    """The node on which each lead of a setup belongs."""
    legs = LEGS[::-1] if setup.inputs_swapped else LEGS
    if setup.through:
        return {f"input {n}": f"generator {legs[(n - 1) % 2]}" for n in range(1, inputs + 1)}
    nodes = {}
    if setup.drive is not None:
        nodes = {f"generator {leg}": pin(f"{setup.drive}.{leg}") for leg in LEGS}
    viewed = [pin(f"{port}.{leg}") for port in setup.view for leg in legs]
    return nodes | {f"input {n}": node for n, node in enumerate(viewed[:inputs], start=1)}


def nodes_of(place: Place) -> tuple[str, ...]:
    """The nodes that a lead is on."""
    if place is None:
        return ()
    return (place,) if isinstance(place, str) else place


def _leads(setup: Setup | None, leads: Leads, starts: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """A wire for each lead, to the node that it is on. starts: by generator lead, the node it begins at."""
    proper = {} if setup is None else proper_nodes(setup, leads.inputs)
    for lead, right in proper.items():
        place = leads.elsewhere.get(lead, leads.wires.get(f"{lead.partition(' ')[0]} {right}", right))
        for node in nodes_of(place):
            yield starts.get(lead, lead.replace("input", "scope")), starts.get(node, node)


def _outputs(leads: Leads) -> Iterator[Source]:
    rng = generator_for("source", leads.seed)
    tolerance = leads.imperfections.source_resistance * GENERATOR_TOLERANCE
    for leg in LEGS:
        yield Source(node=f"generator {leg}", ohm=GENERATOR_OHM * (1 + tolerance * rng.uniform(-1, 1)))


def _cables(module: Module, leads: Leads) -> Iterator[Element]:
    """The cable that is always on each port, seen from its pins."""
    for channel in module.channels:
        for port in (port for port in module.ports if port.is_in(channel)):
            rng = generator_for("cable", leads.seed, channel, port.net)
            cable_f = leads.imperfections.cables * log_uniform(CABLE_F, rng)
            for leg in LEGS:
                value = cable_f * (1 + LEG_SPREAD * rng.uniform(-1, 1))
                yield Element(a=pin(node_name(channel, port.net, leg)), b=GROUND, value=value, is_stray=True)


def _scope(leads: Leads) -> tuple[list[Element], list[Element]]:
    resistance_ohm, capacitance_f = PROBES[leads.probe]
    rng = generator_for("scope inputs", leads.seed)
    inputs, capacitances = [], []
    for number in range(1, leads.inputs + 1):
        node = f"scope {number}"
        inputs.append(Element(a=node, b=GROUND, value=resistance_ohm * within(INPUT_TOLERANCE, rng)))
        capacitances.append(Element(a=node, b=GROUND, value=capacitance_f * within(INPUT_SPREAD, rng)))
    return inputs, capacitances


def _terminate(channel: str, net: str, load: Termination, leads: Leads) -> Iterator[Element]:
    rng = generator_for("load", leads.seed, channel, net)
    hot, cold = (pin(f"{channel}.{net}.{leg}") for leg in LEGS)
    if load.across_ohm is not None:
        yield Element(a=hot, b=cold, value=load.across_ohm * within(load.tolerance, rng))
    if load.leg_ohm is not None:
        for node in (hot, cold):
            yield Element(a=node, b=GROUND, value=load.leg_ohm * within(load.tolerance, rng))


def _plug(
    fixture: Fixture, name: str, channel: str, plugs: Plugs, leads: Leads
) -> tuple[list[Element], list[tuple[str, str]]]:
    """One loopback plug in one channel, as it really is: its resistors, its wires."""
    fitted = fixture.loopbacks[name]
    position = (channel, name)
    if position in plugs.missing:
        return [], []
    if position in plugs.straight:
        fitted = replace(fitted, legs=None, pad_db=0.0)
    source = plugs.of_other_channel.get(position, channel)
    arrivals = LEGS[::-1] if position in plugs.crossed else LEGS
    ends: dict[Leg, tuple[str, str]] = {
        leg: (pin(f"{channel}.{fitted.from_net}.{leg}"), pin(f"{channel}.{fitted.to_net}.{arrives}"))
        for leg, arrives in zip(LEGS, arrivals, strict=True)
    }
    rng = generator_for("plug", fitted.plug or (leads.seed, fitted.name), source)
    if fitted.legs is not None:
        resistors = [
            element
            for leg in LEGS
            for element in _coded(fitted.legs[source][leg], ends[leg], fitted.tolerance, rng)
        ]
        return resistors, []
    if not fitted.pad_db:
        return [], [ends["hot"], ends["cold"]]
    return list(_pad(fitted, name, channel, ends, rng)), []


def _coded(
    leg: LoopbackLeg, ends: tuple[str, str], tolerance: float, rng: np.random.Generator
) -> Iterator[Element]:
    start, end = ends
    # A coded leg of 0 ohm is a wire: a micro-ohm says so without a second kind of element.
    yield Element(a=start, b=end, value=max(leg.series_ohm * within(tolerance, rng), 1e-6))
    if leg.shunt_ohm is not None:
        yield Element(a=end, b=GROUND, value=leg.shunt_ohm * within(tolerance, rng))


def _pad(
    loopback: Loopback, name: str, channel: str, ends: Mapping[Leg, tuple[str, str]], rng: np.random.Generator
) -> Iterator[Element]:
    """A balanced H pad: four arms R1/2 and a shunt R3.

    With K = 10^(dB/20): R1 = Z (K-1)/(K+1), R3 = 2 Z K/(K^2-1), the handbooks' T pad with its arms shared
    between the legs.
    """
    ratio = 10 ** ((loopback.pad_db or 0.0) / 20)
    impedance_ohm = loopback.pad_impedance_ohm or 600.0
    arm_ohm = impedance_ohm * (ratio - 1) / (ratio + 1) / 2
    shunt_ohm = 2 * impedance_ohm * ratio / (ratio**2 - 1)
    middle: dict[Leg, str] = {leg: f"pad {name} {channel} {leg}" for leg in LEGS}
    for leg in LEGS:
        for end in ends[leg]:
            yield Element(a=end, b=middle[leg], value=arm_ohm * within(loopback.tolerance, rng))
    yield Element(a=middle["hot"], b=middle["cold"], value=shunt_ohm * within(loopback.tolerance, rng))
