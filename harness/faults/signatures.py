"""What every fault set would show: the transfer of each acquisition and the supply current of each state.

For the batch solver, fault sets and states become work: which relays' positions, and which edits there.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from harness.arrays import Complex, Flags, Floats, Indices
from harness.circuit.elements import BenchImpedances, Circuit, Couplings, Element
from harness.circuit.expand import Throws, build_wiring, throws_of
from harness.circuit.solve import transfer
from harness.errors import CircuitError
from harness.faults.batch import (
    Edit,
    Solved,
    Work,
    amplifier_edits,
    contact_edits,
    solve_states,
    solve_work,
    touched_blocks,
    wiring_edits,
)
from harness.faults.effects import (
    ControlSide,
    FaultSet,
    FaultyCircuits,
    contacts_standing,
    side_of,
    supply_currents_a,
    suspect_name,
)
from harness.faults.network import Network, make_network
from harness.faults.positions import Positions, positions_of
from harness.faults.wiring_faults import amplifiers_with, edit_wiring
from harness.job.faults import Fault
from harness.job.fixture import Fixture
from harness.job.job import Job
from harness.job.module import Module
from harness.job.state import State
from harness.measure.tones import Stimulus
from harness.plan.model import Acquisition, Plan

PORTION = 4096  # fault sets in one task


@dataclass(frozen=True, kw_only=True, eq=False)
class Signatures:
    """What each fault set shows in a plan.

    fault sets, names: in the order of the first axis. acquisitions: those that tell legs apart, in the plan's
    order, the second axis. legs: how many of each acquisition's rows count; the others are zero.
    transfers: complex, (fault sets, acquisitions, legs, 2), as `Prediction.transfer`. good: the same of a
    good unit, (acquisitions, legs, 2). states: every state of the plan; supply_a: amperes, (fault sets,
    states); good_supply_a: (states,).
    """

    fault_sets: tuple[FaultSet, ...]
    names: tuple[str, ...]
    acquisitions: tuple[Acquisition, ...]
    legs: tuple[int, ...]
    transfers: Complex
    good: Complex
    states: tuple[State, ...]
    supply_a: Floats
    good_supply_a: Floats


def as_suspects(faults: Iterable[Fault | FaultSet]) -> tuple[FaultSet, ...]:
    """Single faults and combinations alike."""
    return tuple((fault,) if isinstance(fault, Fault) else tuple(fault) for fault in faults)


def pairs_of(plan: Plan) -> tuple[Acquisition, ...]:
    """The acquisitions that have tones."""
    return tuple(each for each in plan.acquisitions if each.stimulus.tells_legs_apart)


def states_of(plan: Plan) -> tuple[State, ...]:
    """Every state that a plan goes through, in its order, once."""
    return tuple(dict.fromkeys(state.state for visit in plan.visits for state in visit.states))


def plain_transfers(job: Job, plan: Plan, fault_sets: Sequence[FaultSet]) -> Complex:
    """One dense solve for each fault set and acquisition: (fault sets, acquisitions, legs, 2).

    The slow road, for a few fault sets and to hold the batch against. Raises CircuitError, naming a net,
    where a circuit has no solution.
    """
    pairs = pairs_of(plan)
    setups = {setup.name: setup for setup in job.fixture.setups}
    widest = max((2 * len(setups[each.setup].view) for each in pairs), default=0)
    result = np.zeros((len(fault_sets), len(pairs), widest, 2), dtype=complex)
    circuits = FaultyCircuits(job.module, job.fixture, plan.impedances)
    for index, pair in enumerate(pairs):
        for row, fault_set in enumerate(fault_sets):
            circuit = circuits.of(fault_set, setups[pair.setup], pair.state)
            legs = len(circuit.view)
            result[row, index, :legs] = transfer(circuit, pair.stimulus.tones.frequencies_hz)
    return result


@dataclass(frozen=True, kw_only=True, eq=False)
class _Task:
    """What one worker does: one setup, some fault sets, and of each stimulus its states and frequencies."""

    wiring: Circuit
    module: Module
    fixture: Fixture
    stimuli: tuple[tuple[tuple[State, ...], tuple[float, float]], ...]
    fault_sets: tuple[FaultSet, ...]
    couplings: Couplings | None


def _do(task: _Task) -> list[Complex]:
    """(fault sets, states, legs, 2) for each stimulus."""
    planner = Planner(task.wiring, task.module, task.fixture, task.couplings)
    result = []
    for states, frequencies_hz in task.stimuli:
        batch = planner.plan(states, task.fault_sets)
        columns = [
            batch.transfers(frequency_hz=frequency_hz, columns=[column])[1:, ..., 0]
            for column, frequency_hz in enumerate(frequencies_hz)
        ]
        result.append(np.stack(columns, axis=-1))
    return result


def batch_transfers(
    job: Job,
    plan: Plan,
    fault_sets: Sequence[FaultSet],
    *,
    acquisitions: Sequence[Acquisition] | None = None,
    couplings: Couplings | None = None,
    executor: Executor | None = None,
) -> Complex:
    """The same as `plain_transfers`, each state of each setup inverted once for all fault sets.

    acquisitions: some of those that have tones; None: all. couplings: beside the circuits' elements, the same
    in every fault set. An executor does the setups, and portions of many fault sets, side by side; the
    results are the same.
    """
    pairs = pairs_of(plan) if acquisitions is None else acquisitions
    try:
        return transfers_of(
            job, pairs, fault_sets, impedances=plan.impedances, couplings=couplings, executor=executor
        )
    except CircuitError:
        _name_the_net(job, plan, fault_sets)
        raise


def transfers_of(
    job: Job,
    pairs: Sequence[Acquisition],
    fault_sets: Sequence[FaultSet],
    *,
    impedances: BenchImpedances,
    couplings: Couplings | None = None,
    executor: Executor | None = None,
) -> Complex:
    """The same of acquisitions that no plan has. Raises CircuitError."""
    setups = {setup.name: setup for setup in job.fixture.setups}
    widest = max((2 * len(setups[each.setup].view) for each in pairs), default=0)
    result = np.zeros((len(fault_sets), len(pairs), widest, 2), dtype=complex)
    tasks: list[_Task] = []
    targets: list[tuple[slice, list[list[int]]]] = []
    for name in dict.fromkeys(pair.setup for pair in pairs):
        wiring = build_wiring(job.module, job.fixture, setups[name], impedances)
        by_stimulus: dict[Stimulus, list[int]] = {}
        for index, pair in enumerate(pairs):
            if pair.setup == name:
                by_stimulus.setdefault(pair.stimulus, []).append(index)
        stimuli = tuple(
            (tuple(pairs[index].state for index in indices), stimulus.tones.frequencies_hz)
            for stimulus, indices in by_stimulus.items()
        )
        for start in range(0, len(fault_sets), PORTION):
            portion = slice(start, start + PORTION)
            targets.append((portion, list(by_stimulus.values())))
            tasks.append(
                _Task(
                    wiring=wiring,
                    module=job.module,
                    fixture=job.fixture,
                    stimuli=stimuli,
                    fault_sets=tuple(fault_sets[portion]),
                    couplings=couplings,
                )
            )
    done = map(_do, tasks) if executor is None else executor.map(_do, tasks)
    for (portion, of_stimuli), made in zip(targets, done, strict=True):
        for indices, transfers in zip(of_stimuli, made, strict=True):
            result[portion, indices, : transfers.shape[2]] = transfers
    return result


def _name_the_net(job: Job, plan: Plan, fault_sets: Sequence[FaultSet]) -> None:
    """Raise CircuitError with the first fault set that leaves no solution, and the net that nothing
    settles.
    """
    for fault_set in fault_sets:
        try:
            plain_transfers(job, plan, [fault_set])
        except CircuitError as error:
            raise CircuitError(f"with {suspect_name(fault_set)}: {error}") from None


def signatures(
    job: Job, plan: Plan, faults: Iterable[Fault | FaultSet], *, executor: Executor | None = None
) -> Signatures:
    """What each fault, or combination of faults, would show in a plan; and a good unit.

    Raises CircuitError if a fault leaves nothing that settles some volts.
    """
    fault_sets = as_suspects(faults)
    pairs, states = pairs_of(plan), states_of(plan)
    transfers = batch_transfers(job, plan, fault_sets, executor=executor)
    predictions = [plan.predictions[each.number] for each in pairs]
    good = np.zeros(transfers.shape[1:], dtype=complex)
    for index, prediction in enumerate(predictions):
        good[index, : len(prediction.legs)] = prediction.transfer
    return Signatures(
        fault_sets=fault_sets,
        names=tuple(suspect_name(fault_set) for fault_set in fault_sets),
        acquisitions=pairs,
        legs=tuple(len(prediction.legs) for prediction in predictions),
        transfers=transfers,
        good=good,
        states=states,
        # A supply that does not say what it gives shows no fault: as if none drew otherwise.
        supply_a=supply_currents_a(
            job.module, states, fault_sets if plan.impedances.supply_current else [()] * len(fault_sets)
        ),
        good_supply_a=supply_currents_a(job.module, states, [()])[0],
    )


WIRING = ("leg", "channels", "loopback", "part", "winding", "amplifier", "nets", "transformer")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Way:
    """Some positions (ascending) in which the relays that a fault set touches stand alike.

    standing: those relays by number, operated or not. wanted: their contacts by name, as the fault set has
    them. states: those that lead to these positions, and rows: to which of them.
    """

    standing: Mapping[int, bool]
    wanted: Mapping[str, Element]
    positions: Indices
    states: Indices
    rows: Indices


@dataclass(frozen=True, kw_only=True, eq=False)
class Batch:
    """One setup's work for some fault sets in some states. Fault sets that do the same share it.

    results: where the works' results belong: the work and the fault set by number, the fault set's states,
    and which of the work's rows each state takes. ways: of each fault set, how its relays stand.
    """

    network: Network
    positions: Positions
    ways: tuple[tuple[Way, ...], ...]
    works: tuple[Work, ...]
    results: tuple[tuple[int, int, Indices, Indices], ...]

    def transfers(self, *, frequency_hz: float, columns: Sequence[int]) -> Complex:
        """Of a good unit (first) and of every fault set: (1 + fault sets, states, legs, columns)."""
        good, result = solve_work(
            self.network, self.positions.operated, self.works, frequency_hz=frequency_hz, columns=columns
        )
        index = self.positions.index
        combined = good[np.concatenate([index[-1:], index[:-1]])]
        for work, fault_set, states, rows in self.results:
            combined[1 + fault_set, states] = result[work][rows]
        return np.asarray(combined)

    def states(self, *, frequency_hz: float, column: int) -> Solved:
        """The same everywhere: (1 + fault sets, states, …)."""
        good, result = solve_states(
            self.network, self.positions.operated, self.works, frequency_hz=frequency_hz, column=column
        )
        index = self.positions.index
        index = np.concatenate([index[-1:], index[:-1]])
        state, adjoint = good.state[index], good.adjoint[index]
        for work, fault_set, states, rows in self.results:
            state[1 + fault_set, states] = result[work].state[rows]
            adjoint[1 + fault_set, states] = result[work].adjoint[rows]
        return Solved(state=state, adjoint=adjoint)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Moves:
    """What fault sets do to relays and contacts in some states: the same in every setup.

    moving: each fault set's faults but for those of the wiring; ways: what becomes of the relays by these.
    """

    positions: Positions
    moving: tuple[FaultSet, ...]
    ways: Mapping[FaultSet, tuple[Way, ...]]


@lru_cache(maxsize=64)
def _moves_of(module: Module, states: tuple[State, ...], fault_sets: tuple[FaultSet, ...]) -> _Moves:
    """Kept, because every setup asks for the same few sets of states."""
    moving = tuple(tuple(fault for fault in fault_set if not _is_wiring(fault)) for fault_set in fault_sets)
    sides = {faults: side_of(faults) for faults in moving}
    positions = positions_of(module, states, [sides[faults] for faults in moving])
    throws = throws_of(module)
    ways: dict[FaultSet, tuple[Way, ...]] = {}
    stands: dict[tuple[tuple[int, ...], bytes], list[_Stand]] = {}
    for row, faults in enumerate(moving):
        if faults in ways:
            continue
        side, index = sides[faults], positions.index[row]
        touched = _touched_relays(module, side)
        if (touched, index.tobytes()) not in stands:
            stands[touched, index.tobytes()] = list(_stands(touched, positions.operated, index))
        ways[faults] = tuple(_way(module, side, stand, throws) for stand in stands[touched, index.tobytes()])
    return _Moves(positions=positions, moving=moving, ways=ways)


class Planner:
    """Plans work for one setup's wiring; keeps what faults change in it, whatever states are asked for."""

    def __init__(
        self, wiring: Circuit, module: Module, fixture: Fixture, couplings: Couplings | None = None
    ) -> None:
        self.network = make_network(wiring, module, couplings)
        self._module, self._fixture = module, fixture
        self._known: dict[FaultSet, tuple[Edit, ...]] = {}
        self._touched: dict[tuple[Edit, ...], frozenset[int]] = {}
        self._stood: dict[tuple[FaultSet, tuple[tuple[int, bool], ...]], tuple[Edit, ...]] = {}

    def plan(self, states: Sequence[State], fault_sets: Sequence[FaultSet]) -> Batch:
        """Turn every fault set into work; what a fault set doesn't change costs nothing."""
        moves = _moves_of(self._module, tuple(states), tuple(fault_sets))
        cases: dict[FaultSet, list[tuple[Way, tuple[Edit, ...]]]] = {}
        works: list[Work] = []
        results: list[tuple[int, int, Indices, Indices]] = []
        shared: dict[tuple[tuple[Edit, ...], bytes], int] = {}
        for row, (fault_set, faults) in enumerate(zip(fault_sets, moves.moving, strict=True)):
            if faults not in cases:
                cases[faults] = [(way, self._contacts(faults, way)) for way in moves.ways[faults]]
            wired = self._wired(tuple(fault for fault in fault_set if _is_wiring(fault)))
            for way, contact in cases[faults]:
                edits = wired + contact
                if not edits:
                    continue
                key = (edits, way.positions.tobytes())
                if key not in shared:
                    shared[key] = len(works)
                    if edits not in self._touched:
                        self._touched[edits] = touched_blocks(self.network, edits)
                    works.append(Work(edits=edits, positions=way.positions, blocks=self._touched[edits]))
                results.append((shared[key], row, way.states, way.rows))
        return Batch(
            network=self.network,
            positions=moves.positions,
            ways=tuple(moves.ways[faults] for faults in moves.moving),
            works=tuple(works),
            results=tuple(results),
        )

    def wiring_of(self, faults: FaultSet) -> Sequence[Element]:
        """The wiring's elements with faults in them."""
        elements: Sequence[Element] = self.network.wiring.elements
        for fault in faults:
            if _is_wiring(fault):
                elements = edit_wiring(elements, fault, module=self._module, fixture=self._fixture)
        return elements

    def _contacts(self, faults: FaultSet, way: Way) -> tuple[Edit, ...]:
        key = faults, tuple(way.standing.items())
        if key not in self._stood:
            self._stood[key] = tuple(contact_edits(self.network, way.standing, way.wanted))
        return self._stood[key]

    def _wired(self, faults: FaultSet) -> tuple[Edit, ...]:
        """Edits of several faults of the wiring at once: those of each, where they touch different things."""
        if faults not in self._known:
            alone = [self._wired((fault,)) for fault in faults] if len(faults) > 1 else []
            together = tuple(edit for edits in alone for edit in edits)
            touched = [
                (edit.a, edit.b) if edit.branch is None else edit.branch
                for edit in together
                if edit.branch is not None or edit.held_s or edit.held_f
            ]
            if not alone or len(set(touched)) < len(touched):
                legs = amplifiers_with(self.network.wiring.amplifiers, faults)
                made = wiring_edits(self.network, self.wiring_of(faults))
                together = (*made, *amplifier_edits(self.network, legs)) if faults else ()
            self._known[faults] = together
        return self._known[faults]


def _is_wiring(fault: Fault) -> bool:
    return fault.kind.startswith(WIRING)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Stand:
    """A way without what one fault set makes of it: the same for all that touch the same relays."""

    standing: Mapping[int, bool]
    positions: Indices
    states: Indices
    rows: Indices


def _stands(touched: Sequence[int], operated: Flags, reached_at: Indices) -> Iterator[_Stand]:
    """Every position that is reached, in one entry for each way that the touched relays may stand."""
    reached = np.array(sorted(set(reached_at.tolist())), dtype=np.intp)
    stand = operated[reached][:, list(touched)]
    for flags in dict.fromkeys(map(tuple, stand.tolist())):
        alike = (stand == flags).all(axis=1)
        at = np.flatnonzero(alike[np.searchsorted(reached, reached_at)])
        positions = reached[alike]
        yield _Stand(
            standing=dict(zip(touched, flags, strict=True)),
            positions=positions,
            states=at,
            rows=np.searchsorted(positions, reached_at[at]),
        )


def _way(module: Module, side: ControlSide, stand: _Stand, throws: Throws) -> Way:
    relays = [module.relays[number] for number in stand.standing]
    good = dict(zip((relay.name for relay in relays), stand.standing.values(), strict=True))
    return Way(
        standing=stand.standing,
        wanted={each.name: each for each in contacts_standing(relays, good, side, throws)},
        positions=stand.positions,
        states=stand.states,
        rows=stand.rows,
    )


def _touched_relays(module: Module, side: ControlSide) -> tuple[int, ...]:
    """Relays that a fault set's own faults are in."""
    poles = {*side.poles, *(pole for pole, _ in side.conducting), *(p for p, _ in side.contact_ohm)}
    names = {*side.held, *side.coil_open, *side.coil_shorted, *(pole.rsplit(".", 2)[0] for pole in poles)}
    return tuple(number for number, relay in enumerate(module.relays) if relay.name in names)
