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

from harness.arrays import Floats, Indices
from harness.measure.sides import Course, Instant, SteadySides, boundary


def cheapest_way(costs: Floats, change_cost: float) -> Indices:
    """Course of each sample, of the cheapest sequence; costs: shape (courses, samples).

    Staying is free and every change has one price, so a sample's best predecessor is either its own course or
    the cheapest of all.
    """
    courses, samples = costs.shape
    total = costs[:, 0].tolist()
    stayed = np.ones((samples, courses), dtype=np.bool_)
    came_from = np.zeros(samples, dtype=np.intp)
    indices = range(courses)
    for n, column in enumerate(costs.T[1:].tolist(), start=1):
        least = min(total)
        came_from[n] = total.index(least)
        dearest = least + change_cost
        for c in indices:
            if total[c] > dearest:
                stayed[n, c] = False
                total[c] = dearest + column[c]
            else:
                total[c] += column[c]
    way = np.empty(samples, dtype=np.intp)
    way[-1] = total.index(min(total))
    for n in range(samples - 1, 0, -1):
        way[n - 1] = way[n] if stayed[n, way[n]] else came_from[n]
    return way


def one_way(
    costs: Floats, change_cost: float, old: Sequence[int], new: Sequence[int], direct_cost: float = 0.0
) -> Indices:
    """The same where no course of `old` follows one of `new`: no contact goes back to the throw that it left.

    Every other course may stand on either side; going over to the second side within it costs nothing.
    direct_cost: of a change from `old` to `new` with nothing between, above its price. Without it a leg that
    opens first, and for that long copies its partner, would have arrived where the copy looks like the new
    course, and its gap would be a bounce.
    """
    courses = len(costs)
    first = [c for c in range(courses) if c not in new]
    second = [c for c in range(courses) if c not in old]
    split = len(first)  # a state is a course on a side: the first side's, then the second's
    between = [p for p, c in enumerate(first) if c in second]
    # Of each course of the second side: its number there, its state, and its state on the first side.
    late_states = [(k, split + k, first.index(c) if c in first else None) for k, c in enumerate(second)]
    early, late = costs[first, 0].tolist(), [math.inf] * len(second)
    came = [list(range(split + len(second)))]
    columns = zip(costs[first, 1:].T.tolist(), costs[second, 1:].T.tolist(), strict=True)
    for column, late_column in columns:
        least, least_late = min(early), min(late)
        from_early, dearest_early = early.index(least), least + change_cost
        # Where a change on the second side comes from: into a course that either side may have, from
        # anywhere; into a new one, from an old one at the direct cost alone.
        to_shared, to_shared_cost = from_early, dearest_early
        if least_late < least:
            to_shared, to_shared_cost = split + late.index(least_late), least_late + change_cost
        to_new, to_new_cost = to_shared, to_shared_cost
        if to_shared < split and to_shared not in between:
            ways = [(early[p] + change_cost, p) for p in between]
            ways += [(to_new_cost + direct_cost, from_early)]
            ways += [(least_late + change_cost, split + late.index(least_late))]
            to_new_cost, to_new = min(ways)
        pointers = [p if total <= dearest_early else from_early for p, total in enumerate(early)]
        for k, state, shared in late_states:
            total, source, cost = late[k], to_new, to_new_cost
            if shared is not None:
                source, cost = to_shared, to_shared_cost
            if total > cost:
                total, state = cost, source
            if shared is not None and early[shared] < total:
                total, state = early[shared], shared
            pointers.append(state)
            late[k] = total + late_column[k]
        early = [
            column[p] + (total if total <= dearest_early else dearest_early) for p, total in enumerate(early)
        ]
        came.append(pointers)
    ends = early + late
    return np.asarray([*first, *second], dtype=np.intp)[_backwards(came, ends.index(min(ends)))]


def _backwards(came: Sequence[Sequence[int]], state: int) -> list[int]:
    """The state at each sample of the way that ends in `state`; came: of each sample, from which state."""
    way = [state]
    for pointers in reversed(came[1:]):
        state = pointers[state]
        way.append(state)
    return way[::-1]


def running_cost(costs: Floats, change_cost: float) -> Floats:
    """Cost of the cheapest sequence of courses up to before each sample, shape (samples + 1,)."""
    if len(costs) == 1:
        return np.concatenate([[0.0], np.cumsum(costs[0])])
    total = [0.0] * len(costs)
    running = [0.0]
    for column in costs.T.tolist():
        dearest = min(total) + change_cost
        total = [min(value, dearest) + cost for value, cost in zip(total, column, strict=True)]
        running.append(min(total))
    return np.asarray(running)


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
class _Candidate:
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
class SignalPath:
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


def follow(sides: SteadySides, leg: int, partner: int | None, floating: Floating = PLAIN) -> SignalPath:
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
    old_rms = math.sqrt(float(np.sum(sides.before.coefficients[leg, 1:] ** 2)) / 2)
    silent = old_rms <= SAME * float(sides.noise_v[leg])  # then an open leg follows the old course as well
    old = [row for row, label in enumerate(known) if label == "before" and not silent]
    new = [row for row, label in enumerate(known) if label == "after"]
    direct_cost = DIRECT_COST if "open" in known else 0.0
    cheapest = one_way(costs, CHANGE_COST, old, new, direct_cost) if new else cheapest_way(costs, CHANGE_COST)
    way = _absorbed(cheapest, len(courses))
    runs = _runs(way)
    labels: list[Label] = [*known, "other"]
    result = [labels[int(way[a])] for a, _ in runs]
    if silent:
        result = _opened(result)
    names = _named(result, "after" in labels)
    ends = [index for index in range(len(runs)) if index + 1 == len(runs) or names[index] != names[index + 1]]
    begins = [0, *(index + 1 for index in ends[:-1])]
    segments = tuple(
        Segment(label=names[first], start=start + runs[first][0], stop=start + runs[last][1])
        for first, last in zip(begins, ends, strict=True)
    )
    solid = [label in ("before", "after") for label in result]
    gap = [row for row, label in enumerate(labels) if row not in old and label != "after"]
    instants = tuple(
        _instant(costs, way, runs, solid, gap, index, start, sides.interval_s) for index in ends[:-1]
    )
    return SignalPath(
        segments=segments, instants=instants, expected=_expected(runs, way, courses), start=start, stop=stop
    )


def _courses(
    sides: SteadySides, leg: int, partner: int | None, floating: Floating, start: int, stop: int
) -> list[_Candidate]:
    """Courses that a leg can follow and that can be told apart: of two alike, the one named first."""
    noise = float(sides.noise_v[leg])
    before, after = sides.before.volts(start, stop), sides.after.volts(start, stop)
    offsets = (sides.before.coefficients[:, 0] + sides.after.coefficients[:, 0]) / 2
    named = [
        _Candidate(label="before", volts=before[leg], spread_v=noise),
        _Candidate(label="after", volts=after[leg], spread_v=noise),
        _Candidate(label="open", volts=np.full(stop - start, offsets[leg]), spread_v=noise),
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
    distinct: list[_Candidate] = []
    for candidate in named:
        apart_v = (math.sqrt(float(np.mean((candidate.volts - other.volts) ** 2))) for other in distinct)
        if all(rms_v > SAME * noise for rms_v in apart_v):
            distinct.append(candidate)
    return distinct


def _own_tone(course: Course, leg: int, start: int, stop: int) -> Floats:
    """A leg's strongest tone alone: of its partner's it sees something only while that is closed as well."""
    result = course.coefficients[leg, 1:].reshape(-1, 2)
    strongest = np.zeros_like(course.coefficients)
    if len(result):
        tone = 1 + 2 * int(np.argmax(np.sum(result**2, axis=1)))
        strongest[leg, tone : tone + 2] = course.coefficients[leg, tone : tone + 2]
    return np.asarray(replace(course, coefficients=strongest).volts(start, stop)[leg])


def _inexact(label: Label, volts: Floats, noise_v: float) -> _Candidate:
    """A course that is known from the circuit alone."""
    return _Candidate(
        label=label, volts=volts, spread_v=math.hypot(noise_v, COPY_INEXACT * float(np.std(volts)))
    )


def _cost(volts: Floats, course: _Candidate, noise_v: float) -> Floats:
    """Half the squared residual in its own spread's terms, and what a wider spread is the less likely for."""
    squared = ((volts - course.volts) / course.spread_v) ** 2 / 2 + math.log(course.spread_v / noise_v)
    return np.asarray(np.minimum(squared, UNLIKELY_COST))


def _absorbed(way: Indices, other: int) -> Indices:
    """Take a short stretch beside a longer one that follows no course to follow none either.

    The tail of a click crosses courses on its way back.
    """
    way = way.copy()
    changed = True
    while changed:
        changed = False
        runs = _runs(way)
        for index in range(1, len(runs) - 1):
            a, b = runs[index]
            beside = [runs[n] for n in (index - 1, index + 1) if way[runs[n][0]] == other]
            if way[a] != other and any(stop - start > ABSORBING * (b - a) for start, stop in beside):
                way[a:b] = other
                changed = True
                break
    return way


def _instant(
    costs: Floats,
    way: Indices,
    runs: Sequence[tuple[int, int]],
    solid: Sequence[bool],
    gap: Sequence[int],
    index: int,
    start: int,
    interval_s: float,
) -> Instant:
    """Instant at which a run ends. Inside a gap between two solid runs any course may hold at any sample: a
    copy of the other leg that happens to look like the new course makes the instant less sure.
    """
    low, high = index, index + 1
    while not solid[low] and low > 0 and not solid[low - 1]:
        low -= 1
    while not solid[high] and high < len(runs) - 1 and not solid[high + 1]:
        high += 1
    middle = runs[index][1]
    first, last = max(runs[low][0], middle - REACH), min(runs[high][1], middle + REACH)
    left, right = int(way[middle - 1]), int(way[middle])
    window = costs[:, first:last]
    rows_before = [left] if solid[index] or not solid[index + 1] else gap
    rows_after = [right] if solid[index + 1] or not solid[index] else gap
    gone = running_cost(window[rows_before], INNER_CHANGE_COST)
    to_come = running_cost(window[rows_after, ::-1], INNER_CHANGE_COST)[::-1]
    return boundary(gone, to_come, start + first, interval_s)


def _runs(way: Indices) -> list[tuple[int, int]]:
    """Start and stop of each run of one course."""
    cuts = [0, *(np.flatnonzero(np.diff(way)) + 1).tolist(), len(way)]
    return list(pairwise(cuts))


def _opened(result: Sequence[Label]) -> list[Label]:
    """Where the old course is silence, what looks like it after the new one was reached is an open leg."""
    arrived = result.index("after") if "after" in result else len(result)
    return ["open" if label == "before" and index > arrived else label for index, label in enumerate(result)]


def _named(result: Sequence[Label], distinct_after: bool) -> list[Label]:
    """Where old and new course are the same, what follows the first interruption is the new one."""
    if distinct_after or not any(label != "before" for label in result):
        return list(result)
    left = next(index for index, label in enumerate(result) if label != "before")
    return ["after" if label == "before" and index > left else label for index, label in enumerate(result)]


def _expected(runs: Sequence[tuple[int, int]], way: Indices, courses: Sequence[_Candidate]) -> Floats:
    """What the leg should show; where it follows no course, the last one that it did."""
    expected = courses[0].volts.copy()
    last = courses[0]
    for a, b in runs:
        if int(way[a]) < len(courses):
            last = courses[int(way[a])]
        expected[a:b] = last.volts[a:b]
    return expected
