"""Which course a leg follows at each instant of a change: the old one, none, its partner's, the new one.

A leg that is open shows nothing, or, where a load joins it to the other leg, a copy of that. The course at
each sample is the cheapest sequence of courses (Viterbi's algorithm): each sample costs its squared residual,
each change of course a fixed price, so that noise makes no changes and a contact's bounces do.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.measure.cheapest_way import cheapest_way, one_way, running_cost
from harness.measure.instants import Instant, boundary
from harness.measure.steady import Course, Sides

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Label = Literal["before", "open", "copy", "after", "other"]

CHANGE_COST = 14.0  # in half squared standard deviations: noise alone buys one change in a million samples
DIRECT_COST = 14.0  # more, from the old course to the new at once: a contact leaves one, then arrives
INNER_CHANGE_COST = 4.0  # between the courses of an open leg: the other leg changes too, about as late
UNLIKELY_COST = 18.0  # no sample counts for more: 6 standard deviations
OTHER_COST = 6.0  # of a sample that follows no course: the cheaper from 3.5 standard deviations on
SAME = 0.7  # of the noise: courses that differ by less can't be told apart
ALONE_DIFFERS = 0.01  # of a course: the circuit tells it from the one of both legs closed
COPY_INEXACT = 0.03  # of a copy of the other leg: what the inputs' own load takes of it
CERTAIN_COST = 1e3
PAD = 128  # samples looked at on either side of the change
ABSORBING = 2.0  # times as long as what it swallows
REACH = 2000  # samples on either side in which a boundary is looked for


@dataclass(frozen=True, kw_only=True, eq=False)
class _Course:
    """A course that a leg may follow: its volts over the samples looked at, and how far off it may be."""

    label: Label
    volts: Floats
    spread_v: float


@dataclass(frozen=True, kw_only=True)
class Segment:
    """A leg's course from sample `start` to before `stop`."""

    label: Label
    start: int
    stop: int


@dataclass(frozen=True, kw_only=True, eq=False)
class Path:
    """One leg's way through a change: its segments, the instants between them, and what it should have shown.

    expected: volts, over samples `start` to before `stop` of the record, by the course of each.
    """

    segments: tuple[Segment, ...]
    instants: tuple[Instant, ...]
    expected: Floats
    start: int
    stop: int


@dataclass(frozen=True, kw_only=True)
class Floating:
    """What a load that joins two legs does while one of them is open; factors, on the old and the new route.

    copy: what a leg that is open shows, of its partner's course. alone: what becomes of a leg's own course
    while its partner is open.
    """

    copy: tuple[float, float] = (1.0, 1.0)
    alone: tuple[float, float] = (1.0, 1.0)


PLAIN = Floating()


def follow(sides: Sides, leg: int, partner: int | None, floating: Floating = PLAIN) -> Path:
    """Find one leg's way through the change; `sides` must have one. partner: the pair's other leg."""
    first, last = sides.first or 0, sides.last or 0
    samples = sides.volts.shape[1]
    start, stop = max(first - PAD, 0), min(last + 1 + PAD, samples)
    volts = sides.volts[leg, start:stop]
    courses = _courses(sides, leg, partner, floating, start, stop)
    costs = np.stack(
        [
            *(_cost(volts, course, float(sides.noise_v[leg])) for course in courses),
            np.full(len(volts), OTHER_COST),
        ]
    )
    known = [course.label for course in courses]
    last_row = known.index("after") if "after" in known else 0
    costs[1:, 0] += CERTAIN_COST  # outside the change the courses are what was fitted there
    costs[np.arange(len(costs)) != last_row, -1] += CERTAIN_COST
    silent = _is_silent(sides.before, leg, float(sides.noise_v[leg]))  # then an open leg follows it as well
    old = [row for row, label in enumerate(known) if label == "before" and not silent]
    new = [row for row, label in enumerate(known) if label == "after"]
    direct_cost = DIRECT_COST if "open" in known else 0.0
    cheapest = one_way(costs, CHANGE_COST, old, new, direct_cost) if new else cheapest_way(costs, CHANGE_COST)
    way = _absorbed(cheapest, len(courses))
    runs = _runs(way)
    labels: list[Label] = [*known, "other"]
    found = [labels[int(way[a])] for a, _ in runs]
    if silent:
        found = _opened(found)
    names = _named(found, "after" in labels)
    ends = [place for place in range(len(runs)) if place + 1 == len(runs) or names[place] != names[place + 1]]
    begins = [0, *(place + 1 for place in ends[:-1])]
    segments = tuple(
        Segment(label=names[first], start=start + runs[first][0], stop=start + runs[last][1])
        for first, last in zip(begins, ends, strict=True)
    )
    solid = [label in ("before", "after") for label in found]
    gap = [row for row, label in enumerate(labels) if row not in old and label != "after"]
    instants = tuple(
        _instant(costs, way, runs, solid, gap, place, start, sides.interval_s) for place in ends[:-1]
    )
    return Path(
        segments=segments,
        instants=instants,
        expected=_expected(runs, way, courses),
        start=start,
        stop=stop,
    )


def _courses(
    sides: Sides, leg: int, partner: int | None, floating: Floating, start: int, stop: int
) -> list[_Course]:
    """Courses that a leg can follow and that can be told apart: of two alike, the one named first."""
    noise = float(sides.noise_v[leg])
    before, after = sides.before.volts(start, stop), sides.after.volts(start, stop)
    offsets = (sides.before.coefficients[:, 0] + sides.after.coefficients[:, 0]) / 2
    named = [
        _Course(label="before", volts=before[leg], spread_v=noise),
        _Course(label="after", volts=after[leg], spread_v=noise),
        _Course(label="open", volts=np.full(stop - start, offsets[leg]), spread_v=noise),
    ]
    if partner is not None:
        sides_in_turn = (sides.before, sides.after)
        for course, share in zip(sides_in_turn, floating.copy, strict=True):
            named.append(
                _inexact("copy", share * _own_tone(course, partner, start, stop) + offsets[leg], noise)
            )
        labels: tuple[Label, Label] = ("before", "after")
        for label, course, share in zip(labels, sides_in_turn, floating.alone, strict=True):
            if abs(share - 1) > ALONE_DIFFERS:
                own = share * _own_tone(course, leg, start, stop) + offsets[leg]
                named.append(_inexact(label, own, noise))
    kept: list[_Course] = []
    for one in named:
        if all(math.sqrt(float(np.mean((one.volts - other.volts) ** 2))) > SAME * noise for other in kept):
            kept.append(one)
    return kept


def _own_tone(course: Course, leg: int, start: int, stop: int) -> Floats:
    """A leg's strongest tone alone: of its partner's it sees something only while that is closed as well."""
    found = course.coefficients[leg, 1:].reshape(-1, 2)
    kept = np.zeros_like(course.coefficients)
    if len(found):
        tone = 1 + 2 * int(np.argmax(np.sum(found**2, axis=1)))
        kept[leg, tone : tone + 2] = course.coefficients[leg, tone : tone + 2]
    return np.asarray(replace(course, coefficients=kept).volts(start, stop)[leg])


def _inexact(label: Label, volts: Floats, noise_v: float) -> _Course:
    """A course that is known from the circuit alone."""
    return _Course(
        label=label, volts=volts, spread_v=math.hypot(noise_v, COPY_INEXACT * float(np.std(volts)))
    )


def _cost(volts: Floats, course: _Course, noise_v: float) -> Floats:
    """Half the squared residual in its own spread's terms, and what a wider spread is the less likely for."""
    squared = ((volts - course.volts) / course.spread_v) ** 2 / 2 + math.log(course.spread_v / noise_v)
    return np.asarray(np.minimum(squared, UNLIKELY_COST))


def _absorbed(way: Ints, other: int) -> Ints:
    """Take a short stretch beside a longer one that follows no course to follow none either.

    The tail of a click crosses courses on its way back.
    """
    way = way.copy()
    changed = True
    while changed:
        changed = False
        runs = _runs(way)
        for place in range(1, len(runs) - 1):
            a, b = runs[place]
            beside = [runs[n] for n in (place - 1, place + 1) if way[runs[n][0]] == other]
            if way[a] != other and any(stop - start > ABSORBING * (b - a) for start, stop in beside):
                way[a:b] = other
                changed = True
                break
    return way


def _instant(
    costs: Floats,
    way: Ints,
    runs: Sequence[tuple[int, int]],
    solid: Sequence[bool],
    gap: Sequence[int],
    place: int,
    start: int,
    interval_s: float,
) -> Instant:
    """Instant at which a run ends. Inside a gap between two solid runs any course may hold at any sample: a
    copy of the other leg that happens to look like the new course makes the instant less sure.
    """
    low, high = place, place + 1
    while not solid[low] and low > 0 and not solid[low - 1]:
        low -= 1
    while not solid[high] and high < len(runs) - 1 and not solid[high + 1]:
        high += 1
    middle = runs[place][1]
    first, last = max(runs[low][0], middle - REACH), min(runs[high][1], middle + REACH)
    left, right = int(way[middle - 1]), int(way[middle])
    window = costs[:, first:last]
    rows_before = [left] if solid[place] or not solid[place + 1] else gap
    rows_after = [right] if solid[place + 1] or not solid[place] else gap
    gone = running_cost(window[rows_before], INNER_CHANGE_COST)
    to_come = running_cost(window[rows_after, ::-1], INNER_CHANGE_COST)[::-1]
    return boundary(gone, to_come, start + first, interval_s)


def _runs(way: Ints) -> list[tuple[int, int]]:
    """Start and stop of each run of one course."""
    cuts = [0, *(np.flatnonzero(np.diff(way)) + 1).tolist(), len(way)]
    return list(pairwise(cuts))


def _is_silent(course: Course, leg: int, noise_v: float) -> bool:
    """Whether a leg's course can't be told from that of an open leg."""
    return math.sqrt(float(np.sum(course.coefficients[leg, 1:] ** 2)) / 2) <= SAME * noise_v


def _opened(found: Sequence[Label]) -> list[Label]:
    """Where the old course is silence, what looks like it after the new one was reached is an open leg."""
    arrived = found.index("after") if "after" in found else len(found)
    return ["open" if label == "before" and place > arrived else label for place, label in enumerate(found)]


def _named(found: Sequence[Label], distinct_after: bool) -> list[Label]:
    """Where old and new course are the same, what follows the first interruption is the new one."""
    if distinct_after or not any(label != "before" for label in found):
        return list(found)
    left = next(place for place, label in enumerate(found) if label != "before")
    return ["after" if label == "before" and place > left else label for place, label in enumerate(found)]


def _expected(runs: Sequence[tuple[int, int]], way: Ints, courses: Sequence[_Course]) -> Floats:
    """What the leg should show; where it follows no course, the last one that it did."""
    expected = courses[0].volts.copy()
    last = courses[0]
    for a, b in runs:
        if int(way[a]) < len(courses):
            last = courses[int(way[a])]
        expected[a:b] = last.volts[a:b]
    return expected
