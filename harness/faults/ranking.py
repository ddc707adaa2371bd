"""What a diagnosis ranks: pools of fault sets, candidates computed in full, groups of the like, and pairs."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import exp, log

import numpy as np

from harness.arrays import Complex, Floats
from harness.faults.effects import FaultSet, suspect_name
from harness.faults.evidence import ResidualModel, Spread
from harness.job.faults import FaultKind

ALIKE = 1.0  # squared distance in standard uncertainties under which two predictions are one
RESOLVED = 9.0  # squared distance from which readings tell two fault sets apart: three standard uncertainties
ODDS = 3.0  # nats, twenty to one: what is less apart in likelihood is not told apart
UNLIKELY = 4.75  # standard deviations: a residual that noise reaches once in a million times

# How likely faults are before anything is measured: weak, so that readings decide wherever they can. The
# order is the trade's for hand-built modules (joints, then swapped wires, wrong parts, bridges, relays); the
# figures are rough: common practice, no source.
GOOD_UNITS = 1000.0
SOMETHING_ELSE = 1.0  # what is on no list
TOGETHER = 1e-3  # of each further fault in the same unit
WEIGHTS: dict[FaultKind, float] = {
    "leg open": 8.0,
    "throw resistance": 4.0,  # a joint at the contact as often as the contact
    "throw stuck open": 3.0,
    "throw intermittent": 2.0,
    "loopback missing": 6.0,
    "control line dead": 6.0,
    "legs swapped": 5.0,
    "channels swapped": 4.0,
    "control lines swapped": 4.0,
    "loopback straight": 4.0,
    "loopback legs swapped": 4.0,
    "loopback channels swapped": 4.0,
    "part open": 3.0,
    "part shorted": 2.0,
    "part tenfold": 3.0,
    "part a tenth": 3.0,
    "winding open": 2.0,
    "winding shorted": 1.0,
    "amplifier dead": 2.0,
    "leg grounded": 2.0,
    "legs shorted": 2.0,
    "channels bridged": 2.0,
    "relay never operates": 1.0,
    "switch stuck off": 1.0,
    "switch stuck on": 1.0,
    "coil open": 2.0,
    "coil open, set": 2.0,
    "set coil open": 2.0,
    "reset coil open": 2.0,
    "relay always operated": 0.5,
    "coil shorted": 0.5,
    "set coil shorted": 0.5,
    "reset coil shorted": 0.5,
    "pole stuck released": 0.5,
    "pole stuck operated": 0.5,
    "throw stuck closed": 0.5,
    "relay slow to operate": 1.0,
    "relay slow to release": 1.0,
    "relay long bounce": 1.0,
    "nets bridged": 2.0,
    "part left out": 3.0,
    "relay left out": 1.0,
    "transformer left out": 1.0,
    "part value": 3.0,
    "parts swapped": 4.0,
}
RELAY_SIDE = (
    *(
        "relay",
        "switch",
        "coil",
        "set coil",
        "reset coil",
        "pole",
        "throw",
        "winding",
        "amplifier",
        "control",
    ),
)  # how kinds begin
MOST_SUMMED = 4000
MOST_SOLVED = 200


@dataclass(frozen=True, kw_only=True)
class Group:
    """Fault sets that these readings don't tell apart, the likeliest first; posterior: of them together."""

    fault_sets: tuple[FaultSet, ...]
    posterior: float

    @property
    def names(self) -> tuple[str, ...]:
        """The fault sets' names."""
        return tuple(suspect_name(fault_set) for fault_set in self.fault_sets)


@dataclass(frozen=True, kw_only=True)
class Ranking:
    """Groups of faults, the likeliest first, and posteriors of a good unit and of what is on no list.

    beyond: by how many standard deviations the best fault set's residuals exceed what the uncertainties
    allow.
    """

    groups: tuple[Group, ...]
    good: float
    something_else: float
    beyond: float

    @property
    def explained(self) -> bool:
        """Whether the best explanation leaves no more than the uncertainties allow."""
        return self.beyond < UNLIKELY

    @property
    def says_good(self) -> bool:
        """Whether a good unit is the best explanation."""
        return self.good > max([self.something_else, *(group.posterior for group in self.groups)])


def make_ranking(
    groups: Sequence[Mapping[FaultSet, float]], *, good: float, something_else: float, beyond: float
) -> Ranking:
    """Turn scores, which are logarithms, into posteriors: of each group's fault sets and of the others."""
    top = max(good, something_else, *(score for group in groups for score in group.values()))
    weights = [sum(exp(score - top) for score in group.values()) for group in groups]
    total = sum(weights) + exp(something_else - top) + exp(good - top)
    made = [
        Group(fault_sets=tuple(sorted(group, key=lambda faults: -group[faults])), posterior=weight / total)
        for group, weight in zip(groups, weights, strict=True)
    ]
    return Ranking(
        groups=tuple(sorted(made, key=lambda group: -group.posterior)),
        good=exp(good - top) / total,
        something_else=exp(something_else - top) / total,
        beyond=beyond,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Pool:
    """Fault sets with what they show: entries, (fault sets, entries), and amperes, (fault sets, states).

    turned: the entries at the measured phases.
    """

    fault_sets: tuple[FaultSet, ...]
    predicted: Complex
    turned: Complex
    currents_a: Floats

    def alike(self, index: int, residual_model: ResidualModel, candidates: Sequence[int]) -> list[int]:
        """Which of the candidates show what the one at `index` shows."""
        near = residual_model.distances(self.turned[list(candidates)], self.turned[index]) < ALIKE
        amps = np.abs(self.currents_a[list(candidates)] - self.currents_a[index]).max(axis=1, initial=0.0)
        same = near & (amps < 1e-4)
        return [candidate for candidate, alike in zip(candidates, same, strict=True) if alike]

    def kinds(self, residual_model: ResidualModel) -> list[list[int]]:
        """Indices of fault sets that show the same, in groups."""
        left = list(range(len(self.fault_sets)))
        result: list[list[int]] = []
        while left:
            alike = self.alike(left[0], residual_model, left)
            result.append([left[0], *(index for index in alike if index != left[0])])
            left = [index for index in left if index not in result[-1]]
        return result


@dataclass(frozen=True, kw_only=True, eq=False)
class Candidate:
    """A fault set computed with its own spread. turned: its entries, by `turn`; score: with supply and prior.

    rough: what the batch computes of it, without strays, turned: to hold others of its pool against.
    """

    fault_set: FaultSet
    turned: Complex
    turn: Complex
    rough: Complex
    currents_a: Floats
    spread: Spread
    chi_squared: float
    impossible: bool
    score: float

    @property
    def log_likelihood(self) -> float:
        """The score without the prior."""
        return self.score - log_prior(self.fault_set)


def in_order(fault_set: FaultSet) -> FaultSet:
    """The same faults, so that a combination has one name."""
    return tuple(sorted(fault_set, key=lambda fault: fault.name))


def is_resistive(fault_set: FaultSet) -> bool:
    """Whether it is one bad contact, whose resistance is fitted."""
    return len(fault_set) == 1 and fault_set[0].kind == "throw resistance"


def log_prior(fault_set: FaultSet) -> float:
    """Logarithm of a weight; only differences mean anything."""
    if not fault_set:
        return log(GOOD_UNITS)
    return sum(log(WEIGHTS[fault.kind]) for fault in fault_set) + (len(fault_set) - 1) * log(TOGETHER)


def propose_pairs(
    residual_model: ResidualModel, pool: Pool, singles: Sequence[int], aside: Floats
) -> list[FaultSet]:
    """The most promising pairs of single faults of a pool, whose first is a good unit.

    There are tens of thousands of pairs. A pair that is right agrees nearly everywhere with one of its two
    faults or with the sum of their changes: pairs are ranked by that, and only the best are solved exactly.

    singles: their indices. aside: (singles,), the misfit of the supply current, in nats.
    """
    fault_sets = [pool.fault_sets[index] for index in singles]
    predicted, count = pool.predicted[list(singles)], len(singles)
    misfit = residual_model.misfit(pool.turned[list(singles)])
    firsts, seconds = np.triu_indices(count, 1)
    bound = np.concatenate(
        [np.minimum(misfit[first], misfit[first + 1 :]).sum(axis=1) for first in range(count - 1)]
    )
    bound += np.minimum(aside[firsts], aside[seconds])
    sensible = [_sensible(one, other) for one, other in combinations(fault_sets, 2)]
    bound[~np.array(sensible, dtype=bool)] = np.inf
    best = np.argsort(bound, kind="stable")[:MOST_SUMMED]
    summed = predicted[firsts[best]] + predicted[seconds[best]] - pool.predicted[0]
    together = residual_model.misfit(residual_model.turned(summed))
    total = np.minimum(np.minimum(misfit[firsts[best]], misfit[seconds[best]]), together).sum(axis=1)
    total += np.minimum(aside[firsts[best]], aside[seconds[best]])
    chosen = best[np.argsort(total, kind="stable")[:MOST_SOLVED]]
    return [in_order((*fault_sets[firsts[pair]], *fault_sets[seconds[pair]])) for pair in chosen]


def _sensible(one: FaultSet, other: FaultSet) -> bool:
    """Not two faults of the same relay, contact or line, of which one hides the other."""
    together = {fault.subject for fault in one} & {fault.subject for fault in other}
    return not together or not one[0].kind.startswith(RELAY_SIDE)
