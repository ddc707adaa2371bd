"""The search among many suspects: all of them roughly, the best with their own spread, then groups."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from math import exp, log, sqrt

import numpy as np
from numpy.typing import NDArray

from harness.faults.effects import Suspect, intermittent
from harness.faults.evidence import Evidence, Spread, Yardstick, fit_supply, fit_trials, supply_distances
from harness.faults.fault_predictor import Expected, FaultPredictor
from harness.faults.ranking import (
    ODDS,
    RESOLVED,
    SOMETHING_ELSE,
    UNLIKELY,
    Candidate,
    Group,
    Pool,
    Ranking,
    in_order,
    is_resistive,
    likelihood_of,
    log_prior,
)
from harness.job.faults import Fault
from harness.job.module import Module
from harness.job.state import State

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

HOPELESS = 200.0  # nats below the best by a good unit's spread
GROSSLY = 60.0  # and below the best by the robust measure: more than spread could make up for
MOST_REFINED = 10  # suspects that are computed with their own spread
MOST_ASIDE = 30.0  # nats that the supply's current may count against a suspect in the rough search
FAR = 15.0  # nats below the best: from there on nobody asks who else shows the same
WORTH = 40.0  # of chi-squared: less than this may be noise in the best of hundreds of additions
FITTED = 2.0  # nats for a value that was fitted and not predicted
MOST_STEPS = 6
MOST_MIXED = 4  # contacts that are computed with their own spread
CHOICE = log(2)  # nats for each acquisition that may be the one or the other
LEAST_OHM, MOST_OHM = 0.3, 1e5  # of a bad contact that is fitted


class Search:
    """One run's evidence, and what it says of any pool of suspects."""

    def __init__(
        self,
        evidence: Evidence,
        yardstick: Yardstick,
        predictor: FaultPredictor,
        module: Module,
        states: Sequence[State],
    ) -> None:
        self._evidence, self._yardstick, self._predictor = evidence, yardstick, predictor
        self._module, self._states = module, tuple(states)
        expected = predictor.of(())
        self._healthy = yardstick.entries(expected.transfers)
        self._sound = self._spread(expected)
        self._turned = self._healthy * yardstick.turns(self._healthy)
        self._residual = yardstick.white(yardstick.measured - self._turned)

    def rank(self, pool: Pool) -> list[Candidate]:
        """The likeliest of a pool, each computed with its own spread, best first."""
        if not pool.suspects:
            return []
        supply = fit_supply(self._evidence, self._module, self._states, pool.currents_a)
        short = self._trials(pool.suspects, pool.currents_a)
        prior = np.array([log_prior(suspect) for suspect in pool.suspects])
        turned = pool.predicted * self._yardstick.turns(pool.predicted)
        exact = self._exact(pool, turned, supply.log_likelihood + short) + prior
        level = supply.log_likelihood - supply.log_likelihood.max(initial=-np.inf)
        robust = -self._yardstick.misfit(turned).sum(axis=-1) + np.maximum(level, -MOST_ASIDE) + short + prior
        found = [self._refine(pool, place, turned[place]) for place in self._leaders(pool, exact, robust)]
        return sorted(found, key=lambda candidate: -candidate.score)

    def likelihoods(self, pool: Pool) -> Floats:
        """Logarithms of a pool's likelihoods, by the spread that a good unit has."""
        turned = pool.predicted * self._yardstick.turns(pool.predicted)
        supply = fit_supply(self._evidence, self._module, self._states, pool.currents_a)
        short = self._trials(pool.suspects, pool.currents_a)
        return self._exact(pool, turned, supply.log_likelihood + short)

    def residual(self, predicted: Complex) -> Floats:
        """Chi-squared of predictions, (…, entries), by the spread that a good unit has."""
        turned = predicted * self._yardstick.turns(predicted)
        return self._sound.squared(self._yardstick.white(self._yardstick.measured - turned))

    def _exact(self, pool: Pool, turned: Complex, by_supply: Floats) -> Floats:
        return np.asarray(-0.5 * self._rough(pool, turned) + by_supply)

    def _leaders(self, pool: Pool, exact: Floats, robust: Floats) -> list[int]:
        """The best by either measure in turn, one of each kind that shows the same; the good unit always.

        A bad contact that explains less than a good unit, at the resistance that suits best, is not fitted.
        """
        leaders = [0] if pool.suspects[0] == () else []
        orders = [
            [place for place in np.argsort(-score, kind="stable") if score[place] > score.max() - hopeless]
            for score, hopeless in ((exact, HOPELESS), (robust, GROSSLY))
        ]
        turns = (place for pair in zip_longest(*orders) for place in pair if place is not None)
        for place in dict.fromkeys(int(place) for place in turns):
            if len(leaders) >= MOST_REFINED:
                break
            idle = (
                leaders[:1] == [0] and exact[place] < exact[0] - ODDS and is_resistive(pool.suspects[place])
            )
            if place not in leaders and not idle and not self._among(pool, place, leaders):
                leaders.append(place)
        return leaders

    def _among(self, pool: Pool, place: int, leaders: Sequence[int]) -> bool:
        """Whether a leader shows the same already; a bad contact has a value to find."""
        if is_resistive(pool.suspects[place]):
            return False
        return bool(pool.alike(place, self._yardstick, [one for one in leaders if one]))

    def _rough(self, pool: Pool, turned: Complex) -> Floats:
        """Chi-squared by a good unit's spread; a bad contact's at the resistance that suits best."""
        white = self._yardstick.white(self._yardstick.measured - turned)
        squared = self._sound.squared(white)
        for place, suspect in enumerate(pool.suspects):
            if is_resistive(suspect):
                share = self._share(white[place])
                squared[place] = self._sound.squared(self._residual - share * (self._residual - white[place]))
        return squared

    def _share(self, white: Floats) -> float:
        """How many times its change explains a good unit's residual best; white: its own residual."""
        change = self._residual - white
        size = float(self._sound.product(change, change))
        return float(self._sound.product(change, self._residual)) / size if size > 1e-9 else 1.0

    def _refine(self, pool: Pool, place: int, rough: Complex) -> Candidate:
        suspect = pool.suspects[place]
        if is_resistive(suspect):
            suspect = self._fitted(suspect)
        return self.weigh(suspect, self._predictor.of(suspect), rough, pool.currents_a[place])

    def weigh(self, suspect: Suspect, expected: Expected, rough: Complex, currents_a: Floats) -> Candidate:
        """A suspect by what it is expected to show, with its own spread; currents_a: (states,)."""
        predicted = self._yardstick.entries(expected.transfers)
        turn = self._yardstick.turns(predicted)
        turned = predicted * turn
        spread = self._spread(expected)
        fit = spread.fit(self._yardstick.white(self._yardstick.measured - turned))
        supply = fit_supply(self._evidence, self._module, self._states, currents_a[None])
        short = float(self._trials([suspect], currents_a[None])[0])
        return Candidate(
            suspect=suspect,
            turned=turned,
            turn=turn,
            rough=rough,
            currents_a=currents_a,
            spread=spread,
            fit=fit,
            chi_squared=fit.chi_squared + float(supply.chi_squared[0]),
            impossible=short < 0,
            score=fit.log_likelihood
            + float(supply.log_likelihood[0])
            + short
            + log_prior(suspect)
            - (FITTED if is_resistive(suspect) else 0.0),
        )

    def _fitted(self, suspect: Suspect) -> Suspect:
        """The bad contact with the resistance that fits: its change grows with it, so a few steps do."""
        fault = suspect[0]
        for _ in range(MOST_STEPS):
            ohm = fault.resistance_ohm or LEAST_OHM
            predicted = self._yardstick.entries(self._predictor.of((fault,)).transfers)
            turned = predicted * self._yardstick.turns(predicted)
            share = self._share(self._yardstick.white(self._yardstick.measured - turned))
            better = min(max(ohm * min(max(share, 0.1), 30.0), LEAST_OHM), MOST_OHM)
            fault = replace(fault, resistance_ohm=float(f"{better:.2g}"))
            if abs(better / ohm - 1) < 0.05:
                break
        return (fault,)

    def additions(self, best: Candidate, pool: Pool, good: Complex) -> list[Suspect]:
        """The best candidate with one more fault, where that would explain much of what it leaves over.

        Changes are added up; a bad contact is given the resistance that suits.
        """
        if not best.suspect or not self._yardstick.cells:
            return []
        left = self._yardstick.white(self._yardstick.measured - best.turned)
        changes = self._yardstick.white((pool.predicted - good) * best.turn)
        cross = changes @ left - best.spread.shadow(changes) @ best.spread.shadow(left)
        size = best.spread.squared(changes)
        found: list[tuple[float, Suspect]] = []
        for suspect, one, two in zip(pool.suspects, cross, size, strict=True):
            if len(suspect) != 1 or suspect[0].subject in {fault.subject for fault in best.suspect}:
                continue
            share = min(max(one / two, 0.0), 100.0) if is_resistive(suspect) and two > 1e-9 else 1.0
            gain = share * (2 * one - share * two)
            if gain > WORTH:
                ohm = suspect[0].resistance_ohm
                fitted = float(f"{share * ohm:.2g}") if ohm and is_resistive(suspect) else ohm
                found.append((gain, in_order((*best.suspect, replace(suspect[0], resistance_ohm=fitted)))))
        found.sort(key=lambda entry: -entry[0])
        return [suspect for _, suspect in found[:MOST_REFINED]]

    def _spread(self, expected: Expected) -> Spread:
        predicted = self._yardstick.entries(expected.transfers)
        spreads = self._yardstick.entries(expected.spreads)
        parts = self._yardstick.white(spreads * self._yardstick.turns(predicted))
        return Spread(np.concatenate([self._yardstick.shared, parts]))

    def agrees(self, candidate: Candidate) -> bool:
        """Whether what a candidate leaves over is no more than the uncertainties allow."""
        return not candidate.impossible and self.beyond(candidate) < UNLIKELY

    def beyond(self, candidate: Candidate) -> float:
        """By how many standard deviations its chi-squared exceeds its mean (Wilson and Hilferty 1931)."""
        degrees = self._degrees
        if not degrees:
            return 0.0
        width = sqrt(2 / (9 * degrees))
        return float(((candidate.chi_squared / degrees) ** (1 / 3) - 1 + width**2) / width)

    @property
    def _degrees(self) -> int:
        return self._yardstick.degrees + len(self._evidence.supply_a)

    def _else(self, best: Candidate) -> float:
        """Score of what is on no list: as if its residuals were just the most that uncertainties allow."""
        if not self._degrees:
            return log(SOMETHING_ELSE) + best.score - log_prior(best.suspect) - 3.0
        width = sqrt(2 / (9 * self._degrees))
        limit = self._degrees * (1 - width**2 + UNLIKELY * width) ** 3
        return best.score - log_prior(best.suspect) + (best.chi_squared - limit) / 2 + log(SOMETHING_ELSE)

    def conclude(self, found: Sequence[Candidate], pools: Sequence[Pool]) -> Ranking:
        """Put candidates into groups that the readings don't resolve, and give each its posterior."""
        ordered = sorted(found, key=lambda candidate: -candidate.score)
        best = ordered[0]
        scores: dict[str, float] = {"else": self._else(best)}
        groups: list[tuple[Candidate, dict[Suspect, float]]] = []
        placed: set[Suspect] = set()
        for candidate in ordered:
            if candidate.suspect == ():
                scores["good"] = candidate.score
                continue
            if candidate.suspect in placed:
                continue
            near = candidate.score > best.score - FAR
            members = dict(self._members(candidate, ordered, pools if near else (), placed))
            placed |= members.keys()
            groups.append((candidate, members))
        scores.setdefault("good", -np.inf)
        top = max(best.score, scores["else"])
        weights = [sum(exp(score - top) for score in members.values()) for _, members in groups]
        rest = {name: exp(score - top) for name, score in scores.items()}
        total = sum(weights) + sum(rest.values())
        made = [
            Group(
                suspects=tuple(sorted(members, key=lambda suspect: -members[suspect])),
                posterior=weight / total,
            )
            for (_, members), weight in zip(groups, weights, strict=True)
        ]
        return Ranking(
            groups=tuple(sorted(made, key=lambda group: -group.posterior)),
            good=rest["good"] / total,
            something_else=rest["else"] / total,
            beyond=self.beyond(best) if not best.impossible else float("inf"),
        )

    def _members(
        self,
        leader: Candidate,
        ordered: Sequence[Candidate],
        pools: Sequence[Pool],
        placed: set[Suspect],
    ) -> Iterator[tuple[Suspect, float]]:
        """The leader and what lies within the readings' reach of it, each with its score."""
        yield leader.suspect, leader.score
        known = {leader.suspect, *(candidate.suspect for candidate in ordered), *placed}
        for other in ordered:
            if other is leader or other.suspect in placed or len(other.suspect) != len(leader.suspect):
                continue
            change = self._yardstick.white(other.turned - leader.turned)
            squared = float(leader.spread.squared(change)) + self._amps(leader, other.currents_a[None])[0]
            likely = abs(likelihood_of(other) - likelihood_of(leader)) < ODDS
            if (squared < RESOLVED or likely) and other.impossible == leader.impossible:
                yield other.suspect, other.score
        for pool in pools if not is_resistive(leader.suspect) else ():
            yield from self._of_pool(leader, pool, known)

    def _of_pool(self, leader: Candidate, pool: Pool, known: set[Suspect]) -> Iterator[tuple[Suspect, float]]:
        """Suspects that were not computed with their own spread, within reach of a leader by the batch's."""
        places = [
            place
            for place, suspect in enumerate(pool.suspects)
            if suspect not in known and len(suspect) == len(leader.suspect) and not is_resistive(suspect)
        ]
        if not places:
            return
        predicted = pool.predicted[places]
        change = self._yardstick.white(predicted * self._yardstick.turns(predicted) - leader.rough)
        squared = leader.spread.squared(change) + self._amps(leader, pool.currents_a[places])
        suspects = [pool.suspects[place] for place in places]
        trials = self._trials(suspects, pool.currents_a[places])
        for suspect, distance, trial in zip(suspects, squared, trials, strict=True):
            if distance < RESOLVED and (trial < 0) == leader.impossible:
                yield suspect, leader.score - log_prior(leader.suspect) - distance / 2 + log_prior(suspect)

    def _trials(self, suspects: Sequence[Suspect], currents_a: Floats) -> Floats:
        return fit_trials(self._evidence, self._module, self._states, suspects, currents_a)

    def _amps(self, leader: Candidate, currents_a: Floats) -> Floats:
        return supply_distances(self._evidence, self._module, self._states, currents_a, leader.currents_a)


Flags = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Mixed:
    """A contact with the acquisitions in which it is taken to be open, out of those where that would show."""

    fault: Fault
    place: int
    open_at: Flags
    shows: Flags
    chi_squared: float


def weigh_at_times(
    pool: Pool, search: Search, yardstick: Yardstick, predictor: FaultPredictor
) -> list[Candidate]:
    """The likeliest contacts that were open in some acquisitions and good in others, best first.

    No steady fault explains a contact that comes and goes: each acquisition is taken as good or as open,
    whichever fits better.
    pool: a good unit first, and among the rest every throw stuck open.
    """
    if not yardstick.cells:
        return []
    mixed = sorted(_mixed(pool, search, yardstick), key=lambda one: one.chi_squared)[:MOST_MIXED]
    found = []
    for one in mixed:
        better = _better(one, pool, search, yardstick)
        steady = (pool.suspects[one.place][0],)
        expected = predictor.of(steady, at=frozenset(np.flatnonzero(better.open_at).tolist()))
        predicted = _predicted(better, pool, yardstick)
        candidate = search.weigh(
            intermittent(one.fault), expected, predicted * yardstick.turns(predicted), pool.currents_a[0]
        )
        found.append(replace(candidate, score=candidate.score - CHOICE * int(one.shows.sum())))
    return sorted(found, key=lambda candidate: -candidate.score)


def _mixed(pool: Pool, search: Search, yardstick: Yardstick) -> Iterator[_Mixed]:
    good = pool.predicted[0] * yardstick.turns(pool.predicted[0])
    misfit = yardstick.by_acquisition(good)
    for place, suspect in enumerate(pool.suspects):
        if len(suspect) != 1 or suspect[0].kind != "throw stuck open":
            continue
        turned = pool.predicted[place] * yardstick.turns(pool.predicted[place])
        shows = yardstick.apart(turned, good) > RESOLVED
        open_at = shows & (yardstick.by_acquisition(turned) < misfit)
        if open_at.any() and (shows & ~open_at).any():
            one = _Mixed(fault=suspect[0], place=place, open_at=open_at, shows=shows, chi_squared=0.0)
            yield replace(one, chi_squared=float(search.residual(_predicted(one, pool, yardstick))))


def _predicted(one: _Mixed, pool: Pool, yardstick: Yardstick) -> NDArray[np.complex128]:
    opened, good = pool.predicted[one.place], pool.predicted[0]
    return np.asarray(np.where(one.open_at[yardstick.acquisition], opened, good))


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
