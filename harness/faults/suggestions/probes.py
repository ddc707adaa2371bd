"""Where to put the probe next: the view that would tell most about which of some fault sets it is."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.arrays import Complex, Floats
from harness.circuit.elements import BenchImpedances, pin_name
from harness.circuit.expand import scope_input
from harness.circuit.solve import transfer
from harness.faults.effects import FaultSet, FaultyCircuits, supply_currents_a
from harness.faults.ranking import Group
from harness.faults.signatures import pairs_of
from harness.job.fixture import Setup
from harness.job.job import Job
from harness.job.module import LEGS, Module, node_name
from harness.job.state import State, all_states
from harness.plan.model import Plan
from harness.plan.pulses import pulsed_states

MOST_SUSPECTS = 8
MOST_STATES = 16
LEAST_GAIN = 0.05  # nats: a probe that tells less is not worth the walk
SURE_RELATIVE, SURE_ABSOLUTE = 5e-3, 1e-3  # how well a probe by hand tells a leg's level, of the e.m.f.
SURE_A = 2e-3
PROBED_OHM, PROBED_F = 10e6, 12e-12  # a probe of ten to one
FREQUENCY_HZ = 1e3


@dataclass(frozen=True, kw_only=True)
class Probe:
    """A view that was not taken: where, in which state, driven where; and what it would tell.

    point: a port or a net inside the unit, or "" for the relay supply's current. information: nats expected.
    """

    point: str
    inside: bool
    driven: str
    loopbacks: tuple[str, ...]
    state: str
    information: float


def best_probe(
    job: Job,
    plan: Plan,
    groups: Sequence[Group],
    *,
    supply_read: Sequence[str] = (),
) -> Probe | None:
    """The view that would best split what the readings left together; None if none would."""
    weighted = [
        (fault_set, group.posterior / len(group.fault_sets))
        for group in groups
        for fault_set in group.fault_sets
    ]
    weighted = sorted(weighted, key=lambda entry: -entry[1])[:MOST_SUSPECTS]
    if len(weighted) < 2:
        return None
    fault_sets = [fault_set for fault_set, _ in weighted]
    weights = np.array([weight for _, weight in weighted])
    weights = weights / weights.sum()
    states = _states(job)
    result = [
        *_of_supply(job.module, states, fault_sets, weights, supply_read),
        *_of_views(job, plan, states, fault_sets, weights),
    ]
    best = max(result, key=lambda probe: (round(probe.information, 2), not probe.inside), default=None)
    return best if best is not None and best.information > LEAST_GAIN else None


def _states(job: Job) -> tuple[State, ...]:
    controls = job.module.state_controls
    every = all_states(controls) if 2 ** len(controls) <= MOST_STATES else ()
    return tuple(dict.fromkeys((*job.sequence.states, *pulsed_states(job.module), *every)))[:MOST_STATES]


def _of_supply(
    module: Module,
    states: Sequence[State],
    fault_sets: Sequence[FaultSet],
    weights: Floats,
    read: Sequence[str],
) -> Iterator[Probe]:
    states = [state for state in states if state.powered and state.name not in read]
    for state, current in zip(states, supply_currents_a(module, states, fault_sets).T, strict=True):
        squared = ((current[:, None] - current) / SURE_A) ** 2
        yield Probe(
            point="",
            inside=False,
            driven="",
            loopbacks=(),
            state=state.name,
            information=expected_information(weights, squared),
        )


def _of_views(
    job: Job,
    plan: Plan,
    states: Sequence[State],
    fault_sets: Sequence[FaultSet],
    weights: Floats,
) -> Iterator[Probe]:
    """Every port's pins, and every net inside, under every drive of the fixture in every state."""
    points = tuple(_test_points(job.module))
    nodes = tuple(node for point in points for node in point.nodes)
    probe = BenchImpedances(input_ohm=PROBED_OHM, input_f=PROBED_F)
    # a probe on every node at once: what one loads the others with is next to nothing
    tips = [scope_input(number, node, probe) for number, node in enumerate(nodes, start=1)]
    circuits = FaultyCircuits(job.module, job.fixture, plan.impedances, tips)
    seen = _seen(job, plan)
    drives = dict.fromkeys(
        (setup.drive, setup.loopbacks)
        for setup in job.fixture.setups
        if setup.drive is not None and not setup.through
    )
    for drive, loopbacks in drives:
        name = f"drive {drive} through {loopbacks}"
        setup = Setup(name=name, through=False, drive=drive, view=(), loopbacks=loopbacks, select=None)
        for state in (state for state in states if not state.pulsed):
            faulty = [replace(circuits.of(each, setup, state), view=nodes) for each in fault_sets]
            legs = np.stack([transfer(circuit, (FREQUENCY_HZ, FREQUENCY_HZ)) for circuit in faulty])
            for number, point in enumerate(points):
                if (point.name, str(drive), loopbacks, state.name) not in seen:
                    apart = _apart(legs[:, 2 * number : 2 * number + 2])
                    yield Probe(
                        point=point.name,
                        inside=point.inside,
                        driven=str(drive),
                        loopbacks=loopbacks,
                        state=state.name,
                        information=expected_information(weights, apart),
                    )


@dataclass(frozen=True, kw_only=True)
class _TestPoint:
    """Somewhere to put two probe tips."""

    name: str
    inside: bool
    nodes: tuple[str, str]


def _test_points(module: Module) -> Iterator[_TestPoint]:
    """Ports at their pins; then nets inside the unit, ports' own wires included."""
    ports = [port.net for port in module.ports]
    poles = [pole for relay in module.relays for pole in relay.poles]
    nodes = [node for pole in poles for node in (pole.common, *pole.throws.values())]
    nodes += [node for part in module.two_ended for node in (part.a, part.b)]
    nodes += [node for each in module.transformers for node in (*each.primary, *each.secondary)]
    inner = [node.split(".")[1] for node in nodes if node.count(".") == 2]
    for net in ports:
        for channel in (channel for channel in module.channels if module.has_port(channel, net)):
            hot, cold = (pin_name(node_name(channel, net, leg)) for leg in LEGS)
            yield _TestPoint(name=f"{channel}.{net}", inside=False, nodes=(hot, cold))
    for net in dict.fromkeys((*inner, *ports)):
        for channel in module.channels:
            hot, cold = (node_name(channel, net, leg) for leg in LEGS)
            name = f"{channel}.{net}"
            if module.has_port(channel, net):
                name = f"the board's side of {name}"
            yield _TestPoint(name=name, inside=True, nodes=(hot, cold))


def _seen(job: Job, plan: Plan) -> set[tuple[str, str, tuple[str, ...], str]]:
    setups = {setup.name: setup for setup in job.fixture.setups}
    return {
        (str(port), str(setup.drive), setup.loopbacks, acquisition.state.name)
        for acquisition in pairs_of(plan)
        for setup in (setups[acquisition.setup],)
        for port in setup.view
    }


def _apart(legs: Complex) -> Floats:
    """Squared distances between fault sets of one port's transfers, (fault sets, 2, 2), phases unknown."""
    sigma = SURE_RELATIVE * np.abs(legs) + SURE_ABSOLUTE
    product = (legs[:, None].conj() * legs[None]).sum(axis=2, keepdims=True)
    size = np.abs(product)
    turn = np.where(size > 0, product / np.where(size > 0, size, 1), 1)
    change = np.abs(legs[None] - legs[:, None] * turn) ** 2
    return np.asarray((change / (sigma[:, None] ** 2 + sigma[None] ** 2) * 2).sum(axis=(2, 3)))


def expected_information(weights: Floats, squared: Floats) -> float:
    """Nats that a reading is expected to tell, for Gaussian readings these squared distances apart.

    A lower bound by Bhattacharyya distances: -Σ p ln Σ p' exp(-d²/8) (Kolchinsky and Tracey, Entropy 19, 361,
    2017, from memory).
    """
    return float(-(weights * np.log(np.exp(-squared / 8) @ weights)).sum())
