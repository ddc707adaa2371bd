"""How long the program thinks about a job, and how much of that the quick ways save, in one run.

    python benchmarks/thinking_time.py [--job two_loop_switcher]

Processor seconds of the plan, the coverage and a diagnosis: of the shipped jobs, and of a module of 40 relays
and 12 control lines that is made here, the source matrix of an outside-broadcast rack. Side by side: some
faults with the spread of all parts and strays, by small changes to states that are inverted once and by the
equations of each fault's own circuit. BLAS is held to one thread.
"""

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from benchmarks.faults_speed import SIGNAL
from benchmarks.simulated_runs import Bench
from harness.circuit.elements import BenchImpedances
from harness.circuit.predict import predict_circuit
from harness.circuit.strays import strays_of
from harness.compose.additions import cheapest_additions
from harness.faults.coverage import cover, with_loads
from harness.faults.diagnosis import Diagnoser, telling
from harness.faults.effects import FaultSet, FaultyCircuits
from harness.faults.predictor.fault_predictor import FaultPredictor, bad_contacts, loosened
from harness.job.faults import single_faults
from harness.job.fixture import Fixture, PortName, Setup, Termination
from harness.job.job import Job, load_job
from harness.job.module import GROUND, LEGS, Module, Part, Pole, Port, Relay, node_name
from harness.job.state import single_control_states
from harness.plan.build import build_plan
from harness.plan.draft import KnownPredictions
from harness.plan.model import Plan

SEQUENCES = Path(__file__).resolve().parents[1] / "sequences"
SHIPPED = ("two_loop_switcher", "source_selector", "stepped_attenuator")
MATRIX = "source_matrix"
SOURCES, PADS = 8, 4
LOADS_OHM = (600.0, 20.0)
BENCH = BenchImpedances()
COMPARED = 10  # faults

T = TypeVar("T")


def seconds(work: Callable[[], T]) -> tuple[float, T]:
    start = time.process_time()
    made = work()
    return time.process_time() - start, made


def _relay(name: str, control: str, channel: str, throws: Sequence[tuple[str, str, str]]) -> Relay:
    """throws: of each contact, the nets of common, released and operated."""
    poles = tuple(
        Pole(
            relay=name,
            contact=number,
            channel=channel,
            leg=leg,
            common=node_name(channel, common, leg),
            released=node_name(channel, released, leg),
            operated=node_name(channel, operated, leg),
        )
        for number, (common, released, operated) in enumerate(throws, start=1)
        for leg in LEGS
    )
    return Relay(name=name, type=SIGNAL, control=control, set_control=None, reset_control=None, poles=poles)


def source_matrix(template: Module) -> Module:
    """Eight sources on the programme bus or its preview, then four pads in a row, in two channels."""
    relays: list[Relay] = []
    parts: list[Part] = []
    for channel in ("left", "right"):
        for source in range(1, SOURCES + 1):
            for bus in ("bus", "preview"):
                throw = f"source_{source}", f"idle_{bus}_{source}", bus
                relays.append(_relay(f"K{len(relays) + 1}", f"select_{source}", channel, [throw]))
        nets = ["bus", *(f"step_{pad}" for pad in range(1, PADS)), "programme"]
        for pad in range(PADS):
            near, far, wire = nets[pad], nets[pad + 1], f"wire_{pad}"
            throws = [(near, wire, f"head_{pad}"), (far, wire, f"tail_{pad}")]
            relays.append(_relay(f"K{len(relays) + 1}", f"pad_{pad + 1}", channel, throws))
            for part, a, b, ohm in (
                ("R", f"head_{pad}", f"tail_{pad}", 150.0 * (pad + 1)),
                ("S", f"tail_{pad}", GROUND, 1500.0 * (pad + 1)),
            ):
                parts += [
                    Part(
                        name=f"{part}{pad + 1}{channel[0].upper()}.{leg}",
                        a=node_name(channel, a, leg),
                        b=b if b == GROUND else node_name(channel, b, leg),
                        value=ohm,
                        tolerance=0.01,
                    )
                    for leg in LEGS
                ]
    inputs = tuple(Port(net=f"source_{source}", role="input") for source in range(1, SOURCES + 1))
    outputs = tuple(Port(net=net, role="output") for net in ("programme", "preview"))
    return replace(
        template,
        name="Source matrix",
        part="MATRIX",
        channels=("left", "right"),
        supply=replace(template.supply, limit_a=0.4),
        control_names=(
            *(f"select_{source}" for source in range(1, SOURCES + 1)),
            *(f"pad_{pad}" for pad in range(1, PADS + 1)),
        ),
        ports=(*inputs, *outputs),
        relays=tuple(relays),
        resistors=tuple(parts),
        capacitors=(),
        amplifiers=(),
        transformers=(),
        links=(),
        inductors=(),
    )


def matrix_job() -> Job:
    """Gain and polarity of both outputs, with each control line by itself and each source before each pad."""
    template = load_job(SEQUENCES / "two_loop_switcher")
    module = source_matrix(template.module)

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
    more_s, _ = seconds(lambda: cheapest_additions(job, unseen, impedances=BENCH, known=known))
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
