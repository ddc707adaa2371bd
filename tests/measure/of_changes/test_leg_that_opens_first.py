"""A leg that opens before its partner copies it for microseconds.

Where the copy looks like the new route the leg is still open: a gap is no bounce.
"""

from itertools import pairwise

import numpy as np
import pytest

from harness.measure.segments import CHANGE_COST, DIRECT_COST, one_way

BEFORE, AFTER, OPEN, COPY = range(4)
FITS, MISSES = 0.5, 18.0  # of a sample: half a squared standard deviation, and six of them
STEADY, SKEW, GAP = 60, 3, 200  # samples


def costs_of(*stretches: tuple[int, dict[int, float]]) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """(courses, samples): in each stretch the courses named cost what is said, all others miss."""
    columns = []
    for samples, fitting in stretches:
        column = np.full((4, samples), MISSES)
        for course, cost in fitting.items():
            column[course] = cost
        columns.append(column)
    return np.hstack(columns)


def runs(way: np.ndarray[tuple[int, ...], np.dtype[np.intp]]) -> list[tuple[int, int]]:
    cuts = [0, *(np.flatnonzero(np.diff(way)) + 1).tolist(), len(way)]
    return [(int(way[a]), b - a) for a, b in pairwise(cuts)]


@pytest.mark.parametrize("likelier", [0.0, 0.3, 2.0])
def test_a_copy_that_looks_like_the_new_route_is_no_arrival(likelier: float) -> None:
    # As it was found, in a run of 640 gaps: 6 us of a copy, 0.3 of a standard deviation from the new route.
    result = one_way(
        costs_of(
            (STEADY, {BEFORE: FITS}),
            (SKEW, {AFTER: FITS, COPY: FITS + likelier}),
            (GAP, {OPEN: FITS}),
            (STEADY, {AFTER: FITS}),
        ),
        CHANGE_COST,
        [BEFORE],
        [AFTER],
        DIRECT_COST,
    )
    assert runs(result) == [(BEFORE, STEADY), (COPY, SKEW), (OPEN, GAP), (AFTER, STEADY)]


def test_a_contact_that_makes_before_it_breaks_still_has_no_gap() -> None:
    result = one_way(
        costs_of((STEADY, {BEFORE: FITS}), (STEADY, {AFTER: FITS})),
        CHANGE_COST,
        [BEFORE],
        [AFTER],
        DIRECT_COST,
    )
    assert runs(result) == [(BEFORE, STEADY), (AFTER, STEADY)]


def test_a_bounce_after_the_arrival_stays_one() -> None:
    result = one_way(
        costs_of(
            (STEADY, {BEFORE: FITS}),
            (GAP, {OPEN: FITS}),
            (SKEW, {AFTER: FITS}),
            (SKEW, {OPEN: FITS}),
            (STEADY, {AFTER: FITS}),
        ),
        CHANGE_COST,
        [BEFORE],
        [AFTER],
        DIRECT_COST,
    )
    assert [course for course, _ in runs(result)] == [BEFORE, OPEN, AFTER, OPEN, AFTER]


def test_a_leg_that_shows_one_sample_of_nothing_between_has_a_gap_of_it() -> None:
    result = one_way(
        costs_of((STEADY, {BEFORE: FITS}), (2, {OPEN: FITS}), (STEADY, {AFTER: FITS})),
        CHANGE_COST,
        [BEFORE],
        [AFTER],
        DIRECT_COST,
    )
    assert runs(result) == [(BEFORE, STEADY), (OPEN, 2), (AFTER, STEADY)]
