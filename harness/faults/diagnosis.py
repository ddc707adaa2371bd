"""Which faults would explain what a run measured: ranked by likelihood, the indistinguishable together."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np

from harness.arrays import Complex, Floats
from harness.circuit.strays import strays_of
from harness.faults.changes import Cycles, RelayTiming, rank_by_timing
from harness.faults.effects import NOT_STEADY, FaultSet, intermittent, is_stuck_open, supply_currents_a
from harness.faults.evidence import Evidence, ResidualModel
from harness.faults.predictor.contact_curves import contact_curves, far_contacts
from harness.faults.predictor.fault_predictor import FaultPredictor
from harness.faults.ranking import Candidate, Pool, Ranking, in_order, propose_pairs
from harness.faults.search import MOST_ASIDE, Search, weigh_intermittent
from harness.faults.signatures import batch_transfers, pairs_of, states_of
from harness.job.faults import ONE_RESISTANCE_OHM, single_faults, timing_faults
from harness.job.job import Job
from harness.job.own_faults import own_suspects
from harness.plan.model import Acquisition, Plan

NEAR = 10.0  # nats below a good unit's likelihood: what levels leave possible
MOST_EXPANDED = 60  # pairs that stand for the best one
MOST_STRAY = 2  # records that may be out of line
LEAST_RECORDS = 20  # out of no fewer than these


@dataclass(frozen=True, kw_only=True)
class Diagnosis(Ranking):
    """What would explain a run.

    doubles: whether pairs were tried. acquisitions, supplies, changes: how many there were. unweighed:
    readings that did not pass and that no circuit predicts.
    """

    doubles: bool
    acquisitions: int
    supplies: int
    over_current: str
    notes: tuple[str, ...]
    changes: int = 0
    unweighed: Mapping[str, int] = field(default_factory=dict)


def _unweighed(evidence: Evidence, cycles: Cycles, ranking: Ranking) -> dict[str, int]:
    """Readings that did not pass and stay unexplained: a relay that never operates fails every operation."""
    best: FaultSet = ()
    if ranking.groups and ranking.explained and not ranking.says_good:
        best = ranking.groups[0].fault_sets[0]
    left = dict(evidence.unweighed)
    for seen in evidence.cycles:
        if seen.judged and not (best and cycles.explains(best, seen)):
            name = seen.cycle.quantity.name
            left[name] = left.get(name, 0) + 1
    return left


def _stray(result: Sequence[Candidate], residual_model: ResidualModel) -> int | None:
    """The acquisition furthest from the candidate that most of them agree with; None if there are few."""
    if residual_model.cells < 2 * LEAST_RECORDS:
        return None
    misfits = [residual_model.by_acquisition(candidate.turned) for candidate in result]
    return int(min(misfits, key=lambda misfit: float(misfit.sum())).argmax())


def _note(acquisition: Acquisition) -> str:
    return (
        f"One record agrees with no other and was left out: {acquisition.setup}, state "
        f"{acquisition.state.name}, {acquisition.stimulus}. Retest before you open the unit: a timing error "
        "of the bench looks like this, and so does a contact that failed once."
    )


def telling(plan: Plan, job: Job, made: Collection[int] | None = None) -> tuple[Acquisition, ...]:
    """The acquisitions that a diagnosis goes by: tones, the lowest and the highest in each setup and state.

    What lies between them, and the same leads with the scope's inputs swapped, would tell little more.
    made: the numbers of those that a run made which did not make all; what is then there alone tells as well.
    """
    setups = job.fixture.setups
    pairs = [each for each in pairs_of(plan) if made is None or each.number in made]
    swapped = {setup.name: setup for setup in setups if setup.inputs_swapped}
    alone = set[tuple[str, str]]()
    if made is not None:
        there = {(each.setup, each.state.name) for each in pairs}
        alone = {
            (name, state)
            for name, state in there
            if name in swapped
            and not any((other.name, state) in there for other in setups if swapped[name].is_swap_of(other))
        }
    by_state: dict[tuple[str, str], list[Acquisition]] = {}
    for each in pairs:
        if each.setup not in swapped or (each.setup, each.state.name) in alone:
            by_state.setdefault((each.setup, each.state.name), []).append(each)
    ends = {
        acquisition.number
        for alike in by_state.values()
        for end in (min, max)
        for acquisition in (end(alike, key=lambda each: each.stimulus.frequency_hz),)
    }
    return tuple(each for each in pairs_of(plan) if each.number in ends)


class Diagnoser:
    """Holds what all faults of a job would show, for the diagnosis of any number of runs.

    acquisitions: of the plan, those that were made. suspects: beside the single faults and module.toml's.
    Raises CircuitError if a circuit has no solution.
    """

    def __init__(
        self,
        job: Job,
        plan: Plan,
        acquisitions: Sequence[Acquisition],
        suspects: Sequence[FaultSet] = (),
    ) -> None:
        self._job, self._plan, self._acquisitions = job, plan, acquisitions
        self._relay_timing = RelayTiming(job, plan)
        self._strays = strays_of(job.module)
        self._predictor = FaultPredictor(job, acquisitions, plan.impedances, self._strays)
        self._states = states_of(plan)
        listed = single_faults(job.module, job.fixture, contact_ohm=ONE_RESISTANCE_OHM)  # it is fitted
        own = (in_order(fault_set) for fault_set in (*own_suspects(job), *suspects))
        steady = (each for each in own if not any(fault.kind in NOT_STEADY for fault in each))
        alone = ((fault,) for fault in listed)
        self.fault_sets: tuple[FaultSet, ...] = ((), *dict.fromkeys((*alone, *steady)))
        bad = [fault for fault in dict.fromkeys(listed) if fault.kind == "throw resistance"]
        rows = [self.fault_sets.index((fault,)) for fault in bad]
        solved = self._solve((*self.fault_sets, *((fault,) for fault in far_contacts(bad))))
        self._transfers, far = solved[: len(self.fault_sets)], solved[len(self.fault_sets) :]
        self._curves = contact_curves(job.module, solved[0], bad, solved[rows], far)
        self._currents_a = supply_currents_a(job.module, self._states, self.fault_sets)

    def diagnose(self, evidence: Evidence, *, double: bool = True) -> Diagnosis:
        """Rank single faults and, if none fits and `double` is set, pairs of them.

        If nothing fits, it is tried whether a record or two are out of line, and the rest fit: those
        were taken while the bench was late. evidence: of just the acquisitions that this was made for.
        """
        result, stray = self._weigh(evidence, double=double)
        if result.explained or stray is None:
            return result
        notes, counted = list(evidence.notes), evidence.counted.copy()
        for _ in range(MOST_STRAY):
            counted[stray] = False
            notes.append(_note(evidence.acquisitions[stray]))
            rest = replace(evidence, counted=counted.copy(), notes=tuple(notes))
            better, stray = self._weigh(rest, double=False)
            if better.explained:
                return replace(better, doubles=result.doubles)
            if stray is None:
                break
        return result

    def _weigh(self, evidence: Evidence, *, double: bool) -> tuple[Diagnosis, int | None]:
        """The diagnosis, and the index of the acquisition that is furthest from what explains most."""
        search = Search(evidence, self._predictor, self._curves, self._job.module, self._states)
        pool = search.pool(self.fault_sets, self._transfers, self._currents_a)
        pools = [pool]
        result = search.rank(pool)
        if not search.agrees(result[0]):
            mixed = weigh_intermittent(pool, search, self._predictor)
            result += self._relay_timing.held_against(mixed, evidence)
            result.sort(key=lambda candidate: -candidate.score)
        added = search.additions(result[0], pool) if double else []
        doubles = bool(added) or (double and not search.agrees(result[0]))
        if doubles:
            unexplained = not search.agrees(result[0])
            pairs, more = self._pairs(pool, search, added, every=unexplained)
            result += pairs
            pools += more
        ranking = search.conclude(result, pools)
        moved = any(change.moved != "fine" for change in evidence.changes)
        if (moved or any(cycle.failed for cycle in evidence.cycles)) and ranking.says_good:
            ranking = self._by_timing(evidence, pool, search.likelihoods(pool), ranking)
        made = Diagnosis(
            **vars(ranking),
            doubles=doubles,
            acquisitions=len(evidence.acquisitions),
            supplies=len(evidence.supply_a),
            over_current=evidence.over_current,
            notes=evidence.notes,
            changes=len(evidence.changes),
            unweighed=_unweighed(evidence, self._relay_timing.cycles, ranking),
        )
        return made, _stray(result, search.residual_model)

    def _by_timing(self, evidence: Evidence, pool: Pool, levels: Floats, ranking: Ranking) -> Ranking:
        """If levels agree with a good unit and changes of state do not: what would explain these."""
        scored = [
            (fault_set, float(level))
            for fault_set, level in zip(pool.fault_sets, levels, strict=True)
            # a bad contact moves all the same
            if level > levels[0] - NEAR and all(fault.kind != "throw resistance" for fault in fault_set)
        ]
        scored += [((fault,), float(levels[0])) for fault in timing_faults(self._job.module)]
        scored += [
            (intermittent(fault_set[0]), float(levels[0]))
            for fault_set in pool.fault_sets
            if is_stuck_open(fault_set)
        ]
        return rank_by_timing(self._relay_timing, evidence, scored, ranking)

    def _pairs(
        self, pool: Pool, search: Search, added: Sequence[FaultSet], *, every: bool
    ) -> tuple[list[Candidate], list[Pool]]:
        """The likeliest pairs; of single faults that show the same, one stands for all until the end.

        added: pairs to be looked at in any case. every: look for others too.
        """
        kinds = [kind for kind in pool.kinds(search.residual_model) if len(pool.fault_sets[kind[0]]) == 1]
        alike = {pool.fault_sets[kind[0]][0]: [pool.fault_sets[index][0] for index in kind] for kind in kinds}
        wanted = list(added)
        if every:
            singles = [kind[0] for kind in kinds]
            aside = np.minimum(MOST_ASIDE, search.supply.fit(pool.currents_a[singles]).chi_squared / 2)
            wanted += propose_pairs(search.residual_model, pool, singles, aside)
        wanted = list(dict.fromkeys(wanted))
        if not wanted:
            return [], []
        result = search.rank(self._pool(search, wanted))
        one, other = (alike.get(fault, [fault]) for fault in result[0].fault_set)
        more = [in_order(pair) for pair in product(one, other)][:MOST_EXPANDED]
        return result, [self._pool(search, more)]

    def _pool(self, search: Search, fault_sets: Sequence[FaultSet]) -> Pool:
        currents_a = supply_currents_a(self._job.module, self._states, fault_sets)
        return search.pool(fault_sets, self._solve(fault_sets), currents_a)

    def _solve(self, fault_sets: Sequence[FaultSet]) -> Complex:
        return batch_transfers(
            self._job, self._plan, fault_sets, acquisitions=self._acquisitions, couplings=self._strays
        )
