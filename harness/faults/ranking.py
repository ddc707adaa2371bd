"""What a diagnosis ranks: suspects with what they show, candidates computed in full, groups of the like."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.faults.effects import Suspect, suspect_name
from harness.faults.likelihood import Fit, Spread, Yardstick
from harness.faults.priors import log_prior

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

ALIKE = 1.0  # squared distance in standard uncertainties under which two predictions are one
RESOLVED = 9.0  # squared distance from which readings tell two suspects apart: three standard uncertainties
ODDS = 3.0  # nats, twenty to one: what is less apart in likelihood is not told apart
UNLIKELY = 4.75  # standard deviations: a residual that noise reaches once in a million times


@dataclass(frozen=True, kw_only=True)
class Group:
    """Suspects that these readings don't tell apart, the likeliest first; posterior: of them together."""

    suspects: tuple[Suspect, ...]
    posterior: float

    @property
    def names(self) -> tuple[str, ...]:
        """The suspects' names."""
        return tuple(suspect_name(suspect) for suspect in self.suspects)


@dataclass(frozen=True, kw_only=True)
class Ranking:
    """Groups of faults, the likeliest first, and posteriors of a sound unit and of what is on no list.

    beyond: by how many standard deviations the best suspect's residuals exceed what the uncertainties allow.
    """

    groups: tuple[Group, ...]
    healthy: float
    something_else: float
    beyond: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Pool:
    """Suspects with what they show: entries, (suspects, entries), and amperes, (suspects, states)."""

    suspects: tuple[Suspect, ...]
    predicted: Complex
    currents_a: Floats

    def alike(self, place: int, yardstick: Yardstick, candidates: Sequence[int]) -> list[int]:
        """Which of the candidates show what the one at `place` shows."""
        leader = self.predicted[place] * yardstick.turns(self.predicted[place])
        near = yardstick.distances(self.predicted[list(candidates)], leader) < ALIKE
        same = np.abs(self.currents_a[list(candidates)] - self.currents_a[place]).max(axis=1, initial=0.0)
        return [
            other for other, close, amps in zip(candidates, near, same, strict=True) if close and amps < 1e-4
        ]

    def kinds(self, yardstick: Yardstick) -> list[list[int]]:
        """Places of suspects that show the same, in groups."""
        left = list(range(len(self.suspects)))
        found: list[list[int]] = []
        while left:
            found.append([left[0], *(o for o in self.alike(left[0], yardstick, left) if o != left[0])])
            left = [place for place in left if place not in set(found[-1])]
        return found


@dataclass(frozen=True, kw_only=True, eq=False)
class Candidate:
    """A suspect computed with its own spread. turned: its entries, by `turn`; score: with supply and prior.

    rough: what the batch computes of it, without strays, turned: to hold others of its pool against.
    """

    suspect: Suspect
    turned: Complex
    turn: Complex
    rough: Complex
    currents_a: Floats
    spread: Spread
    fit: Fit
    chi_squared: float
    impossible: bool
    score: float


def in_order(suspect: Suspect) -> Suspect:
    """The same faults, so that a combination has one name."""
    return tuple(sorted(suspect, key=lambda fault: fault.name))


def likelihood_of(candidate: Candidate) -> float:
    """Logarithm of a candidate's likelihood: its score without its prior."""
    return candidate.score - log_prior(candidate.suspect)


def is_resistive(suspect: Suspect) -> bool:
    """Whether it is one bad contact, whose resistance is fitted."""
    return len(suspect) == 1 and suspect[0].kind == "throw resistance"
