"""The search among many fault sets: all of them roughly, the best with their own spread, then groups."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import zip_longest
from math import log, sqrt

import numpy as np

from harness.arrays import Complex, Flags, Floats
from harness.faults.effects import FaultSet, intermittent, is_stuck_open
from harness.faults.evidence import Evidence, ResidualModel, Spread, SupplyModel
from harness.faults.predictor.contact_curves import ContactCurves
from harness.faults.predictor.fault_predictor import FaultPrediction, FaultPredictor
from harness.faults.ranking import (
    ODDS,
    RESOLVED,
    SOMETHING_ELSE,
    UNLIKELY,
    Candidate,
    Pool,
    Ranking,
    in_order,
    is_resistive,
    log_prior,
    make_ranking,
)
from harness.job.module import Module
from harness.job.state import State

BLUR = 0.3  # of what strays may change in an entry: what their first order and their list leave out
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
        predictor: FaultPredictor,
        curves: ContactCurves,
        module: Module,
        states: Sequence[State],
    ) -> None:
        self.residual_model = ResidualModel(evidence)
        self.supply = SupplyModel(evidence, module, states)
        self._predictor, self._curves = predictor, curves
        self._degrees = self.residual_model.degrees + len(evidence.supply_a)
        prediction = predictor.good
        turned = self.residual_model.turned(self.residual_model.entries(prediction.transfers))
        self._good_spread = self._spread(prediction)
        self._residual = self.residual_model.residual(turned)

    def pool(self, fault_sets: Sequence[FaultSet], transfers: Complex, currents_a: Floats) -> Pool:
        """Fault sets with their transfers, (fault sets, acquisitions, legs, 2), and currents."""
        predicted = self.residual_model.entries(transfers)
        turned = self.residual_model.turned(predicted)
        return Pool(fault_sets=tuple(fault_sets), predicted=predicted, turned=turned, currents_a=currents_a)

    def rank(self, pool: Pool) -> list[Candidate]:
        """The likeliest of a pool, each computed with its own spread, best first."""
        if not pool.fault_sets:
            return []
        supply = self.supply.fit(pool.currents_a).log_likelihood
        other = self.supply.trials(pool.fault_sets, pool.currents_a)
        other = other + [log_prior(fault_set) for fault_set in pool.fault_sets]
        exact = -0.5 * self._rough(pool) + supply + other
        level = np.maximum(supply - supply.max(initial=-np.inf), -MOST_ASIDE)
        robust = -self.residual_model.misfit(pool.turned).sum(axis=-1) + level + other
        result = self._refined(pool, self._leaders(pool, exact, robust))
        return sorted(result, key=lambda candidate: -candidate.score)

    def likelihoods(self, pool: Pool) -> Floats:
        """Logarithms of a pool's likelihoods, by the spread that a good unit has."""
        supply = self.supply.fit(pool.currents_a).log_likelihood
        trials = self.supply.trials(pool.fault_sets, pool.currents_a)
        return np.asarray(-0.5 * self._rough(pool) + supply + trials)

    def chi_squared(self, predicted: Complex) -> float:
        """Of a prediction, (entries,), by the spread that a good unit has."""
        residual = self.residual_model.residual(self.residual_model.turned(predicted))
        return float(self._good_spread.squared(residual))

    def _leaders(self, pool: Pool, exact: Floats, robust: Floats) -> list[int]:
        """The best by either measure in turn, one of each kind that shows the same; the good unit always.

        A bad contact that explains less than a good unit, at the resistance that suits best, is not fitted.
        """
        leaders = [0] if pool.fault_sets[0] == () else []
        orders = [
            [index for index in np.argsort(-score, kind="stable") if score[index] > score.max() - hopeless]
            for score, hopeless in ((exact, HOPELESS), (robust, GROSSLY))
        ]
        in_turn = (index for pair in zip_longest(*orders) for index in pair if index is not None)
        for index in dict.fromkeys(int(index) for index in in_turn):
            if len(leaders) >= MOST_REFINED:
                break
            if is_resistive(pool.fault_sets[index]):
                shown = leaders[:1] == [0] and bool(exact[index] < exact[0] - ODDS)
            else:
                faulty = [leader for leader in leaders if leader]
                shown = bool(pool.alike(index, self.residual_model, faulty))
            if index not in leaders and not shown:
                leaders.append(index)
        return leaders

    def _rough(self, pool: Pool) -> Floats:
        """Chi-squared by a good unit's spread; a bad contact's at the resistance that suits best."""
        white = self.residual_model.residual(pool.turned)
        squared = self._good_spread.squared(white)
        for index, fault_set in enumerate(pool.fault_sets):
            if is_resistive(fault_set):
                change = self._share(white[index]) * (self._residual - white[index])
                squared[index] = self._good_spread.squared(self._residual - change)
        return squared

    def _share(self, white: Floats) -> float:
        """How many times its change explains a good unit's residual best; white: its own residual."""
        change = self._residual - white
        size = float(self._good_spread.product(change, change))
        return float(self._good_spread.product(change, self._residual)) / size if size > 1e-9 else 1.0

    def _refined(self, pool: Pool, leaders: Sequence[int]) -> list[Candidate]:
        """Each of a pool's leaders with its own spread; a bad contact with the resistance that fits."""
        fault_sets = [pool.fault_sets[index] for index in leaders]
        fault_sets = [self._fitted(each) if is_resistive(each) else each for each in fault_sets]
        return [
            self.weigh(fault_set, prediction, pool.turned[index], pool.currents_a[index])
            for index, fault_set, prediction in zip(
                leaders, fault_sets, self._predictor.of_many(fault_sets), strict=True
            )
        ]

    def weigh(
        self, fault_set: FaultSet, prediction: FaultPrediction, rough: Complex, currents_a: Floats
    ) -> Candidate:
        """A fault set by its prediction, with its own spread; currents_a: (states,)."""
        predicted = self.residual_model.entries(prediction.transfers)
        turn = self.residual_model.turns(predicted)
        turned = predicted * turn
        spread = self._spread(prediction)
        fit = spread.fit(self.residual_model.residual(turned))
        supply = self.supply.fit(currents_a[None])
        trials = float(self.supply.trials([fault_set], currents_a[None])[0])
        score = float(fit.log_likelihood) + float(supply.log_likelihood[0]) + trials + log_prior(fault_set)
        return Candidate(
            fault_set=fault_set,
            turned=turned,
            turn=turn,
            rough=rough,
            currents_a=currents_a,
            spread=spread,
            chi_squared=float(fit.chi_squared + supply.chi_squared[0]),
            impossible=trials < 0,
            score=score - (FITTED if is_resistive(fault_set) else 0.0),
        )

    def _fitted(self, fault_set: FaultSet) -> FaultSet:
        """The bad contact with the resistance that fits: its change grows with it, so a few steps do."""
        fault = fault_set[0]
        for _ in range(MOST_STEPS):
            ohm = fault.resistance_ohm or LEAST_OHM
            predicted = self.residual_model.entries(self._curves.transfers(fault, ohm))
            share = self._share(self.residual_model.residual(self.residual_model.turned(predicted)))
            better = min(max(ohm * min(max(share, 0.1), 30.0), LEAST_OHM), MOST_OHM)
            fault = replace(fault, resistance_ohm=float(f"{better:.2g}"))
            if abs(better / ohm - 1) < 0.05:
                break
        return (fault,)

    def additions(self, best: Candidate, pool: Pool) -> list[FaultSet]:
        """The best candidate with one more fault, if that would explain much of what it leaves over.

        Changes are added up; a bad contact is given the resistance that suits.
        """
        if not best.fault_set or not self.residual_model.cells:
            return []
        left = self.residual_model.residual(best.turned)
        changes = self.residual_model.white((pool.predicted - pool.predicted[0]) * best.turn)
        cross = best.spread.product(changes, left)
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

    def _spread(self, prediction: FaultPrediction) -> Spread:
        predicted = self.residual_model.entries(prediction.transfers)
        spreads = self.residual_model.entries(prediction.spreads)
        parts = self.residual_model.white(spreads * self.residual_model.turns(predicted))
        strays = parts[prediction.strays]
        known = np.concatenate([self.residual_model.shared, parts[~prediction.strays]])
        power = (strays**2).sum(axis=0).reshape(2, -1).sum(axis=0)
        return Spread(known, strays, BLUR**2 * np.tile(power, 2))

    def agrees(self, candidate: Candidate) -> bool:
        """Whether what a candidate leaves over is no more than the uncertainties allow."""
        return not candidate.impossible and self.beyond(candidate) < UNLIKELY

    def beyond(self, candidate: Candidate) -> float:
        """By how many standard deviations its chi-squared exceeds its mean (Wilson and Hilferty 1931)."""
        width = sqrt(2 / (9 * self._degrees))
        return float(((candidate.chi_squared / self._degrees) ** (1 / 3) - 1 + width**2) / width)

    def _else(self, best: Candidate) -> float:
        """Score of what is on no list: as if its residuals were just the most that uncertainties allow."""
        width = sqrt(2 / (9 * self._degrees))
        limit = self._degrees * (1 - width**2 + UNLIKELY * width) ** 3
        return best.log_likelihood + (best.chi_squared - limit) / 2 + log(SOMETHING_ELSE)

    def conclude(self, result: Sequence[Candidate], pools: Sequence[Pool]) -> Ranking:
        """Put candidates into groups that the readings don't resolve, and give each its posterior."""
        ordered = sorted(result, key=lambda candidate: -candidate.score)
        best = ordered[0]
        good, other = -np.inf, self._else(best)
        groups: list[dict[FaultSet, float]] = []
        placed: set[FaultSet] = set()
        for candidate in ordered:
            if candidate.fault_set == ():
                good = candidate.score
            elif candidate.fault_set not in placed:
                near = candidate.score > best.score - FAR
                groups.append(dict(self._members(candidate, ordered, pools if near else (), placed)))
                placed |= groups[-1].keys()
        beyond = float("inf") if best.impossible else self.beyond(best)
        return make_ranking(groups, good=good, something_else=other, beyond=beyond)

    def _members(
        self, leader: Candidate, ordered: Sequence[Candidate], pools: Sequence[Pool], placed: set[FaultSet]
    ) -> Iterator[tuple[FaultSet, float]]:
        """The leader and what lies within the readings' reach of it, each with its score."""
        yield leader.fault_set, leader.score
        known = {leader.fault_set, *(candidate.fault_set for candidate in ordered), *placed}
        for other in ordered:
            if other is leader or other.fault_set in placed or len(other.fault_set) != len(leader.fault_set):
                continue
            change = self.residual_model.white(other.turned - leader.turned)
            squared = float(leader.spread.squared(change) + self._amps(leader, other.currents_a[None])[0])
            likely = abs(other.log_likelihood - leader.log_likelihood) < ODDS
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
        indices = [
            index
            for index, fault_set in enumerate(pool.fault_sets)
            if fault_set not in known
            and len(fault_set) == len(leader.fault_set)
            and not is_resistive(fault_set)
        ]
        if not indices:
            return
        change = self.residual_model.white(pool.turned[indices] - leader.rough)
        squared = leader.spread.squared(change) + self._amps(leader, pool.currents_a[indices])
        fault_sets = [pool.fault_sets[index] for index in indices]
        trials = self.supply.trials(fault_sets, pool.currents_a[indices])
        for fault_set, distance, trial in zip(fault_sets, squared, trials, strict=True):
            if distance < RESOLVED and (trial < 0) == leader.impossible:
                yield fault_set, leader.log_likelihood - distance / 2 + log_prior(fault_set)

    def _amps(self, leader: Candidate, currents_a: Floats) -> Floats:
        return self.supply.distances(currents_a, leader.currents_a)


def weigh_intermittent(pool: Pool, search: Search, predictor: FaultPredictor) -> list[Candidate]:
    """The likeliest contacts that were open in some acquisitions and good in others, best first.

    No steady fault explains a contact that comes and goes: each acquisition is taken as good or as open,
    whichever fits better.
    pool: a good unit first, and among the rest every throw stuck open.
    """
    model, good = search.residual_model, pool.turned[0]

    def predicted(index: int, open_at: Flags) -> Complex:
        return np.asarray(np.where(open_at[model.acquisition], pool.predicted[index], pool.predicted[0]))

    misfit = model.by_acquisition(good)
    mixed: list[tuple[float, int, Flags, Flags]] = []
    for index, fault_set in enumerate(pool.fault_sets if model.cells else ()):
        if is_stuck_open(fault_set):
            shows = model.apart(pool.turned[index], good) > RESOLVED
            open_at = shows & (model.by_acquisition(pool.turned[index]) < misfit)
            if open_at.any() and (shows & ~open_at).any():
                chi_squared = search.chi_squared(predicted(index, open_at))
                mixed.append((chi_squared, index, shows, open_at))
    chosen: list[tuple[int, Flags, Flags]] = []
    for chi_squared, index, shows, open_at in sorted(mixed, key=lambda entry: entry[0])[:MOST_MIXED]:
        # what was chosen roughly is changed, acquisition by acquisition, if that agrees better
        for acquisition in np.flatnonzero(shows):
            changed = open_at.copy()
            changed[acquisition] = ~changed[acquisition]
            other = search.chi_squared(predicted(index, changed))
            if other < chi_squared:
                chi_squared, open_at = other, changed
        chosen.append((index, shows, open_at))
    fault_sets = [pool.fault_sets[index] for index, _, _ in chosen]
    predictions = predictor.of_many(fault_sets, at=[open_at for _, _, open_at in chosen]) if chosen else ()
    result = []
    for (index, shows, open_at), fault_set, prediction in zip(chosen, fault_sets, predictions, strict=True):
        rough = model.turned(predicted(index, open_at))
        candidate = search.weigh(intermittent(fault_set[0]), prediction, rough, pool.currents_a[0])
        result.append(replace(candidate, score=candidate.score - CHOICE * int(shows.sum())))
    return sorted(result, key=lambda candidate: -candidate.score)
