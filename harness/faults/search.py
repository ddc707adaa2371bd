"""The search among many fault sets: all of them roughly, the best with their own spread, then groups."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from math import exp, log, sqrt

import numpy as np
from numpy.typing import NDArray

from harness.faults.effects import FaultSet, intermittent
from harness.faults.evidence import Evidence, ResidualModel, Spread, fit_supply, fit_trials, supply_distances
from harness.faults.fault_predictor import FaultPrediction, FaultPredictor
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
MOST_REFINED = 10  # fault sets that are computed with their own spread
MOST_ASIDE = 30.0  # nats that the supply's current may count against a fault set in the rough search
FAR = 15.0  # nats below the best: from there on nobody asks who else shows the same
WORTH = 40.0  # of chi-squared: less than this may be noise in the best of hundreds of additions
FITTED = 2.0  # nats for a value that was fitted and not predicted
MOST_STEPS = 6
MOST_MIXED = 4  # contacts that are computed with their own spread
CHOICE = log(2)  # nats for each acquisition that may be the one or the other
LEAST_OHM, MOST_OHM = 0.3, 1e5  # of a bad contact that is fitted


class Search:
    """One run's evidence, and what it says of any pool of fault sets."""

    def __init__(
        self,
        evidence: Evidence,
        residual_model: ResidualModel,
        predictor: FaultPredictor,
        module: Module,
        states: Sequence[State],
    ) -> None:
        self._evidence, self._residual_model, self._predictor = evidence, residual_model, predictor
        self._module, self._states = module, tuple(states)
        expected = predictor.of(())
        self._healthy = residual_model.entries(expected.transfers)
        self._good_spread = self._spread(expected)
        self._turned = self._healthy * residual_model.turns(self._healthy)
        self._residual = residual_model.white(residual_model.measured - self._turned)

    def rank(self, pool: Pool) -> list[Candidate]:
        """The likeliest of a pool, each computed with its own spread, best first."""
        if not pool.fault_sets:
            return []
        supply = fit_supply(self._evidence, self._module, self._states, pool.currents_a)
        short = self._trials(pool.fault_sets, pool.currents_a)
        prior = np.array([log_prior(fault_set) for fault_set in pool.fault_sets])
        turned = pool.predicted * self._residual_model.turns(pool.predicted)
        exact = self._exact(pool, turned, supply.log_likelihood + short) + prior
        level = supply.log_likelihood - supply.log_likelihood.max(initial=-np.inf)
        robust = (
            -self._residual_model.misfit(turned).sum(axis=-1) + np.maximum(level, -MOST_ASIDE) + short + prior
        )
        result = [self._refine(pool, place, turned[place]) for place in self._leaders(pool, exact, robust)]
        return sorted(result, key=lambda candidate: -candidate.score)

    def likelihoods(self, pool: Pool) -> Floats:
        """Logarithms of a pool's likelihoods, by the spread that a good unit has."""
        turned = pool.predicted * self._residual_model.turns(pool.predicted)
        supply = fit_supply(self._evidence, self._module, self._states, pool.currents_a)
        short = self._trials(pool.fault_sets, pool.currents_a)
        return self._exact(pool, turned, supply.log_likelihood + short)

    def residual(self, predicted: Complex) -> Floats:
        """Chi-squared of predictions, (…, entries), by the spread that a good unit has."""
        turned = predicted * self._residual_model.turns(predicted)
        return self._good_spread.squared(self._residual_model.white(self._residual_model.measured - turned))

    def _exact(self, pool: Pool, turned: Complex, by_supply: Floats) -> Floats:
        return np.asarray(-0.5 * self._rough(pool, turned) + by_supply)

    def _leaders(self, pool: Pool, exact: Floats, robust: Floats) -> list[int]:
        """The best by either measure in turn, one of each kind that shows the same; the good unit always.

        A bad contact that explains less than a good unit, at the resistance that suits best, is not fitted.
        """
        leaders = [0] if pool.fault_sets[0] == () else []
        orders = [
            [place for place in np.argsort(-score, kind="stable") if score[place] > score.max() - hopeless]
            for score, hopeless in ((exact, HOPELESS), (robust, GROSSLY))
        ]
        turns = (place for pair in zip_longest(*orders) for place in pair if place is not None)
        for place in dict.fromkeys(int(place) for place in turns):
            if len(leaders) >= MOST_REFINED:
                break
            idle = (
                leaders[:1] == [0] and exact[place] < exact[0] - ODDS and is_resistive(pool.fault_sets[place])
            )
            if place not in leaders and not idle and not self._among(pool, place, leaders):
                leaders.append(place)
        return leaders

    def _among(self, pool: Pool, place: int, leaders: Sequence[int]) -> bool:
        """Whether a leader shows the same already; a bad contact has a value to find."""
        if is_resistive(pool.fault_sets[place]):
            return False
        return bool(pool.alike(place, self._residual_model, [leader for leader in leaders if leader]))

    def _rough(self, pool: Pool, turned: Complex) -> Floats:
        """Chi-squared by a good unit's spread; a bad contact's at the resistance that suits best."""
        white = self._residual_model.white(self._residual_model.measured - turned)
        squared = self._good_spread.squared(white)
        for index, fault_set in enumerate(pool.fault_sets):
            if is_resistive(fault_set):
                share = self._share(white[index])
                squared[index] = self._good_spread.squared(
                    self._residual - share * (self._residual - white[index])
                )
        return squared

    def _share(self, white: Floats) -> float:
        """How many times its change explains a good unit's residual best; white: its own residual."""
        change = self._residual - white
        size = float(self._good_spread.product(change, change))
        return float(self._good_spread.product(change, self._residual)) / size if size > 1e-9 else 1.0

    def _refine(self, pool: Pool, place: int, rough: Complex) -> Candidate:
        fault_set = pool.fault_sets[place]
        if is_resistive(fault_set):
            fault_set = self._fitted(fault_set)
        return self.weigh(fault_set, self._predictor.of(fault_set), rough, pool.currents_a[place])

    def weigh(
        self, fault_set: FaultSet, expected: FaultPrediction, rough: Complex, currents_a: Floats
    ) -> Candidate:
        """A fault set by what it is expected to show, with its own spread; currents_a: (states,)."""
        predicted = self._residual_model.entries(expected.transfers)
        turn = self._residual_model.turns(predicted)
        turned = predicted * turn
        spread = self._spread(expected)
        fit = spread.fit(self._residual_model.white(self._residual_model.measured - turned))
        supply = fit_supply(self._evidence, self._module, self._states, currents_a[None])
        short = float(self._trials([fault_set], currents_a[None])[0])
        return Candidate(
            fault_set=fault_set,
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
            + log_prior(fault_set)
            - (FITTED if is_resistive(fault_set) else 0.0),
        )

    def _fitted(self, fault_set: FaultSet) -> FaultSet:
        """The bad contact with the resistance that fits: its change grows with it, so a few steps do."""
        fault = fault_set[0]
        for _ in range(MOST_STEPS):
            ohm = fault.resistance_ohm or LEAST_OHM
            predicted = self._residual_model.entries(self._predictor.of((fault,)).transfers)
            turned = predicted * self._residual_model.turns(predicted)
            share = self._share(self._residual_model.white(self._residual_model.measured - turned))
            better = min(max(ohm * min(max(share, 0.1), 30.0), LEAST_OHM), MOST_OHM)
            fault = replace(fault, resistance_ohm=float(f"{better:.2g}"))
            if abs(better / ohm - 1) < 0.05:
                break
        return (fault,)

    def additions(self, best: Candidate, pool: Pool, good: Complex) -> list[FaultSet]:
        """The best candidate with one more fault, where that would explain much of what it leaves over.

        Changes are added up; a bad contact is given the resistance that suits.
        """
        if not best.fault_set or not self._residual_model.cells:
            return []
        left = self._residual_model.white(self._residual_model.measured - best.turned)
        changes = self._residual_model.white((pool.predicted - good) * best.turn)
        cross = changes @ left - best.spread.shadow(changes) @ best.spread.shadow(left)
        size = best.spread.squared(changes)
        result: list[tuple[float, FaultSet]] = []
        for fault_set, one, two in zip(pool.fault_sets, cross, size, strict=True):
            if len(fault_set) != 1 or fault_set[0].subject in {fault.subject for fault in best.fault_set}:
                continue
            share = min(max(one / two, 0.0), 100.0) if is_resistive(fault_set) and two > 1e-9 else 1.0
            gain = share * (2 * one - share * two)
            if gain > WORTH:
                ohm = fault_set[0].resistance_ohm
                fitted = float(f"{share * ohm:.2g}") if ohm and is_resistive(fault_set) else ohm
                result.append(
                    (gain, in_order((*best.fault_set, replace(fault_set[0], resistance_ohm=fitted))))
                )
        result.sort(key=lambda entry: -entry[0])
        return [fault_set for _, fault_set in result[:MOST_REFINED]]

    def _spread(self, expected: FaultPrediction) -> Spread:
        predicted = self._residual_model.entries(expected.transfers)
        spreads = self._residual_model.entries(expected.spreads)
        parts = self._residual_model.white(spreads * self._residual_model.turns(predicted))
        return Spread(np.concatenate([self._residual_model.shared, parts]))

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
        return self._residual_model.degrees + len(self._evidence.supply_a)

    def _else(self, best: Candidate) -> float:
        """Score of what is on no list: as if its residuals were just the most that uncertainties allow."""
        if not self._degrees:
            return log(SOMETHING_ELSE) + best.score - log_prior(best.fault_set) - 3.0
        width = sqrt(2 / (9 * self._degrees))
        limit = self._degrees * (1 - width**2 + UNLIKELY * width) ** 3
        return best.score - log_prior(best.fault_set) + (best.chi_squared - limit) / 2 + log(SOMETHING_ELSE)

    def conclude(self, result: Sequence[Candidate], pools: Sequence[Pool]) -> Ranking:
        """Put candidates into groups that the readings don't resolve, and give each its posterior."""
        ordered = sorted(result, key=lambda candidate: -candidate.score)
        best = ordered[0]
        scores: dict[str, float] = {"else": self._else(best)}
        groups: list[tuple[Candidate, dict[FaultSet, float]]] = []
        placed: set[FaultSet] = set()
        for candidate in ordered:
            if candidate.fault_set == ():
                scores["good"] = candidate.score
                continue
            if candidate.fault_set in placed:
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
                fault_sets=tuple(sorted(members, key=lambda fault_set: -members[fault_set])),
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
        self, leader: Candidate, ordered: Sequence[Candidate], pools: Sequence[Pool], placed: set[FaultSet]
    ) -> Iterator[tuple[FaultSet, float]]:
        """The leader and what lies within the readings' reach of it, each with its score."""
        yield leader.fault_set, leader.score
        known = {leader.fault_set, *(candidate.fault_set for candidate in ordered), *placed}
        for other in ordered:
            if other is leader or other.fault_set in placed or len(other.fault_set) != len(leader.fault_set):
                continue
            change = self._residual_model.white(other.turned - leader.turned)
            squared = float(leader.spread.squared(change)) + self._amps(leader, other.currents_a[None])[0]
            likely = abs(likelihood_of(other) - likelihood_of(leader)) < ODDS
            if (squared < RESOLVED or likely) and other.impossible == leader.impossible:
                yield other.fault_set, other.score
        for pool in pools if not is_resistive(leader.fault_set) else ():
            yield from self._of_pool(leader, pool, known)

    def _of_pool(
        self, leader: Candidate, pool: Pool, known: set[FaultSet]
    ) -> Iterator[tuple[FaultSet, float]]:
        """Fault sets that were not computed with their own spread, within reach of a leader by the
        batch's.
        """
        places = [
            place
            for place, fault_set in enumerate(pool.fault_sets)
            if fault_set not in known
            and len(fault_set) == len(leader.fault_set)
            and not is_resistive(fault_set)
        ]
        if not places:
            return
        predicted = pool.predicted[places]
        change = self._residual_model.white(predicted * self._residual_model.turns(predicted) - leader.rough)
        squared = leader.spread.squared(change) + self._amps(leader, pool.currents_a[places])
        fault_sets = [pool.fault_sets[place] for place in places]
        trials = self._trials(fault_sets, pool.currents_a[places])
        for fault_set, distance, trial in zip(fault_sets, squared, trials, strict=True):
            if distance < RESOLVED and (trial < 0) == leader.impossible:
                yield (
                    fault_set,
                    leader.score - log_prior(leader.fault_set) - distance / 2 + log_prior(fault_set),
                )

    def _trials(self, fault_sets: Sequence[FaultSet], currents_a: Floats) -> Floats:
        return fit_trials(self._evidence, self._module, self._states, fault_sets, currents_a)

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


def weigh_intermittent(
    pool: Pool, search: Search, residual_model: ResidualModel, predictor: FaultPredictor
) -> list[Candidate]:
    """The likeliest contacts that were open in some acquisitions and good in others, best first.

    No steady fault explains a contact that comes and goes: each acquisition is taken as good or as open,
    whichever fits better.
    pool: a good unit first, and among the rest every throw stuck open.
    """
    if not residual_model.cells:
        return []
    mixed = sorted(_mixed(pool, search, residual_model), key=lambda one: one.chi_squared)[:MOST_MIXED]
    result = []
    for one in mixed:
        better = _better(one, pool, search, residual_model)
        steady = (pool.fault_sets[one.place][0],)
        expected = predictor.of(steady, at=frozenset(np.flatnonzero(better.open_at).tolist()))
        predicted = _predicted(better, pool, residual_model)
        candidate = search.weigh(
            intermittent(one.fault), expected, predicted * residual_model.turns(predicted), pool.currents_a[0]
        )
        result.append(replace(candidate, score=candidate.score - CHOICE * int(one.shows.sum())))
    return sorted(result, key=lambda candidate: -candidate.score)


def _mixed(pool: Pool, search: Search, residual_model: ResidualModel) -> Iterator[_Mixed]:
    good = pool.predicted[0] * residual_model.turns(pool.predicted[0])
    misfit = residual_model.by_acquisition(good)
    for index, fault_set in enumerate(pool.fault_sets):
        if len(fault_set) != 1 or fault_set[0].kind != "throw stuck open":
            continue
        turned = pool.predicted[index] * residual_model.turns(pool.predicted[index])
        shows = residual_model.apart(turned, good) > RESOLVED
        open_at = shows & (residual_model.by_acquisition(turned) < misfit)
        if open_at.any() and (shows & ~open_at).any():
            one = _Mixed(fault=fault_set[0], place=index, open_at=open_at, shows=shows, chi_squared=0.0)
            yield replace(one, chi_squared=float(search.residual(_predicted(one, pool, residual_model))))


def _predicted(one: _Mixed, pool: Pool, residual_model: ResidualModel) -> NDArray[np.complex128]:
    opened, good = pool.predicted[one.place], pool.predicted[0]
    return np.asarray(np.where(one.open_at[residual_model.acquisition], opened, good))


def _better(one: _Mixed, pool: Pool, search: Search, residual_model: ResidualModel) -> _Mixed:
    """Change what was chosen roughly, acquisition by acquisition, where that agrees better."""
    for place in np.flatnonzero(one.shows):
        other = one.open_at.copy()
        other[place] = ~other[place]
        changed = replace(one, open_at=other)
        changed = replace(
            changed, chi_squared=float(search.residual(_predicted(changed, pool, residual_model)))
        )
        if changed.chi_squared < one.chi_squared:
            one = changed
    return one
