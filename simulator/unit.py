"""One unit of a module as it was built: its own resistances, coils, timings and strays, and its faults."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, TypeVar, cast

import numpy as np

from harness.job.module import LEGS, Module, Part, Pole, Relay, node_name
from simulator.circuit import GROUND, Balanced, Bools, Contact, Element, Mutual, Winding
from simulator.imperfections import USUAL, Imperfections
from simulator.parts.amplifiers import OwnSignals, own_signals
from simulator.parts.magnetics import wind
from simulator.sources import generator_for, within

AnyPart = TypeVar("AnyPart", bound=Part)
Throw = tuple[str, Literal["released", "operated"]]  # a pole's name and one of its throws

COIL_LOT = 0.03  # coils of one lot differ from nominal by up to this fraction ...
COIL_SPREAD = 0.015  # ... and from each other by this; data sheets allow 0.1 (from memory)
STRAY_TOTAL_F = (0.5e-12, 2e-12)  # between neighbouring nets of two channels, all together
NET_F = (5e-12, 50e-12)  # from a net's leg to ground: tracks over a plane; common practice, no source
NEIGHBOUR_F = (0.1e-12, 2e-12)  # between tracks side by side: common practice, no source
LEG_SPREAD = 0.05  # between the legs of one net or one cable
MAINS = "mains"  # the node of what hums
PICKUP_F = (1e-15, 5e-15)  # from the mains to a net in its case: a millivolt into a megohm; no source
CONTACT_EMF_V = 2e-6  # below the 10 uV of the data sheet of TE Connectivity's IM relay
PIN_OPEN_F = 0.2e-12  # across a broken joint
# What a coil's field induces in the wires of each contact while its current changes: volts in both legs and
# between them, and how they begin and end. Clicks of some millivolts: common practice, no source.
CLICK_COMMON_V, CLICK_BETWEEN_V = (1e-3, 6e-3), (0.5e-3, 3e-3)
CLICK_RISE_S, CLICK_FALL_S = (30e-6, 120e-6), (0.2e-3, 1.5e-3)
COIL_POLE_F = (0.6e-12, 1.4e-12)  # from a coil to each pole; signal relays' data sheets, from memory
ARMATURE_SKEW_S = 0.15e-3
POLE_SPREAD = 0.15  # greatest, of one pole's gap and bounce from another's: common practice, no source


def pin(node: str) -> str:
    """Name the connector's side of a node of a port."""
    return f"pin {node}"


def coils_of(relay: Relay) -> dict[str, str]:
    """The names of a relay's coils, by the control line that drives each; a latching relay has two.

    Or it has one between both lines, each of which drives it in its own polarity.
    """
    if relay.control is not None:
        return {relay.control: relay.name}
    if relay.single_coil:
        return {control: relay.name for control in (relay.set_control, relay.reset_control) if control}
    wired = {relay.set_control: f"{relay.name} set", relay.reset_control: f"{relay.name} reset"}
    return {control: coil for control, coil in wired.items() if control is not None}


@dataclass(frozen=True, kw_only=True)
class Timing:
    """One relay's own times, from the coil's edge; bounce excluded from operate and release."""

    operate_s: float
    release_s: float
    gap_s: float  # between break and make
    bounce_s: float
    skew_s: tuple[float, ...]  # how much earlier each pole acts than the last one
    shares: tuple[float, ...]  # each pole's own gap and bounce, times the relay's


@dataclass(frozen=True, kw_only=True)
class Click:
    """What a step of a coil's nominal volts induces beside its poles: emf_v (exp(-t/fall) - exp(-t/rise))."""

    emf_v: tuple[float, ...]  # per pole
    rise_s: float
    fall_s: float


@dataclass(frozen=True, kw_only=True)
class Built:
    """A unit's circuit and mechanics, faults included. Contacts and `throws` stand in the same order."""

    serial: str
    poles: tuple[tuple[int, int], ...]  # (relay's index, pole's index in it), in the order of `closed`
    throws: tuple[tuple[int, int], ...]  # per contact: (index into poles, dynamics.RELEASED or OPERATED)
    contacts: tuple[Contact, ...]
    always_closed: frozenset[int]  # indices into contacts
    always_open: frozenset[int]
    wires: tuple[tuple[str, str], ...]
    resistors: tuple[Element, ...]
    capacitors: tuple[Element, ...]
    amplifiers: tuple[Balanced, ...]
    own_signals: tuple[OwnSignals, ...]  # per amplifier
    timings: tuple[Timing, ...]  # per relay
    clicks: tuple[Click, ...]  # per relay
    coil_ohm: Mapping[str, float]  # by `coils_of`; infinite where the coil is open
    held: Mapping[str, int]  # relay → position that its armature never leaves
    pole_held: Mapping[int, int]  # index into poles → position that this pole never leaves
    control_feeds: Mapping[
        str, frozenset[str]
    ]  # module's control line → fixture's control lines that energise it
    coil_f: Mapping[str, tuple[float, ...]]  # relay → from its coil to each of its poles
    misses: Mapping[tuple[int, int], Mapping[int, float]]  # relay, pole → throw → chance not to conduct
    supplied: bool  # whether the supply reaches what draws current beside the coils
    windings: tuple[Winding, ...]
    mutuals: tuple[Mutual, ...]

    def closed(self, positions: Sequence[Sequence[int]]) -> Bools:
        """Which contacts are closed, faults included; `positions` of every relay's poles as they move."""
        where = [positions[relay][pole] for relay, pole in self.poles]
        for pole, position in self.pole_held.items():
            where[pole] = position
        closed = np.array([where[pole] == throw for pole, throw in self.throws], dtype=np.bool_)
        closed[list(self.always_closed)] = True
        closed[list(self.always_open)] = False
        return closed

    def of_poles(self, poles: Collection[tuple[int, int]]) -> Bools:
        """Which contacts belong to some poles, each given as (relay's index, pole's index in it)."""
        return np.array([self.poles[pole] in poles for pole, _ in self.throws], dtype=np.bool_)


@dataclass(frozen=True, kw_only=True)
class Slowed:
    """How many times longer than a good relay's its times are."""

    operate: float = 1.0
    release: float = 1.0
    bounce: float = 1.0


@dataclass(kw_only=True)
class Damage:
    """What is to be changed of a good unit before it is put together."""

    contact_ohm: dict[Throw, float] = field(default_factory=dict)  # in place of its own
    intermittent: dict[Throw, float] = field(default_factory=dict)  # chance of each operation not to conduct
    always_closed: set[Throw] = field(default_factory=set)
    always_open: set[Throw] = field(default_factory=set)
    held: dict[str, int] = field(default_factory=dict)
    pole_held: dict[str, int] = field(default_factory=dict)
    coil_ohm: dict[str, float] = field(default_factory=dict)
    pins: dict[str, str] = field(default_factory=dict)  # pin's node → inner node that it reaches instead
    pins_open: set[str] = field(default_factory=set)
    bridges: list[Element] = field(default_factory=list)
    slowed: dict[str, Slowed] = field(default_factory=dict)
    part_value: dict[str, float] = field(default_factory=dict)  # infinite: left out
    parts_swapped: list[tuple[str, str]] = field(default_factory=list)
    winding_open: set[str] = field(default_factory=set)
    amplifier_dead: set[str] = field(default_factory=set)  # `U1`, or one leg of its output: `U1.hot`
    control_feeds: dict[str, frozenset[str]] = field(default_factory=dict)
    supplied: bool = True  # whether the supply reaches what draws current beside the coils


def build(module: Module, serial: str, damage: Damage, imperfections: Imperfections = USUAL) -> Built:
    """Put a unit together: values drawn for `serial`, then `damage` done to it."""
    for pair in damage.parts_swapped:
        module = _with_swapped(module, pair)
    rng = generator_for("unit", module.part, serial)
    lot = 1 + COIL_LOT * rng.uniform(-1, 1)
    good_ohm = {
        coil: relay.type.coil_ohm * lot * (1 + COIL_SPREAD * rng.uniform(-1, 1))
        for relay in module.relays
        for coil in coils_of(relay).values()
    }
    timings = tuple(
        _slowed(_timing(relay, rng, serial, imperfections.contact_times), damage.slowed.get(relay.name))
        for relay in module.relays
    )
    poles = tuple((r, p) for r, relay in enumerate(module.relays) for p in range(len(relay.poles)))
    throws: list[tuple[int, int]] = []
    contacts: list[Contact] = []
    closed, opened = set(), set()
    misses: dict[tuple[int, int], dict[int, float]] = {}
    for number, (relay, pole, throw, position, other) in _throws(module):
        contact = _contact(relay, pole, other, rng)
        key: Throw = (pole.name, throw)
        if key in damage.contact_ohm:
            contact = replace(contact, closed_ohm=damage.contact_ohm[key])
        if key in damage.always_closed:
            closed.add(len(contacts))
        if key in damage.always_open:
            opened.add(len(contacts))
        if key in damage.intermittent:
            misses.setdefault(poles[number], {})[position] = damage.intermittent[key]
        throws.append((number, position))
        contacts.append(contact)
    resistors = [_element(part, damage, rng) for part in module.resistors]
    capacitors = [_element(part, damage, rng) for part in module.capacitors]
    wires, breaks = _pins(module, damage)
    amplifiers, inputs = _amplifiers(module, serial, damage.amplifier_dead)
    windings, mutuals = wind(module, serial, values=damage.part_value, broken=damage.winding_open)
    links = tuple((link.a, link.b) for link in module.links if link.name not in damage.part_value)
    strays = (
        *_between_channels(module, rng, imperfections.channels),
        *_strays(module, serial, imperfections),
    )
    return Built(
        serial=serial,
        poles=poles,
        throws=tuple(throws),
        contacts=tuple(contacts),
        always_closed=frozenset(closed),
        always_open=frozenset(opened),
        wires=(*wires, *links),
        resistors=tuple(r for r in (*resistors, *inputs, *damage.bridges) if np.isfinite(r.value)),
        capacitors=tuple(c for c in (*capacitors, *breaks, *strays) if np.isfinite(c.value)),
        amplifiers=amplifiers,
        own_signals=tuple(
            own_signals(module.part, serial, f"{amplifier.name} {amplifier.channel}", imperfections)
            for amplifier in module.amplifiers
        ),
        timings=timings,
        clicks=tuple(_click(relay, module, serial, imperfections.clicks) for relay in module.relays),
        coil_ohm=good_ohm | damage.coil_ohm,
        held=dict(damage.held),
        pole_held={
            number: damage.pole_held[pole.name]
            for number, pole in enumerate(pole for relay in module.relays for pole in relay.poles)
            if pole.name in damage.pole_held
        },
        coil_f=_coil_capacitances(module, serial),
        misses=misses,
        supplied=damage.supplied,
        windings=windings,
        mutuals=mutuals,
        control_feeds={
            control: damage.control_feeds.get(control, frozenset({control}))
            for control in module.control_names
        },
    )


def _throws(
    module: Module,
) -> Iterator[tuple[int, tuple[Relay, Pole, Literal["released", "operated"], int, str]]]:
    number = 0
    for relay in module.relays:
        for pole in relay.poles:
            if pole.released is not None:
                yield number, (relay, pole, "released", 1, pole.released)
            if pole.operated is not None:
                yield number, (relay, pole, "operated", 2, pole.operated)
            number += 1


def _contact(relay: Relay, pole: Pole, other: str, rng: np.random.Generator) -> Contact:
    """A good contact: most near the typical resistance, a few towards the greatest allowed."""
    kind = relay.type
    return Contact(
        a=pole.common,
        b=other,
        closed_ohm=kind.contact_ohm + (kind.contact_max_ohm - kind.contact_ohm) * rng.beta(1.2, 5) * 0.9,
        open_f=kind.off_capacitance_f * rng.uniform(0.7, 1.0),
        emf_v=CONTACT_EMF_V * rng.uniform(-1, 1),
    )


def _timing(relay: Relay, rng: np.random.Generator, serial: str, size: float) -> Timing:
    own = generator_for("contact times", serial, relay.name)
    kind = relay.type
    operate_s = kind.operate_max_s * rng.uniform(0.35, 0.7)
    release_s = kind.release_max_s * rng.uniform(0.35, 0.7)
    skew_s = rng.uniform(0, min(ARMATURE_SKEW_S, 0.1 * kind.operate_max_s), max(1, len(relay.poles)))
    return Timing(
        operate_s=operate_s,
        release_s=release_s,
        gap_s=min(operate_s, release_s) * rng.uniform(0.15, 0.4),
        bounce_s=kind.bounce_max_s * rng.uniform(0.1, 0.6),
        skew_s=tuple(size * (skew_s[: len(relay.poles)] - skew_s[: len(relay.poles)].min(initial=1.0))),
        shares=tuple(1 - min(size * POLE_SPREAD, 1.0) * own.uniform(0, 1, len(relay.poles))),
    )


def _slowed(timing: Timing, slowed: Slowed | None) -> Timing:
    if slowed is None:
        return timing
    return replace(
        timing,
        operate_s=timing.operate_s * slowed.operate,
        release_s=timing.release_s * slowed.release,
        bounce_s=timing.bounce_s * slowed.bounce,
    )


def _coil_capacitances(module: Module, serial: str) -> dict[str, tuple[float, ...]]:
    rng = generator_for("coil capacitance", module.part, serial)
    return {
        relay.name: tuple(
            0.0 if relay.type.is_electronic else float(f) for f in rng.uniform(*COIL_POLE_F, len(relay.poles))
        )
        for relay in module.relays
    }


def _click(relay: Relay, module: Module, serial: str, size: float) -> Click:
    rng = generator_for("click", module.part, serial, relay.name)
    common_v = rng.uniform(*CLICK_COMMON_V) * rng.choice((-1, 1))
    between_v = rng.uniform(*CLICK_BETWEEN_V) * rng.choice((-1, 1))
    if relay.type.is_electronic:
        size = 0.0
    legs_v = {"hot": common_v + between_v / 2, "cold": common_v - between_v / 2}
    return Click(
        emf_v=tuple(float(size * legs_v[pole.leg]) for pole in relay.poles),
        rise_s=float(rng.uniform(*CLICK_RISE_S)),
        fall_s=float(rng.uniform(*CLICK_FALL_S)),
    )


def _with_swapped(module: Module, pair: tuple[str, str]) -> Module:
    """Each of two parts soldered in where the other belongs."""
    parts = {part.name: part for part in module.two_ended}
    one, other = (parts[name] for name in pair)
    instead = {one.name: other, other.name: one}

    def placed(part: AnyPart) -> AnyPart:
        there = instead.get(part.name, part)
        return cast(AnyPart, replace(there, name=part.name, a=part.a, b=part.b))

    return replace(
        module,
        resistors=tuple(map(placed, module.resistors)),
        capacitors=tuple(map(placed, module.capacitors)),
        inductors=tuple(map(placed, module.inductors)),
    )


def _element(part: Part, damage: Damage, rng: np.random.Generator) -> Element:
    drawn = part.value * within(part.tolerance, rng)
    return Element(a=part.a, b=part.b, value=damage.part_value.get(part.name, drawn))


def _pins(module: Module, damage: Damage) -> tuple[tuple[tuple[str, str], ...], list[Element]]:
    """The joints between the connectors' pins and the board."""
    wires, breaks = [], []
    for channel in module.channels:
        for port in (port for port in module.ports if port.is_in(channel)):
            for leg in LEGS:
                node = node_name(channel, port.net, leg)
                reached = damage.pins.get(node, node)
                if leg not in port.legs:
                    wires.append((node, GROUND))
                if node in damage.pins_open:
                    breaks.append(Element(a=pin(node), b=reached, value=PIN_OPEN_F))
                else:
                    wires.append((pin(node), reached))
    return tuple(wires), breaks


def _strays(module: Module, serial: str, imperfections: Imperfections) -> Iterator[Element]:
    """Capacitance from each net to ground, to the mains, between its legs, and to the next in module.toml."""
    rng = generator_for("strays", module.part, serial)
    for nets in _nets(module):
        for number, (hot, cold) in enumerate(nets):
            to_ground_f = imperfections.nets * log_uniform(NET_F, rng)
            for node in (hot, cold):
                value = to_ground_f * (1 + LEG_SPREAD * rng.uniform(-1, 1))
                yield Element(a=node, b=GROUND, value=value, is_stray=True)
                pickup_f = imperfections.pickup * log_uniform(PICKUP_F, rng)
                yield Element(a=node, b=MAINS, value=pickup_f, is_stray=True)
            beside = [(hot, cold)]
            if number + 1 < len(nets):
                beside += zip((hot, cold), nets[number + 1], strict=True)
            for a, b in beside:
                value = imperfections.neighbours * log_uniform(NEIGHBOUR_F, rng)
                yield Element(a=a, b=b, value=value, is_stray=True)


def _nets(module: Module) -> Iterator[list[tuple[str, str]]]:
    """Hot and cold node of each net, channel by channel, in the order in which module.toml names them."""
    nodes = [
        node
        for relay in module.relays
        for pole in relay.poles
        for node in (pole.common, *pole.throws.values())
    ]
    nodes += [node for part in module.two_ended for node in (part.a, part.b)]
    nodes += [node for each in module.transformers for node in (*each.primary, *each.secondary)]
    for amplifier in module.amplifiers:
        nodes += [f"{amplifier.channel}.{net}.hot" for net in (amplifier.from_net, amplifier.to_net)]
    for channel in module.channels:
        nets = dict.fromkeys(port.net for port in module.ports if port.is_in(channel))
        nets |= dict.fromkeys(node.split(".")[1] for node in nodes if node.startswith(f"{channel}."))
        yield [(node_name(channel, net, "hot"), node_name(channel, net, "cold")) for net in nets]


def log_uniform(limits: tuple[float, float], rng: np.random.Generator) -> float:
    """Draw a value whose logarithm lies anywhere between those of two limits."""
    return float(np.exp(rng.uniform(*np.log(limits))))


def _between_channels(module: Module, rng: np.random.Generator, size: float) -> list[Element]:
    """Capacitance between the same port's legs of neighbouring channels, its whole drawn per unit."""
    strays: list[Element] = []
    pairs = list(zip(module.channels, module.channels[1:], strict=False))
    for first, second in pairs:
        shares = rng.uniform(0.5, 1.5, len(module.ports))
        total_f = rng.uniform(*STRAY_TOTAL_F)
        for port, share in zip(module.ports, shares / shares.sum(), strict=True):
            if not (port.is_in(first) and port.is_in(second)):
                continue
            for leg, part in (("hot", 0.6), ("cold", 0.4)):  # no layout is symmetrical
                a, b = f"{first}.{port.net}.{leg}", f"{second}.{port.net}.{leg}"
                strays.append(Element(a=a, b=b, value=float(size * total_f * share * part), is_stray=True))
    return strays


def _alive(name: str, dead: Collection[str]) -> tuple[bool, bool]:
    hot, cold = (name not in dead and f"{name}.{leg}" not in dead for leg in LEGS)
    return hot, cold


def _amplifiers(
    module: Module, serial: str, dead: Collection[str]
) -> tuple[tuple[Balanced, ...], list[Element]]:
    amplifiers, inputs = [], []
    for amplifier in module.amplifiers:
        channel = amplifier.channel
        ins = (node_name(channel, amplifier.from_net, "hot"), node_name(channel, amplifier.from_net, "cold"))
        outs = (node_name(channel, amplifier.to_net, "hot"), node_name(channel, amplifier.to_net, "cold"))
        rejection_db = amplifier.common_mode_rejection_db
        rng = generator_for("amplifier gain", module.part, serial, amplifier.name, channel)
        amplifiers.append(
            Balanced(
                inputs=ins,
                outputs=outs,
                gain=amplifier.gain * within(amplifier.tolerance, rng),
                output_ohm=amplifier.output_ohm,
                conversion=0.0 if rejection_db is None else 10 ** (-rejection_db / 20),
                alive=_alive(amplifier.name, dead),
            )
        )
        inputs.append(Element(a=ins[0], b=ins[1], value=amplifier.input_ohm))
    return tuple(amplifiers), inputs
