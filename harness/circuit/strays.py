"""The stray capacitances of a unit on its bench: no file gives them, so they are parameters with a spread.

Typical values and spreads are common practice, no source: real benches have 30 to 300 pF of cable at every
port, 5 to 50 pF from every net to ground, and 0.1 to 2 pF between neighbouring nets and between channels.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np

from harness.circuit.elements import Couplings, pin_name
from harness.job.module import GROUND, LEGS, Module, node_name


@dataclass(frozen=True, kw_only=True)
class StrayKind:
    """What strays of one kind are worth: typically, and their spread as a multiple of that."""

    farads: float
    spread: float


CABLE = StrayKind(farads=100e-12, spread=1.0)  # at every port's pin, to the screen
BETWEEN_CORES = StrayKind(farads=5e-12, spread=1.5)  # of the two cores of a cable
TO_GROUND = StrayKind(farads=20e-12, spread=1.0)  # of every net
BETWEEN_LEGS = StrayKind(farads=0.3e-12, spread=1.2)  # hot and cold of a net
BETWEEN_CHANNELS = StrayKind(farads=0.3e-12, spread=1.0)  # the same net of two channels
NEIGHBOURS = StrayKind(farads=0.1e-12, spread=1.5)  # two nets that a relay, a part or a connector joins
SOMEWHERE = StrayKind(farads=0.03e-12, spread=2.0)  # a port's pin and any net of its channel


def strays_of(module: Module) -> Couplings:
    """Every stray that may show, each between two nodes, under a name of its own."""
    made: dict[tuple[str, str], StrayKind] = {}
    for a, b, kind in _strays(module):
        if a != b:
            made.setdefault((a, b) if a < b else (b, a), kind)
    return Couplings(
        names=tuple(f"stray {a} {b}" for a, b in made),
        a=tuple(a for a, _ in made),
        b=tuple(b for _, b in made),
        farads=np.array([kind.farads for kind in made.values()]),
        spread_f=np.array([kind.farads * kind.spread for kind in made.values()]),
    )


def _strays(module: Module) -> Iterator[tuple[str, str, StrayKind]]:
    """Both nodes and the kind; the first of a pair that comes twice counts."""
    ports = {
        channel: [port.net for port in module.ports if port.is_in(channel)] for channel in module.channels
    }
    nets = {channel: _nets(module, channel) for channel in module.channels}
    for channel in module.channels:
        for net in nets[channel]:
            for leg in LEGS:
                yield node_name(channel, net, leg), GROUND, TO_GROUND
            yield node_name(channel, net, "hot"), node_name(channel, net, "cold"), BETWEEN_LEGS
        for net in ports[channel]:
            for leg in LEGS:
                yield pin_name(node_name(channel, net, leg)), GROUND, CABLE
            hot, cold = (pin_name(node_name(channel, net, leg)) for leg in LEGS)
            yield hot, cold, BETWEEN_CORES
    for channel, other in combinations(module.channels, 2):
        for net in (net for net in nets[channel] if net in nets[other]):
            for leg, its in ((leg, its) for leg in LEGS for its in LEGS):
                yield node_name(channel, net, leg), node_name(other, net, its), BETWEEN_CHANNELS
    for group in _joined(module):
        for a, b in combinations(group, 2):
            yield a, b, NEIGHBOURS
    for channel in module.channels:
        for one in ports[channel]:
            for other in nets[channel]:
                for leg, its in ((leg, its) for leg in LEGS for its in LEGS):
                    yield node_name(channel, one, leg), node_name(channel, other, its), SOMEWHERE


def _nets(module: Module, channel: str) -> list[str]:
    """Names of a channel's nets, but for ground."""
    nodes = [node for group in _joined(module) for node in group]
    nodes += [node_name(channel, port.net, LEGS[0]) for port in module.ports if port.is_in(channel)]
    split = [node.split(".") for node in nodes if node != GROUND]
    return list(dict.fromkeys(net for its, net, *_ in split if its == channel))


def _joined(module: Module) -> Iterator[list[str]]:
    """Nodes that lie side by side: those of a relay's contacts, of a part, of ports next to each other."""
    for relay in module.relays:
        yield [
            node for pole in relay.poles for node in (pole.common, *pole.throws.values()) if node != GROUND
        ]
    for part in module.two_ended:
        yield [node for node in (part.a, part.b) if node != GROUND]
    for transformer in module.transformers:
        yield [node for node in (*transformer.primary, *transformer.secondary) if node != GROUND]
    for amplifier in module.amplifiers:
        nets = (amplifier.from_net, amplifier.to_net)
        yield [node_name(amplifier.channel, net, leg) for net in nets for leg in LEGS]
    for channel in module.channels:
        for one, other in pairwise(port for port in module.ports if port.is_in(channel)):
            yield [node_name(channel, port.net, leg) for port in (one, other) for leg in LEGS]
