"""The chain of a leg's contacts: the states that it may be in, and how likely each is at each sample.

Forward and backward sums over a hidden Markov chain (Baum and others, Ann. Math. Stat. 41, 1970, from
memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.arrays import Floats

OLD, OPEN, NEW = range(3)  # places
# States of a leg. A contact may touch its old throw again before it has reached its new one (`RETURNED`); it
# opens again (`BOUNCING`) after it first `REACHED` its new one, and stays once it has `SETTLED`.
BEFORE, LEFT, RETURNED, REACHED, BOUNCING, SETTLED = range(6)
PLACES = np.array([OLD, OPEN, OLD, NEW, OPEN, NEW])
CHANGE_COST = 9.0  # minus log of the probability that a leg changes at a sample: once in 8000
DIRECT_COST = 14.0  # more, from the old route to the new one at once: a contact leaves one, then arrives
LEAST_CHANCE = 1e-200  # of a state that was possible: samples that fit no place must not leave none at all
SCALED = 4  # samples after which chances are scaled, long before they are too small for a float
BY_PLACE = (PLACES[:, None] == np.arange(3)).astype(np.float64)  # (states, places)
HAVE_ARRIVED = [REACHED, BOUNCING, SETTLED]


@dataclass(frozen=True, kw_only=True)
class Moves:
    """Which places a leg's contacts can be told in. breaks: its old route from none; closes: its new one.

    alike: its old and its new route can't be told apart, so that it may have stayed.
    """

    breaks: bool = True
    closes: bool = True
    alike: bool = False

    @property
    def chances(self) -> Floats:
        """Of each state after each, (from, to), 1 for staying; they need not add up to 1."""
        once = math.exp(-CHANGE_COST)
        direct = 0.0 if self.alike else once * math.exp(-DIRECT_COST)
        ways = {
            (BEFORE, LEFT): once,
            (BEFORE, REACHED): direct,
            (LEFT, RETURNED): 0.0 if self.alike else once,
            (LEFT, REACHED): once,
            (RETURNED, LEFT): once,
            (RETURNED, REACHED): direct,
            (REACHED, BOUNCING): once,
            (BOUNCING, REACHED): once,
        }
        if not (self.breaks and self.closes):  # no route on one side: it is open there, and never between
            ways = {(BEFORE, REACHED): once}
            if self.closes:
                ways |= {(REACHED, BOUNCING): once, (BOUNCING, REACHED): once}
        if not (self.breaks or self.closes):
            ways = {}
        result = np.eye(len(PLACES))
        for (old, new), chance in ways.items():
            result[old, new] = chance
            if new == REACHED:
                result[old, SETTLED] = chance
        return result

    @property
    def ends(self) -> Floats:
        """1 for each state in which it may end."""
        result = np.zeros(len(PLACES))
        result[SETTLED] = self.breaks or self.closes
        result[BEFORE] = self.alike or not (self.breaks or self.closes)
        return result


def place_chances(costs: Floats, moves: Sequence[Moves]) -> Floats:
    """Probability of the pair's states at each sample, (samples, 6, 6); of a single leg's (samples, 6, 1).

    costs: minus log of the probability of a sample, (samples, 3, 3) or (samples, 3, 1), by the legs' places.
    """
    one, other = moves[0].chances, moves[1].chances if len(moves) > 1 else np.eye(1)
    costs = costs - costs.min(axis=(1, 2), keepdims=True)
    weights = np.exp(-costs)[:, PLACES][:, :, PLACES if len(moves) > 1 else [0]]
    samples = len(weights)
    result = np.empty_like(weights)
    now = np.zeros(weights.shape[1:])
    now[BEFORE, 0] = 1.0
    into = one.T.copy()
    for n in range(samples):
        if n:
            now = into @ now @ other
        now *= weights[n]
        if n % SCALED == 0:
            now = _scaled(now)
        result[n] = now
    later = np.multiply.outer(moves[0].ends, moves[1].ends if len(moves) > 1 else np.ones(1))
    out_of = other.T.copy()
    for n in range(samples - 1, -1, -1):
        result[n] *= later
        later = one @ (later * weights[n]) @ out_of
        if n % SCALED == 0:
            later = _scaled(later)
    result /= result.sum(axis=(1, 2), keepdims=True)
    return result


def _scaled(chances: Floats) -> Floats:
    """To a sum of 1. Where relays of both channels move what a leg shows, it may go where no place leads."""
    return np.asarray(np.where(chances > 0, np.maximum(chances / chances.sum(), LEAST_CHANCE), 0.0))
