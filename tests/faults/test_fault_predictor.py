"""What a diagnosis predicts of a fault by small changes to a good circuit is what its own circuit shows."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from harness.circuit.elements import BenchImpedances
from harness.circuit.predict import predict_circuit
from harness.circuit.strays import strays_of
from harness.faults.effects import FaultSet, FaultyCircuits
from harness.faults.predictor.contact_curves import contact_curves, far_contacts
from harness.faults.predictor.fault_predictor import FAINT, FaultPredictor, bad_contacts, loosened
from harness.faults.signatures import batch_transfers, pairs_of
from harness.job.faults import Fault, single_faults
from harness.job.job import Job, load_job
from harness.plan.build import build_plan
from harness.plan.model import Plan

SEQUENCES = Path(__file__).parents[2] / "sequences"
BENCH = BenchImpedances()
AGREED = 1e-9  # of an e.m.f.


def small(name: str) -> tuple[Job, Plan]:
    job = load_job(SEQUENCES / name)
    states = (job.sequence.states[0], job.sequence.states[-1])
    job = replace(job, sequence=replace(job.sequence, states=states, checks=job.sequence.checks[:2]))
    return job, build_plan(job, impedances=BENCH)


def of_its_own_circuit(job: Job, plan: Plan, fault_set: FaultSet) -> list[dict[str, np.ndarray]]:
    """For each acquisition, transfer ("") and spreads by name, from the faulty circuit's own equations."""
    circuits = FaultyCircuits(job.module, job.fixture, BENCH)
    setups = {setup.name: setup for setup in job.fixture.setups}
    bad = bad_contacts(fault_set)
    result = []
    for each in pairs_of(plan):
        circuit = circuits.of(fault_set, setups[each.setup], each.state)
        made = predict_circuit(
            replace(circuit, elements=tuple(loosened(element, bad) for element in circuit.elements)),
            frequencies_hz=each.stimulus.tones.frequencies_hz,
            with_live=False,
            couplings=strays_of(job.module),
        )
        named = dict(zip(made.spread_names, made.spreads, strict=True))
        result.append({"": made.transfer} | named)
    return result


def chosen(faults: Sequence[Fault]) -> list[FaultSet]:
    """One of each kind, a pair, and a good unit."""
    of_a_kind = {fault.kind: fault for fault in faults}
    bad = replace(next(fault for fault in faults if fault.kind == "throw resistance"), resistance_ohm=0.4)
    return [(), (bad,), *((fault,) for fault in of_a_kind.values()), (faults[0], faults[-1])]


@pytest.mark.parametrize("name", ["two_loop_switcher", "source_selector", "stepped_attenuator"])
def test_predictions_and_spreads_are_those_of_the_faulty_circuit(name: str) -> None:
    job, plan = small(name)
    predictor = FaultPredictor(job, pairs_of(plan), BENCH, strays_of(job.module))
    fault_sets = chosen(single_faults(job.module, job.fixture))
    for fault_set, made in zip(fault_sets, predictor.of_many(fault_sets), strict=True):
        spread = np.zeros_like(made.spreads[0])
        for index, expected in enumerate(of_its_own_circuit(job, plan, fault_set)):
            transfer = expected.pop("")
            legs = len(transfer)
            np.testing.assert_allclose(made.transfers[index, :legs], transfer, rtol=0, atol=AGREED)
            loud = [each for each in expected.values() if np.abs(each).max() > FAINT]
            spread[index, :legs] = np.sqrt((np.abs(loud) ** 2).sum(axis=0))
        shown = np.sqrt((np.abs(made.spreads) ** 2).sum(axis=0))
        np.testing.assert_allclose(shown, spread, rtol=1e-7, atol=1e-3 * FAINT, err_msg=str(fault_set))


def test_bad_contacts_lie_on_curves_through_two_resistances() -> None:
    job, plan = small("stepped_attenuator")
    strays = strays_of(job.module)
    faults = [
        replace(fault, resistance_ohm=10.0)
        for fault in single_faults(job.module, job.fixture, contact_ohm=(10.0,))
        if fault.kind == "throw resistance"
    ][::7]

    def solved(bad: Sequence[Fault]) -> np.ndarray:
        return batch_transfers(job, plan, [(), *((fault,) for fault in bad)], couplings=strays)

    near = solved(faults)
    curves = contact_curves(job.module, near[0], faults, near[1:], solved(far_contacts(faults))[1:])
    for ohm in (0.3, 2.2, 150.0, 8.2e3, 1e5):
        exact = solved([replace(fault, resistance_ohm=ohm) for fault in faults])[1:]
        for fault, expected in zip(faults, exact, strict=True):
            np.testing.assert_allclose(curves.transfers(fault, ohm), expected, rtol=0, atol=AGREED)
