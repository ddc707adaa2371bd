"""How long the program thinks about a job, and how much of that the quick ways save, in one run.

    python benchmarks/thinking_time.py [--job two_loop_switcher]

Processor seconds of the plan, the coverage and a diagnosis: of the shipped jobs, and of a module of 40 relays
and 12 control lines, that of benchmarks/source_matrix.py. Side by side: some faults with the spread of all
parts and strays, by small changes to states that are inverted once and by the equations of each fault's own
circuit. BLAS is held to one thread.
"""

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from benchmarks.simulated_runs import Bench
from benchmarks.source_matrix import SOURCES, module_text
from harness.circuit.elements import BenchImpedances
from harness.circuit.predict import predict_circuit
from harness.circuit.strays import strays_of
from harness.compose.additions import cheapest_additions
from harness.errors import JobError, Mistake
from harness.faults.contact_levels import with_loads
from harness.faults.coverage import cover
from harness.faults.diagnosis import Diagnoser, telling
from harness.faults.effects import FaultSet, FaultyCircuits
from harness.faults.predictor.fault_predictor import FaultPredictor, bad_contacts, loosened
from harness.job.faults import single_faults
from harness.job.fixture import Fixture, PortName, Setup, Termination
from harness.job.job import MODULE, Job, load_job
from harness.job.module import Module
from harness.job.read_module import read_module
from harness.job.state import single_control_states
from harness.plan.build import build_plan
from harness.plan.draft import KnownPredictions
from harness.plan.model import Plan
from harness.toml_files.source import Source

SEQUENCES = Path(__file__).resolve().parents[1] / "sequences"
SHIPPED = ("two_loop_switcher", "source_selector", "stepped_attenuator")
MATRIX = "source_matrix"
LOADS_OHM = (600.0, 20.0)
BENCH = BenchImpedances()
COMPARED = 10  # faults

T = TypeVar("T")


def seconds(work: Callable[[], T]) -> tuple[float, T]:
    start = time.process_time()
    made = work()
    return time.process_time() - start, made


def source_matrix() -> Module:
    """Forty relays and twelve control lines: a module without a fixture."""
    with TemporaryDirectory() as place:
        path = Path(place) / MODULE
        path.write_text(module_text(), encoding="utf-8")
        mistakes: list[Mistake] = []
        source = Source.open(path, MODULE, mistakes)
        if source is None:
            raise JobError(mistakes)
        module, _ = read_module(source)
    return module


def matrix_job() -> Job:
    """Gain and polarity of both outputs, with each control line by itself and each source before each pad."""
    template = load_job(SEQUENCES / "two_loop_switcher")
    module = source_matrix()

    def setups() -> Iterator[Setup]:
        yield next(setup for setup in template.fixture.setups if setup.through)
        for channel in module.channels:
            for source in range(1, SOURCES + 1):
                drive = PortName(channel=channel, net=f"source_{source}")
                for net in ("programme", "preview"):
                    view = (drive, PortName(channel=channel, net=net))
                    yield Setup(
                        name=f"{drive} to {net}",
                        through=False,
                        drive=drive,
                        view=view,
                        loopbacks=(),
                        select=None,
                    )

    load = Termination(across_ohm=10e3, leg_ohm=None, tolerance=0.01)
    fixture = Fixture(
        name="Bench",
        controls={},
        loads={"programme": load, "preview": load},
        undriven_inputs=None,
        loopbacks={},
        setups=tuple(setups()),
    )
    checks = tuple(
        replace(check, at=("programme", "preview"), states=None)
        for check in template.sequence.checks
        if check.quantity.name in ("gain", "polarity")
    )
    states = tuple(single_control_states(module.control_names))
    sequence = replace(template.sequence, name="Every line", checks=checks, states=states)
    return replace(template, module=module, fixture=fixture, sequence=sequence)


def job_of(name: str) -> Job:
    return matrix_job() if name == MATRIX else load_job(SEQUENCES / name)


def compare(job: Job, plan: Plan, fault_sets: Sequence[FaultSet]) -> tuple[float, float, float]:
    """Seconds of the quick way and of the plain one, and the largest difference between their transfers."""
    chosen, strays = telling(plan, job), strays_of(job.module)

    def quick() -> list[np.ndarray]:
        predictor = FaultPredictor(job, chosen, BENCH, strays)
        return [made.transfers for made in predictor.of_many(fault_sets)]

    def plain() -> list[list[np.ndarray]]:
        circuits = FaultyCircuits(job.module, job.fixture, BENCH)
        setups = {setup.name: setup for setup in job.fixture.setups}
        made = []
        for fault_set in fault_sets:
            bad, own = bad_contacts(fault_set), []
            for each in chosen:
                circuit = circuits.of(fault_set, setups[each.setup], each.state)
                loose = tuple(loosened(element, bad) for element in circuit.elements)
                prediction = predict_circuit(
                    replace(circuit, elements=loose),
                    frequencies_hz=each.stimulus.tones.frequencies_hz,
                    with_live=False,
                    couplings=strays,
                )
                own.append(prediction.transfer)
            made.append(own)
        return made

    quick_s, one = seconds(quick)
    plain_s, other = seconds(plain)
    worst = max(
        float(np.abs(transfers[index, : len(expected)] - expected).max())
        for transfers, own in zip(one, other, strict=True)
        for index, expected in enumerate(own)
    )
    return quick_s, plain_s, worst


def measure(name: str) -> None:
    job, known = job_of(name), KnownPredictions()
    faults = single_faults(job.module, job.fixture)
    plan_s, plan = seconds(lambda: build_plan(job, impedances=BENCH, known=known))
    print(
        f"{name}: {len(job.module.relays)} relays, {len(job.module.control_names)} control lines, "
        f"{len(faults)} faults, {len(plan.acquisitions)} acquisitions. Processor seconds:"
    )
    print(f"  plan                               {plan_s:7.2f}", flush=True)
    chosen = [(fault,) for fault in faults[:: max(1, len(faults) // COMPARED)]][:COMPARED]
    quick_s, plain_s, worst = compare(job, plan, chosen)
    print(f"  {len(chosen)} faults with spreads              {quick_s:7.2f}")
    ratio = f"{plain_s / quick_s:.1f} x"
    print(f"  the same by their own circuits     {plain_s:7.2f}   {ratio}; apart by {worst:.0e}")
    made_s, diagnoser = seconds(lambda: Diagnoser(job, plan, telling(plan, job)))
    open_throw = next(fault for fault in faults if fault.kind == "throw stuck open")
    evidence = Bench(job, plan, seed=1).run("T1", [open_throw]).evidence
    diagnosis_s, result = seconds(lambda: diagnoser.diagnose(evidence))
    named = result.groups[0].names[0] if result.groups else "nothing"
    print(f"  diagnosis of {open_throw.name}: {made_s + diagnosis_s:.2f}, named {named}", flush=True)
    cover_s, result_of_all = seconds(lambda: cover(job, plan))
    unseen = [seen.fault for seen in result_of_all.unseen]
    more_s, _ = seconds(lambda: cheapest_additions(job, unseen, impedances=BENCH))
    loads_s, _ = seconds(lambda: with_loads(job, LOADS_OHM, impedances=BENCH, known=known))
    print(f"  coverage                           {cover_s + more_s + loads_s:7.2f}")
    print(f"    faults, additions, other loads   {cover_s:7.2f} {more_s:7.2f} {loads_s:7.2f}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--job", choices=(*SHIPPED, MATRIX), action="append", help="this job alone")
    for name in parser.parse_args().job or (*SHIPPED, MATRIX):
        measure(name)


if __name__ == "__main__":
    main()
