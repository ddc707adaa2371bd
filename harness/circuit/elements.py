"""What is between the generator's e.m.f. and the scope's inputs, as a flat list of two-terminal elements.

A net inside the unit is a node (`left.out.hot`). Everything of the fixture meets a port at its pin
(`left.out.hot.pin`), on the other side of the connector. `GROUND` is 0 V.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import sqrt
from typing import Literal

import numpy as np

from harness.arrays import Floats, Indices
from harness.job.module import GROUND, Leg, Module, node_name

# A good joint: a connector's pin, a straight plug, a part of 0 ohm. A job's files say nothing of
# joints, so nothing that shows may be added: 10 milliohm a pin would shift a pad's balance by 0.003 dB.
# It is not 0 so that joints side by side still share their current. Each is an element, so any can be broken.
JOINT_OHM = 1e-6

IDEAL_CONTACT_OHM = 1e-8  # of a contact that is taken for none

PIN = ".pin"
THROUGH = "through"  # the net that joins generator and scope in a through setup

Kind = Literal[
    "contact",
    "resistor",
    "capacitor",
    "link",
    "inductor",
    "winding",
    "connector",
    "loopback",
    "load",
    "scope",
]


QUIET_VRMS = (
    1.5e-6  # of a tone's phasor on a quiet input, by noise: 0.2 mV over 20 000 samples, as runs leave
)


@dataclass(frozen=True, kw_only=True)
class BenchImpedances:
    """What the instruments put on the pins: generator output, and scope input with its probe.

    winding_ohm: of each half of the secondary of a balancing transformer that feeds both legs, whose whole
    shows twice `source_ohm` of the generator; None: each leg has an output.
    supply_current: whether the relay supply says what it gives; if not, no reading of it can be taken.
    quiet_vrms: of a tone's phasor on an input that shows nothing, by the noise of its most sensitive range.
    trigger_within_s: limit of the error of the instant that a record is counted from; None: one sample.
    """

    source_ohm: float = 50.0
    source_tolerance: float = 0.01  # a fraction; common practice, no source
    winding_ohm: float | None = None
    input_ohm: float = 1e6
    input_f: float = 15e-12
    supply_current: bool = True
    quiet_vrms: float = QUIET_VRMS
    trigger_within_s: float | None = None

    @property
    def drives_legs_together(self) -> bool:
        """Whether one output feeds both legs, so that nothing tells them apart."""
        return self.winding_ohm is not None


@dataclass(frozen=True, kw_only=True, slots=True)
class Element:
    """A resistance (None: none) in parallel with a capacitance, or in series with an inductance; two nodes.

    `part` is what a person calls the thing it belongs to: `R1`, `K1`, a plug's name. The spreads are standard
    uncertainties of the values, each independent of the others. `conducts` is False for a contact that is
    open, which only couples.
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
    inductance_h: float = 0.0
    inductance_spread_h: float = 0.0
    conducts: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class AmplifierLeg:
    """One leg of a driver: an e.m.f. of gain_hot·V(hot) + gain_cold·V(cold), behind a resistance.

    `follows` is the input node on the same leg. gain_spread: a standard uncertainty of the gain, as a
    fraction, which both legs have in common.
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
    is_hot: bool
    gain_spread: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class IdealTransformer:
    """What is left of a transformer without its windings' resistances and inductances, which are elements.

    Volts of the secondary are `ratio` times those of the primary, and the currents' powers add up to nothing.
    ends: of both windings where the unit has them, the primary's first; the elements lie between.
    """

    name: str
    primary: tuple[str, str]
    secondary: tuple[str, str]
    ratio: float
    ends: tuple[tuple[str, str], tuple[str, str]]

    @property
    def nodes(self) -> tuple[str, ...]:
        """All four."""
        return (*self.primary, *self.secondary)

    @property
    def coefficients(self) -> tuple[tuple[str, float], ...]:
        """Of the nodes' volts in its equation, and of its current in theirs: they are the same."""
        (a, b), (c, d) = self.primary, self.secondary
        return (c, 1.0), (d, -1.0), (a, -self.ratio), (b, self.ratio)


WINDING = "winding"  # and the leg: half of the secondary of a balancing transformer, up to its lead


@dataclass(frozen=True, kw_only=True, slots=True)
class GeneratorLeg:
    """One output of the generator: an e.m.f. behind its output resistance, at a node."""

    leg: Leg
    node: str
    output_ohm: float
    output_spread_ohm: float = 0.0

    @property
    def name(self) -> str:
        """The name of its resistance."""
        return f"generator {self.leg}"


@dataclass(frozen=True, kw_only=True)
class Circuit:
    """One state of one setup; `view` are the nodes on the scope's inputs, in view order."""

    elements: tuple[Element, ...]
    amplifiers: tuple[AmplifierLeg, ...]
    generator: tuple[GeneratorLeg, ...]
    view: tuple[str, ...]
    transformers: tuple[IdealTransformer, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class Couplings:
    """Capacitances beside a circuit's elements, in arrays: by name, between nodes `a` and `b`, with spreads.

    farads, spread_f: (couplings,); what is at a node that a circuit doesn't have doesn't count there.
    """

    names: tuple[str, ...]
    a: tuple[str, ...]
    b: tuple[str, ...]
    farads: Floats
    spread_f: Floats

    def rows(self, node: Mapping[str, int], ground: int) -> Indices:
        """Rows of both ends, (2, couplings); where a circuit lacks one of them, ground's for both."""
        rows = {**node, GROUND: ground}
        ends = np.array([[rows.get(name, -1) for name in names] for names in (self.a, self.b)], dtype=np.intp)
        return np.where((ends < 0).any(axis=0), ground, ends)

    def capacitance(self, rows: Indices, ground: int) -> Floats:
        """What they add to a matrix of capacitances whose last row and column are ground's, at these rows."""
        a, b = rows
        size = ground + 1
        flat = np.concatenate([one * size + other for one, other in ((a, a), (b, b), (a, b), (b, a))])
        farads = np.concatenate([self.farads, self.farads, -self.farads, -self.farads])
        return np.asarray(
            np.bincount(flat, weights=farads, minlength=size**2).reshape(size, size), dtype=float
        )


def pin_name(node: str) -> str:
    """Name the pin on the fixture's side of a port's connector."""
    return node + PIN


def terminal(module: Module, channel: str, net: str, leg: Leg) -> str:
    """Where the fixture meets a net: the pin of a port, or the net itself if it has no connector."""
    node = node_name(channel, net, leg)
    return pin_name(node) if module.has_port(channel, net) else node


def resistor(
    name: str, kind: Kind, a: str, b: str, ohm: float, tolerance: float, *, part: str = ""
) -> Element:
    """A tolerance is the half-width of a rectangular distribution (JCGM 100, 4.3.7)."""
    return Element(
        name=name,
        part=part or name,
        kind=kind,
        a=a,
        b=b,
        resistance_ohm=max(ohm, JOINT_OHM),
        resistance_spread_ohm=ohm * tolerance / sqrt(3),
    )


def inductive(
    name: str, kind: Kind, a: str, b: str, *, ohm: float, henry: float, tolerance: float, part: str
) -> Element:
    """A resistance in series with an inductance, both with the tolerance of a part."""
    return Element(
        name=name,
        part=part,
        kind=kind,
        a=a,
        b=b,
        resistance_ohm=ohm,
        resistance_spread_ohm=ohm * tolerance / sqrt(3),
        inductance_h=henry,
        inductance_spread_h=henry * tolerance / sqrt(3),
    )


def with_value(element: Element, value: float) -> Element:
    """A part of another value, as well known as its own."""
    if element.kind == "capacitor":
        scale = value / element.capacitance_f
        return replace(
            element, capacitance_f=value, capacitance_spread_f=scale * element.capacitance_spread_f
        )
    if element.inductance_h:
        scale = value / element.inductance_h
        return replace(element, inductance_h=value, inductance_spread_h=scale * element.inductance_spread_h)
    scale = value / (element.resistance_ohm or value)
    return replace(element, resistance_ohm=value, resistance_spread_ohm=scale * element.resistance_spread_ohm)


def swapped(elements: Sequence[Element], one: str, other: str) -> list[Element]:
    """Each of two parts where the other belongs: between its nodes, under its name."""
    places = {element.name: element for element in elements if element.name in (one, other)}
    if len(places) < 2:
        return list(elements)
    instead = {one: places[other], other: places[one]}
    return [
        replace(instead[each.name], name=each.name, part=each.part, a=each.a, b=each.b)
        if each.name in instead
        else each
        for each in elements
    ]
