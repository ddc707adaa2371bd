"""A relay's contacts in time: they break, travel, make and bounce."""

import bisect
import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

OPEN, REST, OPERATED = 0, 1, 2
"""Where a pole's common is: in the air, on its rest throw, on its operated throw."""

MEMORY_S = 60.0  # simulated seconds of past positions kept


@dataclass(frozen=True, kw_only=True)
class Timing:
    """One relay's own times, from the coil's edge; bounce excluded from operate and release."""

    operate_s: float
    release_s: float
    gap_s: float  # between break and make
    bounce_s: float
    skew_s: tuple[float, ...]  # how much earlier each pole acts than the last one


class Motion:
    """The past and planned positions of one relay's poles."""

    def __init__(
        self,
        timing: Timing,
        *,
        position: int,
        seed: int,
        misses: Mapping[int, Mapping[int, float]] = MappingProxyType({}),
    ) -> None:
        """misses: of a pole, by position, the chance that it arrives there and does not conduct."""
        self._timing = timing
        self._rng = np.random.default_rng(seed)
        self._chances = np.random.default_rng([seed, 1])  # of its own, so that the motion stays what it is
        self._misses = misses
        self._target = position
        self._events: list[list[tuple[float, int]]] = [[(-1e9, position)] for _ in timing.skew_s]

    @property
    def target(self) -> int:
        """Where the armature is, or is going."""
        return self._target

    def command(self, at_s: float, target: int) -> None:
        """Energise or release the coil at `at_s`; what was still to come of an earlier motion is dropped."""
        if target == self._target:
            return
        self._target = target
        timing = self._timing
        nominal_s = timing.operate_s if target == OPERATED else timing.release_s
        make_s = at_s + nominal_s * self._rng.uniform(0.97, 1.03)
        for pole, (events, skew_s) in enumerate(zip(self._events, timing.skew_s, strict=True)):
            _forget(events, at_s)
            missed = self._chances.uniform() < self._misses.get(pole, {}).get(target, 0.0)
            moves = self._move(events[-1][1], target, at_s, make_s - skew_s)
            if missed:  # it leaves the other throw, and that is all that is seen of it
                moves = ((instant_s, OPEN) for instant_s, _ in itertools.islice(moves, 1))
            events.extend(moves)

    def at(self, at_s: float) -> tuple[int, ...]:
        """Every pole's position at an instant."""
        return tuple(events[_last(events, at_s)][1] for events in self._events)

    def changes(self, start_s: float, end_s: float) -> Iterator[tuple[float, int, int]]:
        """Changes after `start_s` and before `end_s`: (instant, pole, position)."""
        for pole, events in enumerate(self._events):
            for instant_s, position in events[_last(events, start_s) + 1 :]:
                if instant_s < end_s:
                    yield instant_s, pole, position

    def _move(self, position: int, target: int, at_s: float, make_s: float) -> Iterator[tuple[float, int]]:
        if position == target:
            return
        if position != OPEN:
            yield max(at_s + 1e-5, make_s - self._timing.gap_s), OPEN
        yield make_s, target
        count = int(self._rng.integers(1, 5))
        edges = np.sort(self._rng.uniform(0, self._timing.bounce_s, 2 * count - 1))
        for opened_s, closed_s in zip(edges[::2], [*edges[1::2], self._timing.bounce_s], strict=True):
            yield make_s + float(opened_s), OPEN
            yield make_s + float(closed_s), target


def _last(events: list[tuple[float, int]], at_s: float) -> int:
    """Index of the last event at or before an instant."""
    return bisect.bisect_right(events, (at_s, math.inf)) - 1


def _forget(events: list[tuple[float, int]], at_s: float) -> None:
    """Drop what is planned after `at_s`, and what is long past."""
    del events[_last(events, at_s) + 1 :]
    old = _last(events, at_s - MEMORY_S)
    if old > 0:
        del events[:old]
