"""The way a signal takes through the unit, in words."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush
from itertools import pairwise, product, starmap
from typing import Literal

from harness.circuit.elements import PIN, BenchImpedances, Circuit, pin_name
from harness.circuit.expand import build_circuit
from harness.circuit.predict import find_live
from harness.circuit.solve import write_equations
from harness.job.fixture import Fixture, PortName, Setup
from harness.job.module import GROUND, LEGS, Module, node_name
from harness.job.state import State

SILENT = "silent"
THROUGH_ROUTE = "generator > scope"

SPOKEN = ("loopback", "resistor", "capacitor", "inductor")
CROSSWISE_OHM = 1e-9  # from one leg to the other through a transformer: only where no straight way leads


@dataclass(frozen=True, kw_only=True, slots=True, order=True)
class _Step:
    """One step along a leg: what it costs, what is passed ("": nothing worth naming), where it leads."""

    cost_ohm: float
    name: str
    to: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Stop:
    """What a signal passes: a port's connector, a part or loopback plug, or a closed contact."""

    kind: Literal["port", "part", "contact"]
    name: str


def route(module: Module, fixture: Fixture, setup: Setup, state: State, port: PortName) -> str:
    """Say how the drive reaches a port in a state: `in > a_send > pad_a > a_return > out`, or `silent`.

    Named are the ports whose connector is passed, loopback plugs, and parts in series. Where several ways
    lead there, it is the one of least resistance. Ports of another channel than the driven one carry their
    channel's name.
    """
    if setup.through:
        return THROUGH_ROUTE
    if setup.drive is None:
        return SILENT
    circuit = build_circuit(module, fixture, setup, state, BenchImpedances())
    if not find_live(circuit, write_equations(circuit), _pins(port))[0]:
        return SILENT
    return live_route(circuit, setup.drive, port)


def live_route(circuit: Circuit, drive: PortName, port: PortName) -> str:
    """The same in a circuit that is known to lead the drive to the port."""
    for way in _ways(circuit, drive, port):
        return " > ".join(_in_words(way))
    return SILENT


def stops_of(
    module: Module, fixture: Fixture, setup: Setup, state: State, port: PortName
) -> tuple[Stop, ...]:
    """The same way, with every contact that it passes in either leg, as `K3 released`; () if the port is
    silent.
    """
    circuit = build_circuit(module, fixture, setup, state, BenchImpedances())
    if setup.drive is None or not find_live(circuit, write_equations(circuit), _pins(port))[0]:
        return ()
    of_leg: dict[str, tuple[_Step, ...]] = {}
    for way in _ways(circuit, setup.drive, port):
        of_leg.setdefault(way[0].to, way)
    contacts = {
        frozenset((each.a, each.b)): each.name
        for each in circuit.elements
        if each.kind == "contact" and each.conducts
    }
    passed = [list(_stops(way, contacts, setup.drive.channel)) for way in of_leg.values()]
    if len(passed) == 2 and [each.kind for each in passed[0]] == [each.kind for each in passed[1]]:
        return tuple(starmap(_of_both_legs, zip(*passed, strict=True)))
    return tuple(passed[0]) if passed else ()


def _of_both_legs(hot: Stop, cold: Stop) -> Stop:
    """Two relays that switch a leg each are named both."""
    return hot if hot.name == cold.name else Stop(kind=hot.kind, name=f"{hot.name}, {cold.name}")


def _stops(way: Sequence[_Step], contacts: Mapping[frozenset[str], str], home: str) -> Iterator[Stop]:
    before = ""
    for start, step in pairwise((way[0], *way)):
        if (name := contacts.get(frozenset((start.to, step.to)))) is not None:
            relay, number, _, throw = name.split(".")
            yield Stop(kind="contact", name=f"{relay}.{number} {throw}")
        for kind, name in (("part", step.name), ("port", _port(step.to, home))):
            if name and name != before:
                yield Stop(kind="part" if kind == "part" else "port", name=name)
                before = name


def _ways(circuit: Circuit, drive: PortName, port: PortName) -> Iterator[tuple[_Step, ...]]:
    """The ways of least resistance from each leg's pin to each leg of the port, hot first."""
    steps = _steps(circuit)
    (hot, cold), goals = _pins(drive), _pins(port)
    for start, goal in ((hot, goals[0]), (hot, goals[1]), (cold, goals[1]), (cold, goals[0])):
        passed = _least_resistance(steps, start, goal)
        if passed is not None:
            yield (_Step(cost_ohm=0.0, name="", to=start), *passed)


def _pins(port: PortName) -> tuple[str, ...]:
    return tuple(pin_name(node_name(port.channel, port.net, leg)) for leg in LEGS)


def _steps(circuit: Circuit) -> dict[str, list[_Step]]:
    """Where one can go from each node: along a leg, never to ground, and never across a pair."""
    steps: dict[str, list[_Step]] = {}
    for element in circuit.elements:
        a, b = element.a, element.b
        if not element.conducts or element.kind == "winding" or GROUND in (a, b) or _pair(a) == _pair(b):
            continue
        name = element.part if element.kind in SPOKEN else ""
        cost_ohm = element.resistance_ohm or 0.0
        steps.setdefault(a, []).append(_Step(cost_ohm=cost_ohm, name=name, to=b))
        steps.setdefault(b, []).append(_Step(cost_ohm=cost_ohm, name=name, to=a))
    for transformer in circuit.transformers:
        primary, secondary = transformer.ends
        for (i, a), (j, b) in product(enumerate(primary), enumerate(secondary)):
            cost_ohm = 0.0 if i == j else CROSSWISE_OHM
            for start, end in ((a, b), (b, a)):
                if GROUND not in (start, end):
                    step = _Step(cost_ohm=cost_ohm, name=transformer.name, to=end)
                    steps.setdefault(start, []).append(step)
    for leg in circuit.amplifiers:
        steps.setdefault(leg.follows, []).append(_Step(cost_ohm=0.0, name=leg.part, to=leg.output))
    return steps


def _pair(node: str) -> tuple[str, bool]:
    """What two legs of one pair have in common."""
    inside = node.removesuffix(PIN)
    return inside.rpartition(".")[0], inside != node


def _least_resistance(steps: dict[str, list[_Step]], start: str, goal: str) -> tuple[_Step, ...] | None:
    """The steps of the way of least resistance (Dijkstra); equal ways go by fewest steps, then by name."""
    waiting: list[tuple[float, int, tuple[_Step, ...], str]] = [(0.0, 0, (), start)]
    done: set[str] = set()
    while waiting:
        cost_ohm, count, passed, node = heappop(waiting)
        if node == goal:
            return passed
        if node in done:
            continue
        done.add(node)
        for step in steps.get(node, ()):
            if step.to not in done:
                heappush(waiting, (cost_ohm + step.cost_ohm, count + 1, (*passed, step), step.to))
    return None


def _in_words(passed: tuple[_Step, ...]) -> Iterator[str]:
    """Say what is passed and the ports whose pins are reached, each once."""
    home = passed[0].to.split(".")[0]
    before = ""
    for step in passed:
        for name in (step.name, _port(step.to, home)):
            if name and name != before:
                yield name
                before = name


def _port(node: str, home: str) -> str:
    """Name the port whose pin a node is; with its channel if that isn't the driven one."""
    if not node.endswith(PIN):
        return ""
    channel, net, _ = node.removesuffix(PIN).split(".")
    return net if channel == home else f"{channel}.{net}"
