"""The one physical world behind the simulator's instruments.

Instruments change it (a generator's output, the supply, the switchboard's channels), people change it through
the control port (leads, the unit), and the scope asks what stood at its inputs between two instants. Relays
move in time; between two movements the circuit is in steady state at every tone (quasi-static).
"""

import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf
from types import MappingProxyType

import numpy as np

from harness.errors import UsageError
from harness.job.fixture import Setup
from harness.job.job import Job
from harness.job.module import Relay
from simulator import dynamics, wiring
from simulator.circuit import Bools, Complex, Floats, Network
from simulator.dynamics import (
    CLAMP_V,
    CLICK_S,
    LOOK_BACK_S,
    MEMORY_S,
    OPERATED,
    RELEASED,
    CoilEdge,
    Decay,
    Memory,
    Motion,
    Steady,
    SupplySetting,
    SupplyState,
    coupled,
    induced,
)
from simulator.faults import Wrong
from simulator.imperfections import USUAL, Imperfections
from simulator.parts.amplifiers import OwnSignals, products
from simulator.parts.magnetics import Balancing
from simulator.sources import (
    HUM_OPEN,
    Output,
    OutputErrors,
    generator_for,
    hum_frequencies,
    hum_of,
    mains_of,
    seed_of,
)
from simulator.unit import Built, build

INPUTS, OUTPUTS = 4, 2  # of the scope, of the generator
OWN_HZ = 1e3
BOARD_DELAY_S = 2e-3  # the switchboard's own relays or drivers


class Clock:
    """Simulated seconds, running `speed` times faster than the wall clock."""

    def __init__(self, speed: float = 1.0) -> None:
        self.speed = speed
        self._start_s = time.monotonic()

    def now(self) -> float:
        """Simulated seconds since the clock was made."""
        return (time.monotonic() - self._start_s) * self.speed

    def wall_until(self, at_s: float) -> float:
        """Wall seconds until the simulated instant `at_s`; zero when it has passed."""
        return max(0.0, (at_s - self.now()) / self.speed)


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """What stands at the scope's inputs from `start_s` until the next stretch.

    volts(t) = constant_v + Re sum(phasors[:, k] exp(2j pi tones_hz[k] t)), t in simulated seconds;
    constant_v has shape (inputs,), phasors (inputs, tones). decays: what is left of earlier changes, besides.
    noise_gains: of each amplifier's own noise, (inputs, amplifiers).
    """

    start_s: float
    tones_hz: tuple[float, ...]
    constant_v: Floats
    phasors: Complex
    noise_gains: Floats
    decays: tuple[Decay, ...] = ()


@dataclass(frozen=True, kw_only=True)
class _Scene:
    """Everything but the contacts, from `start_s` on."""

    start_s: float
    outputs: tuple[Output, ...]
    network: Network
    setup: Setup | None
    built: Built
    controls_v: tuple[tuple[str, float], ...]  # of each control line, at the fixture
    sync: int  # the output that the generator's sync follows


class World:
    """A bench and the unit on it. Every public method takes the world's lock."""

    def __init__(
        self,
        job: Job,
        clock: Clock,
        *,
        serial: str,
        wrong: Wrong,
        bench_seed: int,
        imperfections: Imperfections = USUAL,
    ) -> None:
        self.lock = threading.RLock()
        self.clock = clock
        self.inputs = INPUTS
        self._job = job
        self._bench_seed, self._imperfections = bench_seed, imperfections
        probe = job.bench.oscilloscope.probe if job.bench is not None else 1.0
        self.probe = probe if probe in wiring.PROBES else 1.0
        self._feeds, self._balancing = _feeds(job)
        self._channels: frozenset[int] = frozenset()
        self._by_hand: str | None = None
        self._elsewhere: wiring.LeadNodes = {}
        self._wires: wiring.LeadNodes = {}
        self._supply = SupplySetting(voltage_v=0.0, limit_a=0.1, on=False)
        self._sync = 1
        self._latest_s = 0.0
        self.version = 0  # counts what instruments and hands have changed
        self._errors = OutputErrors(outputs=OUTPUTS, seed=bench_seed, imperfections=imperfections)
        self._hum = hum_of(inputs=INPUTS, seed=bench_seed, size=imperfections.hum)
        self._hum_hz = hum_frequencies(job.bench.mains_hz if job.bench is not None else ())
        self._mains_v = mains_of(bench_seed)
        self._fit(serial, wrong)
        self._scenes = [self._scene(0.0, tuple(Output() for _ in range(OUTPUTS)))]

    # --- what instruments do ---
    def set_output(self, number: int, output: Output) -> None:
        """Set one output of the generator, from now on."""
        with self.lock:
            outputs = list(self._scenes[-1].outputs)
            outputs[number - 1] = output
            self._change(self._instant(), tuple(outputs))

    def set_sync(self, number: int) -> None:
        """Let the generator's sync follow one of its outputs, from now on."""
        with self.lock:
            self._sync = number
            self._change(self._instant())

    def set_supply(self, setting: SupplySetting) -> None:
        """Set the relay supply; coils follow at once."""
        with self.lock:
            self._supply = setting
            instant_s = self._instant()
            self._move_relays(instant_s)
            self._change(instant_s)

    def own_signals(self) -> tuple[OwnSignals, ...]:
        """What each amplifier of the unit adds."""
        with self.lock:
            return self._built.own_signals

    def supply(self) -> SupplyState:
        """What the relay supply does now."""
        with self.lock:
            return self._supply_state()

    def set_channels(self, closed: frozenset[int]) -> None:
        """Close exactly these channels of the switchboard, after its own delay."""
        with self.lock:
            self._channels = closed
            instant_s = self._instant(BOARD_DELAY_S)
            self._move_relays(instant_s)
            self._change(instant_s)

    # --- what hands do ---
    def move_leads(self, setup: str, elsewhere: wiring.LeadNodes = MappingProxyType({})) -> None:
        """Make a setup by hand, but for the leads that are elsewhere: on the nodes given, None on nothing.

        Raises UsageError as `setup_named` does.
        """
        self.setup_named(setup)
        with self.lock:
            self._by_hand, self._elsewhere = setup, dict(elsewhere)
            self._change(self._instant())

    def move_wires(self, wires: wiring.LeadNodes) -> None:
        """Put wires of the fixture on other nodes than their pins, in every setup that channels select."""
        with self.lock:
            self._wires = dict(wires)
            self._change(self._instant())

    def setup_named(self, name: str) -> Setup:
        """A setup of the fixture. Raises UsageError if it has none of that name."""
        setups = {setup.name: setup for setup in self._job.fixture.setups}
        if name not in setups:
            raise UsageError(f"no setup {name!r}; expected one of {', '.join(map(repr, setups))}")
        return setups[name]

    def place_unit(self, serial: str, wrong: Wrong) -> None:
        """Put another unit into the fixture, its relays released, or as they were left if they latch."""
        with self.lock:
            self._fit(serial, wrong)
            instant_s = self._instant()
            self._scenes = [self._scene(instant_s, self._scenes[-1].outputs)]
            self._move_relays(instant_s)

    # --- what the scope sees ---
    def stretches(self, start_s: float, end_s: float) -> list[Stretch]:
        """What stands at the scope's inputs, from `start_s` up to `end_s`, cut wherever it changes."""
        with self.lock:
            asked_s, start_s = start_s, self._beginning(start_s)
            scenes = self._scenes_between(start_s, end_s)
            moves = sorted(
                (instant_s, relay, pole, position)
                for relay, motion in enumerate(self._motions)
                for instant_s, pole, position in motion.changes(start_s, end_s)
            )
            positions = [list(motion.at(start_s)) for motion in self._motions]
            moving = self._built.of_poles({(relay, pole) for _, relay, pole, _ in moves})
            result: list[Stretch] = []
            cuts = sorted({start_s, *(s.start_s for s in scenes[1:]), *(move[0] for move in moves)})
            memory = Memory()
            next_move, scene = 0, 0
            for cut_s in cuts:
                while scene + 1 < len(scenes) and scenes[scene + 1].start_s <= cut_s:
                    scene += 1
                while next_move < len(moves) and moves[next_move][0] <= cut_s:
                    _, relay, pole, position = moves[next_move]
                    positions[relay][pole] = position
                    next_move += 1
                result.append(self._stretch(cut_s, scenes[scene], positions, moving, memory))
            ends_s = [*(stretch.start_s for stretch in result[1:]), inf]
            return [stretch for stretch, end_s in zip(result, ends_s, strict=True) if end_s > asked_s]

    def sync_edge(self, start_s: float, end_s: float, *, rising: bool) -> float | None:
        """First edge of the generator's sync in a time, at the scope's external trigger input; None: none."""
        with self.lock:
            scenes = self._scenes_between(start_s, end_s)
            ends_s = [*(scene.start_s for scene in scenes[1:]), end_s]
            for scene, until_s in zip(scenes, ends_s, strict=True):
                output = scene.outputs[scene.sync - 1]
                from_s = max(start_s, scene.start_s)
                edge_s = self._errors.sync_edge_s(scene.sync, output, from_s, rising=rising)
                if edge_s is not None and edge_s <= until_s:
                    return edge_s
            return None

    # --- inside ---
    def _beginning(self, start_s: float) -> float:
        """Where to begin, so that large capacitors have forgotten what was before."""
        if not any(scene.network.slow_f.size for scene in self._scenes):
            return start_s
        return max(start_s - LOOK_BACK_S, min(start_s, self._scenes[0].start_s))

    def _fit(self, serial: str, wrong: Wrong) -> None:
        self._built = build(self._job.module, serial, wrong.damage, self._imperfections)
        self._plugs = wrong.plugs
        self._coil_edges: list[CoilEdge] = []
        self._coils_v = dict.fromkeys(self._built.coil_f, 0.0)
        self._networks: dict[object, Network] = {}
        self._motions = [
            Motion(
                timing,
                position=self._built.held.get(relay.name, _as_delivered(relay, serial)),
                seed=seed_of("motion", serial, relay.name),
                misses={
                    pole: chances for (index, pole), chances in self._built.misses.items() if index == number
                },
            )
            for number, (relay, timing) in enumerate(
                zip(self._job.module.relays, self._built.timings, strict=True)
            )
        ]

    def _instant(self, delay_s: float = 0.0) -> float:
        """Now, and never before what has been decided already; whoever asks is about to change something."""
        self.version += 1
        self._latest_s = max(self._latest_s, self.clock.now() + delay_s)
        return self._latest_s

    def _controls(self) -> frozenset[str]:
        closed = frozenset(
            control for control, channel in self._job.fixture.controls.items() if channel in self._channels
        )
        return dynamics.energised(self._job.module, self._built, closed)

    def _supply_state(self) -> SupplyState:
        return dynamics.supply_state(self._job.module, self._built, self._supply, self._controls())

    def _move_relays(self, instant_s: float) -> None:
        energised, state = self._controls(), self._supply_state()
        for relay, motion in zip(self._job.module.relays, self._motions, strict=True):
            target = dynamics.position(
                relay,
                self._built,
                voltage_v=state.voltage_v,
                nominal_v=self._job.module.supply.voltage_v,
                controls=energised,
                now=motion.latched(instant_s) if relay.latches else motion.target,
            )
            motion.command(instant_s, target)
            fed = any(control in energised for control in relay.coils)
            self._feed_coil(relay, instant_s, state.voltage_v if fed else 0.0)

    def _feed_coil(self, relay: Relay, instant_s: float, coil_v: float) -> None:
        """Note an edge of a coil's volts; where the coil is let go its diode lets it swing below zero."""
        step_v = coil_v - self._coils_v[relay.name]
        if step_v == 0.0:
            return
        self._coils_v[relay.name] = coil_v
        self._coil_edges = [edge for edge in self._coil_edges if edge.at_s > instant_s - MEMORY_S]
        self._coil_edges.append(
            CoilEdge(
                at_s=instant_s,
                step_v=step_v if coil_v > 0 else step_v - CLAMP_V,
                nodes=tuple(pole.common for pole in relay.poles),
                farads=self._built.coil_f[relay.name],
                relay=self._job.module.relays.index(relay),
            )
        )

    def _setup(self) -> Setup | None:
        """The setup that is made: all its channels closed and no other's; else the one made by hand.

        A setup whose channels are some of another's is not made where the other is: a relay that swaps
        the scope's inputs has a channel of its own.
        """
        setups = self._job.fixture.setups
        closed = [setup for setup in setups if setup.select and self._channels.issuperset(setup.select)]
        selected = [
            setup
            for setup in closed
            if not any(set(setup.select or ()) < set(other.select or ()) for other in closed)
        ]
        if selected:
            return selected[0] if len(selected) == 1 else None
        return next((setup for setup in setups if setup.name == self._by_hand), None)

    def _scene(self, start_s: float, outputs: tuple[Output, ...]) -> _Scene:
        setup = self._setup()
        by_hand = setup is not None and setup.select is None
        elsewhere, wires = (self._elsewhere, {}) if by_hand else ({}, self._wires)
        places = (*elsewhere.items(), *wires.items())
        made = (None if setup is None else setup.name, *sorted(places, key=lambda place: place[0]))
        if made not in self._networks:
            self._networks[made] = Network(
                wiring.connect(
                    self._job.module,
                    self._job.fixture,
                    self._built,
                    plugs=self._plugs,
                    setup=setup,
                    leads=wiring.Leads(
                        inputs=self.inputs,
                        probe=self.probe,
                        seed=self._bench_seed,
                        elsewhere=elsewhere,
                        wires=wires,
                        imperfections=self._imperfections,
                        balancing=self._balancing,
                    ),
                )
            )
        return _Scene(
            start_s=start_s,
            outputs=outputs,
            network=self._networks[made],
            setup=setup,
            built=self._built,
            controls_v=self._controls_v(),
            sync=self._sync,
        )

    def _controls_v(self) -> tuple[tuple[str, float], ...]:
        state = self._supply_state()
        return tuple(
            (control, state.voltage_v if channel in self._channels else 0.0)
            for control, channel in self._job.fixture.controls.items()
        )

    def _change(self, instant_s: float, outputs: tuple[Output, ...] = ()) -> None:
        """Note the scene from an instant on; outputs: of the generator, if they have changed."""
        scene = self._scene(instant_s, outputs or self._scenes[-1].outputs)
        if replace(scene, start_s=0.0) == replace(self._scenes[-1], start_s=0.0):
            return
        self._scenes.append(scene)
        old_s = instant_s - MEMORY_S
        while len(self._scenes) > 1 and self._scenes[1].start_s < old_s:
            del self._scenes[0]

    def _scenes_between(self, start_s: float, end_s: float) -> Sequence[_Scene]:
        first = max((i for i, s in enumerate(self._scenes) if s.start_s <= start_s), default=0)
        return [self._scenes[first], *(s for s in self._scenes[first + 1 :] if s.start_s < end_s)]

    def _stretch(
        self, start_s: float, scene: _Scene, positions: list[list[int]], moving: Bools, memory: Memory
    ) -> Stretch:
        closed = scene.built.closed(positions)
        fed = [scene.outputs[number - 1] for number in self._feeds]
        on = (*(output.on for output in fed), self._imperfections.pickup > 0)
        network = scene.network
        emfs_v = [
            (column, order * output.frequency_hz, emf_v)
            for column, (number, output) in enumerate(zip(self._feeds, fed, strict=True))
            if output.on
            for order, emf_v in self._errors.emf(number, output).items()
        ]
        # Last of all where an amplifier's own signals are taken to be, whatever their frequencies.
        own_hz = (OWN_HZ,) if scene.built.amplifiers else ()
        asked_hz = (0.0, self._hum_hz[0], *(frequency_hz for _, frequency_hz, _ in emfs_v), *own_hz)
        answers = network.solve_at(closed, on, asked_hz, moving if moving.any() else None)
        inside = len(answers[0]) - len(scene.built.amplifiers)  # from here on, amplifiers' inputs
        still = answers[0, :inside].real
        constant_v = still[:, -1].copy()
        for column, (number, output) in enumerate(zip(self._feeds, fed, strict=True)):
            if output.on:
                constant_v += still[:, column] * self._errors.offset_v(number, output)
        tones: dict[float, Complex] = {}
        silent = np.zeros(len(answers[0]), dtype=np.complex128)
        for (column, frequency_hz, emf_v), answer in zip(emfs_v, answers[2 : 2 + len(emfs_v)], strict=True):
            true_hz = self._errors.true_hz(frequency_hz)
            tones[true_hz] = tones.get(true_hz, silent) + answer[:, column] * emf_v
        for number, own in enumerate(scene.built.own_signals):
            constant_v += own.offset_v * still[:, len(on) + number]
        at_parts = {hz: phasors[:inside] for hz, phasors in tones.items()}
        steady = Steady(start_s=start_s, constant_v=constant_v, tones=at_parts, inputs=self.inputs)
        decays = memory.change(steady, network, closed, on)
        edges = [edge for edge in self._coil_edges if edge.at_s == start_s]
        if edges:
            decays = (*decays, *coupled(network, closed, on, edges))
        recent = [edge for edge in self._coil_edges if 0 <= start_s - edge.at_s < CLICK_S]
        nominal_v = self._job.module.supply.voltage_v
        decays += induced(network, scene.built, closed, on, recent, start_s=start_s, nominal_v=nominal_v)
        inputs_v = constant_v[: self.inputs].copy()
        for number, volts in _control_views(scene).items():
            if number <= self.inputs:
                inputs_v[number - 1] += volts
        hum = self._hum.copy() if scene.setup is not None else HUM_OPEN * self._hum
        hum[:, 0] += self._mains_v * answers[1, : self.inputs, len(fed)]
        by_own = answers[-1, : self.inputs, len(on) : -1]
        seen = {hz: phasors[: self.inputs] for hz, phasors in tones.items()}
        fundamentals_hz = {
            self._errors.true_hz(output.frequency_hz) for output in fed if output.on and output.amplitude_vpp
        }
        for number, own in enumerate(scene.built.own_signals):
            hum += np.outer(by_own[:, number], own.hum_v)
            at_input = {hz: complex(tones[hz][inside + number]) for hz in fundamentals_hz}
            gain = scene.built.amplifiers[number].gain
            for hz, emf_v in products(own, gain, at_input).items():
                if hz == 0.0:
                    inputs_v += still[: self.inputs, len(on) + number] * emf_v.real
                else:
                    seen[hz] = seen.get(hz, 0.0) + by_own[:, number] * emf_v
        return Stretch(
            start_s=start_s,
            tones_hz=(*seen, *self._hum_hz),
            constant_v=inputs_v,
            phasors=np.column_stack([*seen.values(), hum]),
            noise_gains=by_own.real,
            decays=decays,
        )


def _feeds(job: Job) -> tuple[tuple[int, ...], Balancing | None]:
    """The generator's outputs that feed the legs; the one before a balancing transformer, and that."""
    if job.bench is None:
        return (1, 2), None
    generator = job.bench.generator
    if generator.transformer is None:
        return job.bench.feeds, None
    return (1,), Balancing(turns=generator.transformer, winding_ohm=generator.winding_ohm)


def _as_delivered(relay: Relay, serial: str) -> int:
    """Where a unit's relay stands when it comes to the bench: a latching one as it was left, somewhere."""
    if not relay.latches:
        return RELEASED
    return OPERATED if generator_for("as delivered", serial, relay.name).uniform() < 0.5 else RELEASED


def _control_views(scene: _Scene) -> dict[int, float]:
    """Volts of spare scope inputs that see control lines: of several, the mean, through equal resistors."""
    views: dict[int, list[float]] = {}
    controls_v = dict(scene.controls_v)
    for control, number in (scene.setup.controls_viewed if scene.setup is not None else {}).items():
        views.setdefault(number, []).append(controls_v[control])
    return {number: sum(volts) / len(volts) for number, volts in views.items()}
