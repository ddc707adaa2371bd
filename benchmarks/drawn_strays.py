"""Stray capacitances as real benches have them, drawn anew for every unit and its bench.

Which nets lie side by side is drawn too: nothing here is taken from what the harness assumes of strays.
The ranges are common practice, no source. How near two channels come to each other is of two kinds, since it
is what the crosstalk of a good unit is: every net beside the other channel's, or 2 pF at most in all.
"""

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np

from harness.job.module import LEGS, Module
from simulator.circuit import GROUND, Element, Parts
from simulator.unit import pin

CABLE_F = (30e-12, 300e-12)  # of every port's cable, core to screen
NET_F = (5e-12, 50e-12)  # from every net to ground
NEAR_F = (0.1e-12, 2e-12)  # between neighbouring nets, and between the channels


def draw_strays(module: Module, parts: Parts, serial: str) -> tuple[Element, ...]:
    """Capacitors to be added to a unit's network, the same in every setup; every net has one to each channel
    beside its own.
    """
    rng = np.random.default_rng([14, *serial.encode()])
    nets = nets_of(module, parts)
    return (*_capacitors(module, nets, rng), *_between(module, nets, rng))


def draw_strays_apart(module: Module, parts: Parts, serial: str) -> tuple[Element, ...]:
    """The same of a unit whose channels lie apart: between two of them there is NEAR_F in all."""
    rng = np.random.default_rng([14, *serial.encode()])
    nets = nets_of(module, parts)
    own, between = tuple(_capacitors(module, nets, rng)), tuple(_between(module, nets, rng))
    share = _near_f(rng) * (len(module.channels) - 1) / sum(each.value for each in between) if between else 1
    return (*own, *(replace(each, value=each.value * share) for each in between))


def nets_of(module: Module, parts: Parts) -> dict[str, list[str]]:
    """The nets of each channel, by what the simulator's contacts, parts and wires join."""
    nodes = [node for contact in parts.contacts for node in (contact.a, contact.b)]
    nodes += [node for part in parts.resistors for node in (part.a, part.b)]
    nodes += [node for part in parts.capacitors for node in (part.a, part.b)]
    nodes += [node for wire in parts.wires for node in wire]
    nodes += [node for amplifier in parts.amplifiers for node in (*amplifier.inputs, *amplifier.outputs)]
    split = [node.split(".") for node in sorted(set(nodes))]
    return {
        channel: list(dict.fromkeys(words[1] for words in split if len(words) == 3 and words[0] == channel))
        for channel in module.channels
    }


def _near_f(rng: np.random.Generator) -> float:
    return float(np.exp(rng.uniform(*np.log(NEAR_F))))


def _capacitors(module: Module, nets: dict[str, list[str]], rng: np.random.Generator) -> Iterator[Element]:
    """To ground, and between tracks of one channel."""
    for channel, names in nets.items():
        for net in names:
            for leg in LEGS:
                yield Element(a=f"{channel}.{net}.{leg}", b=GROUND, value=float(rng.uniform(*NET_F)))
        layout = [str(name) for name in rng.permutation(names)]
        tracks = [f"{channel}.{net}.{leg}" for net in layout for leg in rng.permutation(LEGS)]
        for a, b in pairwise(tracks):  # tracks side by side, in an order that no file gives
            yield Element(a=a, b=b, value=_near_f(rng))
        for port in module.ports:
            cable_f = float(rng.uniform(*CABLE_F))
            for leg in LEGS:
                core_f = cable_f * float(rng.uniform(0.95, 1.05))
                yield Element(a=pin(f"{channel}.{port.net}.{leg}"), b=GROUND, value=core_f)


def _between(module: Module, nets: dict[str, list[str]], rng: np.random.Generator) -> Iterator[Element]:
    """Between the same net of channels side by side."""
    for one, other in pairwise(module.channels):
        for net in (net for net in nets[one] if net in nets[other]):
            for leg in LEGS:
                yield Element(a=f"{one}.{net}.{leg}", b=f"{other}.{net}.{leg}", value=_near_f(rng))
