"""A change of state as it was captured: drops, bounces and times of each leg, and what it left as a click.

Terms. *Drop*: the signal is gone, from the instant a leg leaves its old course to the first at which it
follows its new one (break before make; transfer time of a change-over contact, IEC 61810-1, from memory).
*Bounce*: from that first closing to the final one, if it opens again (bounce time, IEV 444-04, from memory).
*Operate* and *release time*: from the control line's edge to the first closing of the last leg to change,
bounce left out (same source). *Click*: what is left when the courses are taken out (`click`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from harness.errors import ReadingError
from harness.measure.clock import NOMINAL_CLOCK, Clock
from harness.measure.instants import UNIFORM, Instant, between
from harness.measure.levels import below
from harness.measure.segments import CHANGE_COST, PLAIN, Floating, Path, follow
from harness.measure.steady import Sides, steady_sides
from harness.reading import Estimate

Kind = Literal["drop", "bounce", "unexplained"]


@dataclass(frozen=True, kw_only=True, eq=False)
class LegChange:
    """What one leg did. The instants are None where the leg did not change.

    left: it leaves its old course. arrived: it first follows its new one. settled: it does so for good.
    dropped: there was a signal on either side and none between. openings: how often it opened again after
    arriving. unexplained_s: how long it followed no course at all.
    smallest_s: the longest interruption that could have gone unseen, at the tone's weakest instant.
    """

    path: Path
    left: Instant | None
    arrived: Instant | None
    settled: Instant | None
    dropped: bool
    openings: int
    unexplained_s: float
    smallest_s: float

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """What there was of drops, bounces and courses that are none of those known."""
        found: list[Kind] = ["drop"] if self.dropped else []
        if self.openings:
            found.append("bounce")
        if self.unexplained_s > 0:
            found.append("unexplained")
        return tuple(found)


@dataclass(frozen=True, kw_only=True, eq=False)
class Transition:
    """A record across a change of state. legs: in the record's order; empty where nothing happened."""

    sides: Sides
    legs: tuple[LegChange, ...]


def find_transition(
    volts: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    interval_s: float,
    frequencies_hz: Sequence[float],
    *,
    step_v: Sequence[float],
    joined: bool,
    floating: Sequence[Floating] | None = None,
    clock: Clock = NOMINAL_CLOCK,
) -> Transition:
    """Find what each leg of a record does across a change of state.

    volts: hot, cold, hot, cold…, shape (legs, samples), or a single leg; frequencies_hz: of the tones in it,
    known; none in silence, in which there are no drops or bounces to be seen and only clicks. joined: whether
    a load lies across each pair, through which an open leg shows a copy of the other one.
    floating: for each leg, what that load does while one of its pair is open; a plain copy for None.
    Raises ReadingError where the record is too short or not steady on either side.
    """
    sides = steady_sides(volts, interval_s, frequencies_hz, step_v=step_v, clock=clock)
    if sides.first is None:
        return Transition(sides=sides, legs=())
    legs = len(volts)
    pairs = joined and legs % 2 == 0
    loads = [PLAIN] * legs if floating is None else floating
    return Transition(
        sides=sides,
        legs=tuple(
            _leg(sides, leg, leg + 1 - 2 * (leg % 2) if pairs else None, loads[leg]) for leg in range(legs)
        ),
    )


def drop(leg: LegChange, k: float = 2.0) -> Estimate:
    """How long the signal is gone, s; a floor where no gap is seen: any is shorter than that."""
    if leg.left is None or leg.arrived is None or not leg.dropped:
        return below(leg.smallest_s, k=k)
    return between(leg.left, leg.arrived, names=("opening", "closing"), k=k)


def bounce(leg: LegChange, k: float = 2.0) -> Estimate:
    """Time from a leg's first closing to its final one, s; a floor where it closed once."""
    if leg.arrived is None or leg.settled is None or leg.openings == 0:
        return below(leg.smallest_s, k=k)
    return between(leg.arrived, leg.settled, names=("first closing", "final closing"), k=k)


def switching_time(legs: Sequence[LegChange], edge: Instant, k: float = 2.0) -> Estimate:
    """Operate or release time, s: from the control edge to the last leg's first closing, bounce left out.

    edge: `find_edge` on a control line's input, or an instant otherwise known, on the record's time.
    Raises ReadingError where a leg did not change, or changed before the edge: then it isn't its cause.
    """
    arrivals = [leg.arrived for leg in legs if leg.arrived is not None]
    if not arrivals or len(arrivals) < len(legs):
        raise ReadingError("a leg shows no change of route in this record: it has no operate or release time")
    last = max(arrivals, key=lambda instant: instant.time_s)
    found = between(edge, last, names=("control edge", "closing"), k=k)
    if found.high < 0:
        raise ReadingError(
            f"the route changes {-1e3 * found.value:.3g} ms before the control edge, which can't be its cause"
        )
    return found


def smallest_interruption(sides: Sides, leg: int, start: int = 0, stop: int | None = None) -> float:
    """Longest interruption of a leg's new course, s, that costs less than the two changes that would show it.

    It is that long at the tone's weakest instant between two samples (to the record's end for None).
    """
    offset = sides.after.coefficients[leg, 0]
    volts = sides.after.volts(start, sides.volts.shape[1] if stop is None else stop)[leg]
    worth = (volts - offset) ** 2 / (2 * sides.noise_v[leg] ** 2)
    summed = np.concatenate([[0.0], np.cumsum(worth)])
    ends = np.searchsorted(summed, summed + 2 * CHANGE_COST)
    seen = ends < len(summed)
    if not seen.any():
        return len(worth) * sides.interval_s
    return float(np.max((ends - np.arange(len(summed)))[seen])) * sides.interval_s


def _leg(sides: Sides, leg: int, partner: int | None, floating: Floating) -> LegChange:
    path = follow(sides, leg, partner, floating)
    labels = [segment.label for segment in path.segments]
    new = [place for place, label in enumerate(labels) if label == "after"]
    changed = bool(new) and new[0] > 0
    unexplained = sum(s.stop - s.start for s in path.segments if s.label == "other")
    between_courses = labels[1 : new[0]] if changed else []
    sounding = all(
        float(np.sum(course.coefficients[leg, 1:] ** 2)) / 2 > sides.noise_v[leg] ** 2
        for course in (sides.before, sides.after)
    )
    return LegChange(
        path=path,
        left=_instant(path, 0) if changed else None,
        arrived=_instant(path, new[0] - 1) if changed else None,
        settled=_instant(path, new[-1] - 1) if changed else None,
        dropped=sounding and any(label in ("open", "copy") for label in between_courses),
        openings=sum(labels[place - 1] != "other" or labels[place - 2] != "after" for place in new[1:]),
        unexplained_s=unexplained * sides.interval_s,
        smallest_s=smallest_interruption(sides, leg, path.start, path.stop),
    )


def _instant(path: Path, place: int) -> Instant:
    """Instant at which segment `place` ends; beside a stretch that follows no course, anywhere in that."""
    instant = path.instants[place]
    for other in (place, place + 1):
        if path.segments[other].label == "other" and 0 < other < len(path.segments) - 1:
            start, stop = path.instants[other - 1], path.instants[other]
            width = stop.time_s - start.time_s
            return Instant(
                time_s=(start.time_s + stop.time_s) / 2,
                standard_s=math.hypot(width * UNIFORM, start.standard_s, stop.standard_s),
            )
    return instant
