"""Which changes of state are recorded, in which hookup, and what is read from each. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from harness.circuit.elements import BenchImpedances, Circuit
from harness.circuit.expand import build_wiring, in_state
from harness.circuit.transfer import transfer
from harness.descriptions.edge import Edge, single_line_edges
from harness.descriptions.fixture import Hookup, PortName
from harness.descriptions.job import Job
from harness.descriptions.module import LEGS, Leg, Relay
from harness.descriptions.read_edges import EDGE_QUANTITIES
from harness.descriptions.sequence import Check
from harness.descriptions.state import State
from harness.measure.segments import Floating
from harness.measure.tones import choose_tones
from harness.plan.model import IDLE, EdgeAcquisition, EdgeReading, HookupVisit, Stimulus
from harness.plan.states import distance, energised

TIMED = ("operate_time", "release_time")
PER_LEG = ("bounce", "gap")
MOVES = 0.05  # of a leg's signal: a smaller change of route than this is none that a record shows

Complex = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True)
class _Want:
    """A check of one edge at one port of the driven channel."""

    check: Check
    edge: Edge
    hookup: Hookup
    port: str


@dataclass
class _Routes:
    """What the circuit predicts of each hookup and state, asked once."""

    job: Job
    impedances: BenchImpedances
    known: dict[tuple[str, str, str, str, float], Complex] = field(default_factory=dict)
    wired: dict[tuple[str, tuple[Relay, ...]], Circuit] = field(default_factory=dict)

    def transfer(
        self, hookup: Hookup, state: State, frequency_hz: float, without: Edge | None, leg: Leg | None = None
    ) -> Complex:
        """(legs, 2); `without`: contacts open of each relay that moves at this edge, or of its `leg`."""
        key = (hookup.name, state.name, without.name if without else "", leg or "", frequency_hz)
        if key not in self.known:
            module = self.job.module
            if without is not None:
                relays = (_opened(relay, leg) if moves(relay, without) else relay for relay in module.relays)
                module = replace(module, relays=tuple(relay for relay in relays if relay.poles))
            wiring = (hookup.name, module.relays)
            if wiring not in self.wired:
                self.wired[wiring] = build_wiring(module, self.job.fixture, hookup, self.impedances)
            circuit = in_state(self.wired[wiring], module, hookup, state)
            self.known[key] = transfer(circuit, choose_tones(frequency_hz).frequencies_hz)
        return self.known[key]


def _opened(relay: Relay, leg: Leg | None) -> Relay:
    """A relay without the poles of one leg, or of both."""
    return replace(relay, poles=tuple(pole for pole in relay.poles if leg not in (None, pole.leg)))


def moves(relay: Relay, edge: Edge) -> bool:
    """Whether a relay changes sides at an edge; a latching one may, when either of its lines comes on."""
    if relay.line is not None:
        return energised(relay, edge.before) != energised(relay, edge.after)
    return any(line in edge.lines and line in edge.after.on for line in (relay.set_line, relay.reset_line))


def edge_checks(job: Job) -> tuple[Check, ...]:
    """The checks of a sequence that are about changes of state."""
    return tuple(check for check in job.sequence.checks if check.quantity in EDGE_QUANTITIES)


def edges_of(check: Check, states: Sequence[State]) -> tuple[Edge, ...]:
    """The edges that a check is taken at: of single lines between its states, then the races it names."""
    own = [state for state in states if check.covers(state)]
    also = check.edge.also if check.edge is not None else ()
    found = (*single_line_edges(own), *also)
    wanted = {"operate_time": "operate", "release_time": "release"}.get(check.quantity)
    return tuple(edge for edge in found if wanted is None or edge.direction == wanted)


def edge_hookups(job: Job) -> tuple[Hookup, ...]:
    """Every hookup that some edge is recorded in."""
    return tuple(dict.fromkeys(want.hookup for want in _wanted(job)))


def add_edges(
    job: Job, visits: Sequence[HookupVisit], *, impedances: BenchImpedances, first_number: int
) -> tuple[tuple[HookupVisit, ...], tuple[EdgeReading, ...]]:
    """Put the edges at the end of each visit to their hookup, and say what is read from them.

    One record serves every check of an edge under one stimulus. Nothing is read of a route's times where the
    circuit says that no contact of the route moves.
    """
    wanted = _wanted(job)
    routes = _Routes(job=job, impedances=impedances)
    made: list[HookupVisit] = []
    readings: list[EdgeReading] = []
    number = first_number
    for visit in visits:
        here = [want for want in wanted if want.hookup == visit.hookup]
        kept = [(want, ports) for want in here if (ports := _ports(routes, want))]
        keys = dict.fromkeys((_stimulus(want.check), want.edge) for want, _ in kept)
        start = visit.states[-1].state if visit.states else State(on=())
        numbers: dict[tuple[Stimulus, Edge], int] = {}
        acquisitions: list[EdgeAcquisition] = []
        for stimulus, edge in _walk(keys, start):
            numbers[stimulus, edge] = number
            acquisitions.append(
                EdgeAcquisition(
                    number=number,
                    hookup=visit.hookup.name,
                    edge=edge,
                    stimulus=stimulus,
                    peaks_v=_peaks(routes, visit.hookup, edge, stimulus),
                    floating=_floating(routes, visit.hookup, edge, stimulus),
                )
            )
            number += 1
        for want, ports in kept:
            readings += _readings(want, ports, numbers[_stimulus(want.check), want.edge])
        made.append(replace(visit, edges=tuple(acquisitions)))
    return tuple(made), tuple(readings)


def _stimulus(check: Check) -> Stimulus:
    if check.tone.level_vrms == 0.0:
        return IDLE
    return Stimulus(kind="pair", frequency_hz=check.tone.frequency_hz, level_vrms=check.tone.level_vrms)


def _wanted(job: Job) -> list[_Want]:
    """Every check at every edge and port, with the hookup that shows it: one whose spare inputs see the line,
    where times are asked for; of several, the one that serves already, then the first in the file.
    """
    checks = edge_checks(job)
    timed = any(check.quantity in TIMED for check in checks)
    used: dict[str, None] = {}
    found: list[_Want] = []
    for check in checks:
        edges = edges_of(check, job.sequence.states)
        lines = {line for edge in edges for line in edge.lines}
        for channel in job.sequence.channels:
            for port in check.at:
                hookup = _hookup(job, PortName(channel=channel, net=port), lines if timed else set(), used)
                if hookup is not None:
                    used.setdefault(hookup.name)
                    found += [_Want(check=check, edge=edge, hookup=hookup, port=port) for edge in edges]
    return found


def _hookup(job: Job, port: PortName, lines: set[str], used: Iterable[str]) -> Hookup | None:
    fitting = [
        hookup
        for hookup in job.fixture.hookups
        if hookup.drive is not None
        and hookup.drive.channel == port.channel
        and port in hookup.view
        and not hookup.exchanged
        and hookup.source_added is None
    ]
    return max(
        fitting, key=lambda hookup: (len(lines & set(hookup.lines_on)), hookup.name in used), default=None
    )


def _ports(routes: _Routes, want: _Want) -> tuple[str, ...]:
    """Where a check is read at an edge: the pair, or the legs whose route changes there."""
    if want.check.quantity == "transient":
        return (want.port,)
    driven = want.hookup.drive
    channel = "" if driven is None else driven.channel
    place = want.hookup.view.index(PortName(channel=channel, net=want.port))
    hz = want.check.tone.frequency_hz
    before = routes.transfer(want.hookup, want.edge.before, hz, None)
    after = routes.transfer(want.hookup, want.edge.after, hz, None)
    between = routes.transfer(want.hookup, want.edge.before, hz, want.edge)
    rows = [2 * place, 2 * place + 1]
    change = np.maximum(np.abs(between - before), np.abs(after - before)).max(axis=1)[rows]
    level = np.maximum(np.abs(before), np.abs(after)).max(axis=1)[rows]
    moved = [bool(c > MOVES * v and v > MOVES) for c, v in zip(change, level, strict=True)]
    if want.check.quantity == "gap" and _movers(routes.job, want.edge, channel) != 1:
        return ()
    if want.check.quantity in PER_LEG:
        return tuple(f"{want.port}.{leg}" for leg, does in zip(LEGS, moved, strict=True) if does)
    return (want.port,) if all(moved) else ()


def _movers(job: Job, edge: Edge, channel: str) -> int:
    """Relays of a channel that move at an edge: of several the gaps overlap, and none can be told."""
    return sum(
        moves(relay, edge) and any(pole.channel == channel for pole in relay.poles)
        for relay in job.module.relays
    )


def _peaks(routes: _Routes, hookup: Hookup, edge: Edge, stimulus: Stimulus) -> tuple[float, ...]:
    """Peak volts of each leg: in either state, or a copy of its partner while a contact is open."""
    hz = stimulus.frequency_hz
    levels = np.maximum(
        np.abs(routes.transfer(hookup, edge.before, hz, None)).sum(axis=1),
        np.abs(routes.transfer(hookup, edge.after, hz, None)).sum(axis=1),
    )
    pairs = levels.reshape(-1, 2).max(axis=1).repeat(2)
    return tuple(float(level) for level in pairs * stimulus.level_vrms / sqrt(2.0))


def _floating(routes: _Routes, hookup: Hookup, edge: Edge, stimulus: Stimulus) -> tuple[Floating, ...]:
    """What each leg shows while its own poles that move are open, or its partner's: (old, new) route."""
    legs = 2 * len(hookup.view)
    copy, alone = np.ones((legs, 2)), np.ones((legs, 2))
    hz = stimulus.frequency_hz
    for place, state in enumerate((edge.before, edge.after)):
        closed = routes.transfer(hookup, state, hz, None)
        for column, leg in enumerate(LEGS):  # the one that is open
            partner = 1 - column
            seen = routes.transfer(hookup, state, hz, edge, leg)
            for row in range(column, legs, 2):
                other = row + partner - column
                if abs(closed[other, partner]) > 0:
                    copy[row, place] = (seen[row, partner] / closed[other, partner]).real
                    alone[other, place] = (seen[other, partner] / closed[other, partner]).real
    return tuple(
        Floating(copy=(float(c[0]), float(c[1])), alone=(float(a[0]), float(a[1])))
        for c, a in zip(copy, alone, strict=True)
    )


def _walk(keys: Iterable[tuple[Stimulus, Edge]], start: State) -> Iterable[tuple[Stimulus, Edge]]:
    """One stimulus after the other; the next edge begins where the last one ended, or nearest to it."""
    left = list(keys)
    here = start
    for stimulus in dict.fromkeys(stimulus for stimulus, _ in left):
        edges = [edge for other, edge in left if other == stimulus]
        while edges:
            edge = min(edges, key=lambda one: distance(here, one.before))
            edges.remove(edge)
            here = edge.after
            yield stimulus, edge


def _readings(want: _Want, ports: Sequence[str], acquisition: int) -> list[EdgeReading]:
    driven = want.hookup.drive
    channel = "" if driven is None else driven.channel
    return [
        EdgeReading(
            check=want.check,
            quantity=want.check.quantity,
            limit=want.check.limit,
            edge=want.edge,
            driven=channel,
            channel=channel,
            port=port,
            acquisition=acquisition,
        )
        for port in ports
    ]
