"""What every fault set would show: the transfer of each acquisition and the supply current of each state."""

from collections.abc import Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np

from harness.arrays import Complex, Floats
from harness.circuit.elements import Circuit
from harness.circuit.expand import build_wiring
from harness.circuit.solve import transfer
from harness.errors import CircuitError
from harness.faults.effects import FaultSet, FaultyCircuits, supply_currents_a, suspect_name
from harness.faults.fault_sets import Planner
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

    fault sets, names: in the order of the first axis. acquisitions: those of kind "pair", in the plan's
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
    return tuple(each for each in plan.acquisitions if each.stimulus.kind == "pair")


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


def _do(task: _Task) -> list[Complex]:
    """(fault sets, states, legs, 2) for each stimulus."""
    planner = Planner(task.wiring, task.module, task.fixture)
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
    executor: Executor | None = None,
) -> Complex:
    """The same as `plain_transfers`, each state of each setup inverted once for all fault sets.

    acquisitions: some of those that have tones; None: all. An executor does the setups, and portions of many
    fault sets, side by side; the results are the same.
    """
    pairs = pairs_of(plan) if acquisitions is None else acquisitions
    setups = {setup.name: setup for setup in job.fixture.setups}
    widest = max((2 * len(setups[each.setup].view) for each in pairs), default=0)
    result = np.zeros((len(fault_sets), len(pairs), widest, 2), dtype=complex)
    tasks: list[_Task] = []
    targets: list[tuple[slice, list[list[int]]]] = []
    for name in dict.fromkeys(pair.setup for pair in pairs):
        wiring = build_wiring(job.module, job.fixture, setups[name], plan.impedances)
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
                )
            )
    done = map(_do, tasks) if executor is None else executor.map(_do, tasks)
    try:
        for (portion, of_stimuli), made in zip(targets, done, strict=True):
            for indices, transfers in zip(of_stimuli, made, strict=True):
                result[portion, indices, : transfers.shape[2]] = transfers
    except CircuitError:
        _name_the_net(job, plan, fault_sets)
        raise
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
        supply_a=supply_currents_a(job.module, states, fault_sets),
        good_supply_a=supply_currents_a(job.module, states, [()])[0],
    )
