"""A contact that comes and goes: a run finds it sound at some moments, and open at others.

No steady fault explains such readings. Each acquisition is taken as sound or as open, whichever fits better.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import log

import numpy as np
from numpy.typing import NDArray

from harness.faults.effects import Suspect
from harness.faults.expected import Expecter
from harness.faults.likelihood import Yardstick
from harness.faults.ranking import RESOLVED, Candidate, Pool
from harness.faults.search import Search
from harness.job.faults import USUAL_CHANCE, Fault

Flags = NDArray[np.bool_]

MOST = 4  # contacts that are computed with their own spread
CHOICE = log(2)  # nats for each acquisition that may be the one or the other


def as_open(suspect: Suspect) -> Suspect:
    """The same faults at a moment in which no contact that comes and goes conducts."""
    return tuple(
        replace(fault, kind="throw stuck open", chance=None) if fault.kind == "throw intermittent" else fault
        for fault in suspect
    )


def comes_and_goes(suspect: Suspect) -> bool:
    """Whether it is such a contact, and nothing else."""
    return len(suspect) == 1 and suspect[0].kind == "throw intermittent"


def intermittent(fault: Fault) -> Suspect:
    """The contact of a throw stuck open as one that is so only now and then."""
    return (replace(fault, kind="throw intermittent", chance=USUAL_CHANCE),)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Mixed:
    """A contact with the acquisitions in which it is taken to be open, out of those where that would show."""

    fault: Fault
    place: int
    open_at: Flags
    shows: Flags
    chi_squared: float


def weigh_at_times(pool: Pool, search: Search, yardstick: Yardstick, expecter: Expecter) -> list[Candidate]:
    """The likeliest contacts that were open in some acquisitions and sound in others, best first.

    pool: a sound unit first, and among the rest every throw stuck open.
    """
    if not yardstick.cells:
        return []
    mixed = sorted(_mixed(pool, search, yardstick), key=lambda one: one.chi_squared)[:MOST]
    found = []
    for one in mixed:
        better = _better(one, pool, search, yardstick)
        steady = (pool.suspects[one.place][0],)
        expected = expecter.of(steady, at=frozenset(np.flatnonzero(better.open_at).tolist()))
        predicted = _predicted(better, pool, yardstick)
        candidate = search.weigh(
            intermittent(one.fault), expected, predicted * yardstick.turns(predicted), pool.currents_a[0]
        )
        found.append(replace(candidate, score=candidate.score - CHOICE * int(one.shows.sum())))
    return sorted(found, key=lambda candidate: -candidate.score)


def _mixed(pool: Pool, search: Search, yardstick: Yardstick) -> Iterator[_Mixed]:
    sound = pool.predicted[0] * yardstick.turns(pool.predicted[0])
    misfit = yardstick.by_acquisition(sound)
    for place, suspect in enumerate(pool.suspects):
        if len(suspect) != 1 or suspect[0].kind != "throw stuck open":
            continue
        turned = pool.predicted[place] * yardstick.turns(pool.predicted[place])
        shows = yardstick.apart(turned, sound) > RESOLVED
        open_at = shows & (yardstick.by_acquisition(turned) < misfit)
        if open_at.any() and (shows & ~open_at).any():
            one = _Mixed(fault=suspect[0], place=place, open_at=open_at, shows=shows, chi_squared=0.0)
            yield replace(one, chi_squared=float(search.residual(_predicted(one, pool, yardstick))))


def _predicted(one: _Mixed, pool: Pool, yardstick: Yardstick) -> NDArray[np.complex128]:
    opened, sound = pool.predicted[one.place], pool.predicted[0]
    return np.asarray(np.where(one.open_at[yardstick.acquisition], opened, sound))


def _better(one: _Mixed, pool: Pool, search: Search, yardstick: Yardstick) -> _Mixed:
    """Change what was chosen roughly, acquisition by acquisition, where that agrees better."""
    for place in np.flatnonzero(one.shows):
        other = one.open_at.copy()
        other[place] = ~other[place]
        changed = replace(one, open_at=other)
        changed = replace(changed, chi_squared=float(search.residual(_predicted(changed, pool, yardstick))))
        if changed.chi_squared < one.chi_squared:
            one = changed
    return one
