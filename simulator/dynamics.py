"""What happens in time: coils and contacts, capacitors on their way, and coils that couple into contacts.

The control side says which coils supply and lines energise; contacts break, travel, make and bounce. Between
two movements a circuit of resistors and a few large capacitors relaxes: dv/dt = -A v for what the capacitors'
volts still lack, a sum of exponentials. Picofarads are taken to be there at once. A coil's edge drives a
current through the picofarads between coil and contacts, into whatever holds the contacts.
"""

import bisect
import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from harness.job.module import Module, Relay
from simulator.circuit import Bools, Complex, Floats, Network
from simulator.unit import Built, Timing, coils_of

OPEN, RELEASED, OPERATED = 0, 1, 2
"""Where a pole's common is: in the air, on its released throw, on its operated throw."""

PICK_UP = 0.7  # of the nominal coil voltage: data sheet of TE Connectivity's IM relay
DROP_OUT = 0.1  # the same, from memory
MEMORY_S = 60.0  # simulated seconds of past positions stored
ESR_OHM = 1e-3  # in series with each, so that two in parallel are no contradiction
NEGLIGIBLE_V = 1e-9
COIL_EDGE_S = 1e-6  # of the driver that energises a coil or lets it go
CLAMP_V = 0.7  # below zero, where a diode across the coil holds it at release
LEAD_F = 20e-12  # at each contact: a lead and a scope input
CLICK_S = 15e-3  # after which nothing is left of what a coil's field induced
LOOK_BACK_S = 0.5  # how long before a record a circuit with slow capacitors is followed
GONE = 30.0  # time constants after which nothing is left


class Motion:
    """The past and planned positions of one relay's poles."""

    def __init__(
        self,
        timing: Timing,
        *,
        position: int,
        seed: int,
        misses: Mapping[int, Mapping[int, float]] = MappingProxyType({}),
    ) -> None:
        """misses: of a pole, by position, the chance that it arrives there and does not conduct."""
        self._timing = timing
        self._rng = np.random.default_rng(seed)
        self._chances = np.random.default_rng([seed, 1])  # of its own, so that the motion stays what it is
        self._misses = misses
        self.target = position  # where the armature is, or is going
        self._left, self._arrives_s = position, -math.inf  # where it came from, and when it is over
        self._events: list[list[tuple[float, int]]] = [[(-1e9, position)] for _ in timing.skew_s]

    def command(self, at_s: float, target: int) -> None:
        """Energise or release the coil at `at_s`; what was still to come of an earlier motion is dropped."""
        if target == self.target:
            return
        turned_back = target == self._left and at_s < self._arrives_s
        self._left, self.target = target if turned_back else self.target, target
        timing = self._timing
        nominal_s = timing.operate_s if target == OPERATED else timing.release_s
        make_s = at_s + nominal_s * self._rng.uniform(0.97, 1.03)
        self._arrives_s = make_s
        own_times = zip(self._events, timing.skew_s, timing.shares, strict=True)
        for pole, (events, skew_s, share) in enumerate(own_times):
            _forget(events, at_s)
            missed = self._chances.uniform() < self._misses.get(pole, {}).get(target, 0.0)
            moves = self._move(events[-1][1], target, at_s, make_s - skew_s, share)
            if missed:  # it leaves the other throw, and that is all that is seen of it
                moves = ((instant_s, OPEN) for instant_s, _ in itertools.islice(moves, 1))
            events.extend(moves)

    def latched(self, at_s: float) -> int:
        """Where a latching armature stays that is let go: where it was, if it is not over yet."""
        return self.target if at_s >= self._arrives_s else self._left

    def at(self, at_s: float) -> tuple[int, ...]:
        """Every pole's position at an instant."""
        return tuple(events[_last(events, at_s)][1] for events in self._events)

    def changes(self, start_s: float, end_s: float) -> Iterator[tuple[float, int, int]]:
        """Changes after `start_s` and before `end_s`: (instant, pole, position)."""
        for pole, events in enumerate(self._events):
            for instant_s, position in events[_last(events, start_s) + 1 :]:
                if instant_s < end_s:
                    yield instant_s, pole, position

    def _move(
        self, position: int, target: int, at_s: float, make_s: float, share: float
    ) -> Iterator[tuple[float, int]]:
        """share: of the relay's gap and bounce, what this pole has."""
        if position == target:
            return
        if position != OPEN:
            yield max(at_s + 1e-5, make_s - share * self._timing.gap_s), OPEN
        yield make_s, target
        if not self._timing.bounce_s:
            return
        count = int(self._rng.integers(1, 5))
        bounce_s = share * self._timing.bounce_s
        edges = np.sort(self._rng.uniform(0, bounce_s, 2 * count - 1))
        for opened_s, closed_s in zip(edges[::2], [*edges[1::2], bounce_s], strict=True):
            yield make_s + float(opened_s), OPEN
            yield make_s + float(closed_s), target


def _last(events: list[tuple[float, int]], at_s: float) -> int:
    """Index of the last event at or before an instant."""
    return bisect.bisect_right(events, (at_s, math.inf)) - 1


def _forget(events: list[tuple[float, int]], at_s: float) -> None:
    """Drop what is planned after `at_s`, and what is long past."""
    del events[_last(events, at_s) + 1 :]
    old = _last(events, at_s - MEMORY_S)
    if old > 0:
        del events[:old]


@dataclass(frozen=True, kw_only=True)
class SupplySetting:
    """What the relay supply was told."""

    voltage_v: float
    limit_a: float
    on: bool


@dataclass(frozen=True, kw_only=True)
class SupplyState:
    """What the relay supply does."""

    voltage_v: float
    current_a: float


def energised(module: Module, built: Built, closed_controls: frozenset[str]) -> frozenset[str]:
    """Lines inside the unit that are connected to the supply, its wiring faults included."""
    return frozenset(
        control for control in module.control_names if built.control_feeds[control] & closed_controls
    )


def supply_state(
    module: Module, built: Built, setting: SupplySetting, controls: frozenset[str]
) -> SupplyState:
    """Voltage and current of the supply: constant voltage, or constant current at its limit."""
    if not setting.on:
        return SupplyState(voltage_v=0.0, current_a=0.0)
    conductance_s = sum(
        1 / built.coil_ohm[coil]
        for relay in module.relays
        for control, coil in coils_of(relay).items()
        if control in controls and not (relay.single_coil and controls.issuperset(coils_of(relay)))
    )
    quiescent_a = module.supply.quiescent_a * min(1.0, setting.voltage_v / module.supply.voltage_v)
    quiescent_a *= built.supplied
    wanted_a = quiescent_a + setting.voltage_v * conductance_s
    if wanted_a <= setting.limit_a:
        return SupplyState(voltage_v=setting.voltage_v, current_a=wanted_a)
    resistance_ohm = setting.voltage_v / wanted_a
    return SupplyState(voltage_v=setting.limit_a * resistance_ohm, current_a=setting.limit_a)


def position(
    relay: Relay, built: Built, *, voltage_v: float, nominal_v: float, controls: frozenset[str], now: int
) -> int:
    """Where a relay's armature goes, `now` being where it is; of a latching one, where it stays undriven."""
    if relay.name in built.held:
        return built.held[relay.name]
    if relay.type.is_electronic:
        control_v = voltage_v if relay.control in controls else 0.0
        return OPERATED if control_v >= relay.type.threshold_v else RELEASED
    driven = {control for control in coils_of(relay) if control in controls}
    pulling = {control for control in driven if _has_coil(relay, coils_of(relay)[control], built)}
    if relay.control is not None:
        coil_v = voltage_v if driven else 0.0
        if coil_v >= PICK_UP * nominal_v and pulling:
            return OPERATED
        has_coil = _has_coil(relay, relay.name, built)
        return RELEASED if coil_v <= DROP_OUT * nominal_v or not has_coil else now
    if voltage_v < PICK_UP * nominal_v or len(pulling) != 1:  # two fields cancel
        return now
    return OPERATED if relay.set_control in pulling else RELEASED


def _has_coil(relay: Relay, coil: str, built: Built) -> bool:
    """An open coil pulls nothing, and neither does a shorted one: its turns carry no current."""
    return 0.2 < built.coil_ohm[coil] / relay.type.coil_ohm < 5


@dataclass(frozen=True, kw_only=True)
class Decay:
    """volts(t) += Re(amplitudes exp(-rate (t - start))), at each scope input, from the stretch's start on."""

    rate_per_s: complex
    amplitudes_v: Complex


@dataclass(frozen=True, kw_only=True)
class Modes:
    """A resistive circuit's capacitors: d(t) = vectors exp(-rates t) inverse d(0); inputs see `seen` d."""

    rates_per_s: Complex
    vectors: Complex
    inverse: Complex
    seen: Floats

    def decays(self, lacking_v: Floats) -> tuple[Decay, ...]:
        """What the inputs see of capacitors that lack these volts at the start."""
        if np.abs(lacking_v).max(initial=0.0) < NEGLIGIBLE_V:
            return ()
        amplitudes_v = self.seen @ self.vectors * (self.inverse @ lacking_v)
        return tuple(
            Decay(rate_per_s=complex(rate), amplitudes_v=amplitudes_v[:, m])
            for m, rate in enumerate(self.rates_per_s)
        )

    def lacking_after(self, lacking_v: Floats, later_s: float) -> Floats:
        """What the capacitors still lack after a while."""
        fallen = np.exp(-self.rates_per_s * later_s)
        return np.asarray((self.vectors @ (fallen * (self.inverse @ lacking_v))).real)


def _modes(network: Network, closed: Bools, on: tuple[bool, ...]) -> Modes:
    """How a network's large capacitors relax, for one position of its contacts."""
    farads = network.slow_f
    transfer, own = network.inject(closed, on, network.slow_ends)
    inverse = np.linalg.inv(own + ESR_OHM * np.eye(len(farads)))
    rates, vectors = np.linalg.eig(inverse / farads[:, None])
    return Modes(
        rates_per_s=rates.astype(np.complex128),
        vectors=vectors.astype(np.complex128),
        inverse=np.linalg.inv(vectors).astype(np.complex128),
        seen=transfer @ inverse,
    )


@dataclass(frozen=True, kw_only=True)
class CoilEdge:
    """A coil's volts change by `step_v`; the charge goes into these nodes, through a few picofarads each."""

    at_s: float
    step_v: float
    nodes: tuple[str, ...]
    farads: tuple[float, ...]
    relay: int  # its index in the module


def coupled(
    network: Network, closed: Bools, on: tuple[bool, ...], edges: Sequence[CoilEdge]
) -> tuple[Decay, ...]:
    """What the inputs see of coils' edges: a current C V/tau exp(-t/tau) into R in parallel with C0.

    The answer of such a node is Q R/(tau - R C0) (exp(-t/tau) - exp(-t/(R C0))), Q = C V.
    """
    result: list[Decay] = []
    for edge in edges:
        transfer, own = network.inject(closed, on, [(node, None) for node in edge.nodes])
        for n, farads in enumerate(edge.farads):
            own_s = max(float(own[n, n]), 1.0) * LEAD_F
            if abs(own_s / COIL_EDGE_S - 1) < 0.01:
                own_s *= 1.02
            size = farads * edge.step_v * transfer[:, n] / (COIL_EDGE_S - own_s)
            result.append(Decay(rate_per_s=1 / COIL_EDGE_S, amplitudes_v=size.astype(np.complex128)))
            result.append(Decay(rate_per_s=1 / own_s, amplitudes_v=-size.astype(np.complex128)))
    return tuple(result)


def induced(
    network: Network,
    built: Built,
    closed: Bools,
    on: tuple[bool, ...],
    edges: Sequence[CoilEdge],
    *,
    start_s: float,
    nominal_v: float,
) -> tuple[Decay, ...]:
    """What the inputs see, from `start_s` on, of the fields of coils whose volts have changed before.

    An e.m.f. e in series with a closed contact of R is a current e/R beside it (Norton).
    """
    found = [
        (edge, built.contacts[index], built.poles[pole][1])
        for edge in edges
        for index, (pole, _) in enumerate(built.throws)
        if closed[index] and built.poles[pole][0] == edge.relay and any(built.clicks[edge.relay].emf_v)
    ]
    if not found:
        return ()
    transfer, _ = network.inject(closed, on, [(contact.a, contact.b) for _, contact, _ in found])
    result = []
    for n, (edge, contact, pole) in enumerate(found):
        click = built.clicks[edge.relay]
        size = click.emf_v[pole] * edge.step_v / nominal_v / contact.closed_ohm * transfer[:, n]
        for sign, time_s in ((1, click.fall_s), (-1, click.rise_s)):
            left = sign * math.exp(-(start_s - edge.at_s) / time_s)
            result.append(Decay(rate_per_s=1 / time_s, amplitudes_v=(left * size).astype(np.complex128)))
    return tuple(result)


@dataclass(frozen=True, kw_only=True, eq=False)
class Steady:
    """Where a circuit goes from `start_s` on: inputs first, then the volts across each slow capacitor."""

    start_s: float
    constant_v: Floats
    tones: Mapping[float, Complex]
    inputs: int

    def capacitors_v(self, at_s: float) -> Floats:
        """Volts across each slow capacitor, if they had settled already."""
        volts = self.constant_v[self.inputs :].copy()
        for tone_hz, phasors in self.tones.items():
            volts += (phasors[self.inputs :] * np.exp(2j * np.pi * (tone_hz * at_s % 1.0))).real
        return volts


class Memory:
    """What the slow capacitors hold from one stretch to the next: their volts do not jump."""

    def __init__(self) -> None:
        self._before: tuple[Steady, Modes, Floats] | None = None

    def change(
        self, steady: Steady, network: Network, closed: Bools, on: tuple[bool, ...]
    ) -> tuple[Decay, ...]:
        """Go over to another steady state; returns what the inputs see of the way there."""
        if not network.slow_f.size:
            return ()
        modes = _modes(network, closed, on)
        lacking_v = np.zeros(len(network.slow_f))
        if self._before is not None:
            old, old_modes, old_lacking_v = self._before
            lacking_v = old_modes.lacking_after(old_lacking_v, steady.start_s - old.start_s)
            lacking_v += old.capacitors_v(steady.start_s) - steady.capacitors_v(steady.start_s)
        self._before = steady, modes, lacking_v
        return modes.decays(lacking_v)
