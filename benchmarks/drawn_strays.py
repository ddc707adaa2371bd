"""Stray capacitances as real benches have them, drawn anew for every unit and its bench.

Which nets lie side by side is drawn too: nothing here is taken from what the harness assumes of strays.
The ranges are common practice, no source.
"""

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from harness.job.module import LEGS, Module
from simulator.circuit import GROUND, Element, Parts
from simulator.unit import pin

CABLE_F = (30e-12, 300e-12)  # of every port's cable, core to screen
NET_F = (5e-12, 50e-12)  # from every net to ground
NEAR_F = (0.1e-12, 2e-12)  # between neighbouring nets, and between the channels


def draw_strays(module: Module, parts: Parts, serial: str) -> tuple[Element, ...]:
    """Capacitors to be added to a unit's network, the same in every setup."""
    rng = np.random.default_rng([14, *serial.encode()])
    return tuple(_capacitors(module, nets_of(module, parts), rng))


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


def _capacitors(module: Module, nets: dict[str, list[str]], rng: np.random.Generator) -> Iterator[Element]:
    def near_f() -> float:
        return float(np.exp(rng.uniform(*np.log(NEAR_F))))

    for channel, names in nets.items():
        for net in names:
            for leg in LEGS:
                yield Element(a=f"{channel}.{net}.{leg}", b=GROUND, value=float(rng.uniform(*NET_F)))
        layout = [str(name) for name in rng.permutation(names)]
        tracks = [f"{channel}.{net}.{leg}" for net in layout for leg in rng.permutation(LEGS)]
        for a, b in pairwise(tracks):  # tracks side by side, in an order that no file gives
            yield Element(a=a, b=b, value=near_f())
        for port in module.ports:
            cable_f = float(rng.uniform(*CABLE_F))
            for leg in LEGS:
                core_f = cable_f * float(rng.uniform(0.95, 1.05))
                yield Element(a=pin(f"{channel}.{port.net}.{leg}"), b=GROUND, value=core_f)
    for one, other in pairwise(module.channels):
        for net in (net for net in nets[one] if net in nets[other]):
            for leg in LEGS:
                yield Element(a=f"{one}.{net}.{leg}", b=f"{other}.{net}.{leg}", value=near_f())
