"""The cheapest sequence of courses through a record, by Viterbi's algorithm.

Each sample costs what the course that it is taken for makes it cost, and each change of course a fixed price.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


def cheapest_way(costs: Floats, change_cost: float) -> Ints:
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
) -> Ints:
    """The same where no course of `old` follows one of `new`: no contact goes back to the throw that it left.

    Every other course may stand on either side; going over to the second side within it costs nothing.
    direct_cost: of a change from `old` to `new` with nothing between, above its price. Without it a leg that
    opens first, and for that long copies its partner, would have arrived where the copy looks like the new
    course, and its gap would be a bounce.
    """
    courses = len(costs)
    first = [c for c in range(courses) if c not in new]
    second = [c for c in range(courses) if c not in old]
    split = len(first)  # a place is a course on a side: the first side's, then the second's
    between = [p for p, c in enumerate(first) if c in second]
    # Of each course of the second side: its number there, its place, and its place on the first side.
    late_places = [(k, split + k, first.index(c) if c in first else None) for k, c in enumerate(second)]
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
        for k, place, shared in late_places:
            total, source, cost = late[k], to_new, to_new_cost
            if shared is not None:
                source, cost = to_shared, to_shared_cost
            if total > cost:
                total, place = cost, source
            if shared is not None and early[shared] < total:
                total, place = early[shared], shared
            pointers.append(place)
            late[k] = total + late_column[k]
        early = [
            column[p] + (total if total <= dearest_early else dearest_early) for p, total in enumerate(early)
        ]
        came.append(pointers)
    ends = early + late
    return np.asarray([*first, *second], dtype=np.intp)[_backwards(came, ends.index(min(ends)))]


def _backwards(came: Sequence[Sequence[int]], place: int) -> list[int]:
    """The place at each sample of the way that ends at `place`; came: of each sample, where from."""
    way = [place]
    for pointers in reversed(came[1:]):
        place = pointers[place]
        way.append(place)
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
