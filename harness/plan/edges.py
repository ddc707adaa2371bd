"""Which changes of state are recorded, in which hookup, and what is read from each. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import sqrt

import numpy as np

from harness.job.fixture import Hookup, PortName
from harness.job.job import Job
from harness.job.module import LEGS
from harness.job.sequence import Check
from harness.job.state import Edge, State, named_edge, single_line_edges
from harness.measure.segments import Floating
from harness.plan.edge_routes import LegMoves, Routes
from harness.plan.model import IDLE, EdgeAcquisition, EdgeReading, HookupVisit, Stimulus
from harness.plan.states import distance

TIMED = ("operate_time", "release_time")


@dataclass(frozen=True, kw_only=True)
class EdgeWant:
    """A check of one edge at one port of the driven channel, and the hookup that shows it.

    legs: what a record there shows; None of a click, which needs no route. places: the pair, or the legs,
    that it is read at; none where the edge shows nothing of what is asked.
    """

    check: Check
    edge: Edge
    hookup: Hookup
    port: PortName
    legs: tuple[LegMoves, LegMoves] | None
    places: tuple[str, ...]


def edge_checks(job: Job) -> tuple[Check, ...]:
    """The checks of a sequence that are about changes of state."""
    return tuple(check for check in job.sequence.checks if check.quantity.family == "change")


def edges_of(check: Check, states: Sequence[State]) -> tuple[Edge, ...]:
    """The edges that a check is taken at: of single lines between its states, then the races it names."""
    own = [state for state in states if check.covers(state)]
    found = (*single_line_edges(own), *races_of(check, states))
    wanted = {"operate_time": "operate", "release_time": "release"}.get(check.quantity.name)
    return tuple(edge for edge in found if wanted is None or edge.direction == wanted)


def races_of(check: Check, states: Sequence[State]) -> tuple[Edge, ...]:
    """The changes of several lines at once that a check names."""
    return tuple(named_edge(name, states) for name in check.options.races)


def edge_wants(routes: Routes) -> tuple[EdgeWant, ...]:
    """Every check at every edge and port that some hookup views, with the hookup that shows most of it.

    One whose spare inputs see the line comes first, where times are asked for; then one that serves already;
    then the first in the file. Nothing is read of a route's times where no contact of the route moves.
    """
    job = routes.job
    checks = edge_checks(job)
    timed = any(check.quantity.name in TIMED for check in checks)
    used: dict[str, None] = {}
    found: list[EdgeWant] = []
    for check in checks:
        for channel in job.sequence.channels:
            for net in check.at:
                port = PortName(channel=channel, net=net)
                fitting = fitting_hookups(job, port)
                for edge in edges_of(check, job.sequence.states):
                    lines = set(edge.lines) if timed else set()
                    ranked = sorted(
                        fitting,
                        key=lambda hookup: (-len(lines & set(hookup.lines_on)), hookup.name not in used),
                    )
                    if ranked:
                        want = best_view(routes, check, edge, port, ranked)
                        used.setdefault(want.hookup.name)
                        found.append(want)
    return tuple(found)


def fitting_hookups(job: Job, port: PortName) -> list[Hookup]:
    """Hookups in which a port's edges can be recorded: its channel is driven, itself viewed."""
    return [
        hookup
        for hookup in job.fixture.hookups
        if hookup.drive is not None
        and hookup.drive.channel == port.channel
        and port in hookup.view
        and not hookup.exchanged
        and hookup.source_added is None
    ]


def best_view(
    routes: Routes, check: Check, edge: Edge, port: PortName, hookups: Sequence[Hookup]
) -> EdgeWant:
    """The first of some hookups that shows the closing of a route; else the first that shows anything."""
    if check.quantity.name.startswith("click"):
        here = hookups[0]
        return EdgeWant(check=check, edge=edge, hookup=here, port=port, legs=None, places=(port.net,))
    views = []
    for hookup in hookups:
        legs = routes.of_port(hookup, edge, port, check.tone.frequency_hz)
        view = EdgeWant(
            check=check, edge=edge, hookup=hookup, port=port, legs=legs, places=_places(check, port.net, legs)
        )
        if view.places and all(leg.closes for leg in legs):
            return view
        views.append(view)
    return next((view for view in views if view.places), views[0])


def _places(check: Check, net: str, legs: tuple[LegMoves, LegMoves]) -> tuple[str, ...]:
    """Where a check is read at an edge: the pair, or the legs that show what is asked."""
    match check.quantity.name:
        case "bounce":
            shown = [leg.closes for leg in legs]
        case "gap":  # of several relays the gaps overlap, and none can be told
            shown = [leg.breaks and leg.closes and len(leg.relays) == 1 for leg in legs]
        case _:
            return (net,) if all(leg.moves for leg in legs) else ()
    return tuple(f"{net}.{leg}" for leg, does in zip(LEGS, shown, strict=True) if does)


def add_edges(
    routes: Routes, wanted: Sequence[EdgeWant], visits: Sequence[HookupVisit], *, first_number: int
) -> tuple[tuple[HookupVisit, ...], tuple[EdgeReading, ...]]:
    """Put the edges at the end of each visit to their hookup, and say what is read from them.

    One record serves every check of an edge under one stimulus. A hookup that is visited twice has its edges
    in the later visit, as they are loud.
    """
    made: list[HookupVisit] = []
    readings: list[EdgeReading] = []
    number = first_number
    last = {visit.hookup.name: place for place, visit in enumerate(visits)}  # dry visits come before
    for place, visit in enumerate(visits):
        here = [want for want in wanted if want.hookup == visit.hookup and want.places]
        if place != last[visit.hookup.name]:
            here = []
        keys = dict.fromkeys((_stimulus(want.check), want.edge) for want in here)
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
        for want in here:
            readings += _readings(want, numbers[_stimulus(want.check), want.edge])
        made.append(replace(visit, edges=tuple(acquisitions)))
    return tuple(made), tuple(readings)


def _stimulus(check: Check) -> Stimulus:
    if check.tone.level_vrms == 0.0:
        return IDLE
    return Stimulus(kind="pair", frequency_hz=check.tone.frequency_hz, level_vrms=check.tone.level_vrms)


def _peaks(routes: Routes, hookup: Hookup, edge: Edge, stimulus: Stimulus) -> tuple[float, ...]:
    """Peak volts of each leg: in either state, or a copy of its partner while a contact is open."""
    hz = stimulus.frequency_hz
    levels = np.maximum(
        np.abs(routes.transfer(hookup, edge.before, hz)).sum(axis=1),
        np.abs(routes.transfer(hookup, edge.after, hz)).sum(axis=1),
    )
    pairs = levels.reshape(-1, 2).max(axis=1).repeat(2)
    return tuple(float(level) for level in pairs * stimulus.level_vrms / sqrt(2.0))


def _floating(routes: Routes, hookup: Hookup, edge: Edge, stimulus: Stimulus) -> tuple[Floating, ...]:
    """What each leg shows while its own poles that move are open, or its partner's: (old, new) route."""
    legs = 2 * len(hookup.view)
    copy, alone = np.ones((legs, 2)), np.ones((legs, 2))
    hz, opened = stimulus.frequency_hz, routes.movers(edge)
    for place, state in enumerate((edge.before, edge.after)):
        closed = routes.transfer(hookup, state, hz)
        for column, leg in enumerate(LEGS):  # the one that is open
            partner = 1 - column
            seen = routes.transfer(hookup, state, hz, opened, leg)
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


def _readings(want: EdgeWant, acquisition: int) -> list[EdgeReading]:
    return [
        EdgeReading(
            check=want.check,
            quantity=want.check.quantity.name,
            limit=want.check.limit,
            edge=want.edge,
            driven=want.port.channel,
            channel=want.port.channel,
            port=place,
            acquisition=acquisition,
        )
        for place in want.places
    ]
