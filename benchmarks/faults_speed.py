"""How fast all faults of a ten-line module are predicted, as ratios taken in one run.

    python benchmarks/faults_speed.py [--states 1024]

The module is made here: ten pads in a row, each with a relay that puts both its ends in or out of the line.
Compared are the batch, numpy's inverse of the very matrices that it starts from, one dense solve for each
fault and state (on a sample), and ngspice (on a sample). BLAS is held to one thread, as all the rest is.
"""

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from harness.circuit.elements import BenchImpedances, Circuit
from harness.circuit.expand import build_circuit, build_wiring
from harness.circuit.solve import write_equations
from harness.circuit.transfer import transfer
from harness.descriptions.faults import single_faults
from harness.descriptions.fixture import Fixture, Hookup, PortName, Termination
from harness.descriptions.load import load_job
from harness.descriptions.module import (
    GROUND,
    LEGS,
    Line,
    Module,
    ModuleSupply,
    Part,
    Pole,
    Port,
    Relay,
    RelayType,
    node_name,
)
from harness.descriptions.state import all_states
from harness.faults.effects import with_fault
from harness.faults.signatures import as_suspects
from harness.faults.suspects import plan_batch

LINES = 10
FREQUENCIES_HZ = (20.0, 1e3, 20e3)
BENCH = BenchImpedances()
SIGNAL = RelayType(
    name="signal",
    coil_ohm=1028.0,
    contact_ohm=0.05,
    contact_max_ohm=0.1,
    operate_max_s=4e-3,
    release_max_s=4e-3,
    bounce_max_s=3e-3,
    off_capacitance_f=1e-12,
)


def ten_pads() -> Module:
    """One channel; pad n lies between the nets n and n+1, or a wire does while its relay rests."""
    relays, parts = [], []
    nets = ["in", *(f"n{number}" for number in range(1, LINES)), "out"]
    for number in range(LINES):
        name = f"K{number + 1}"
        poles = []
        for contact, (net, end) in enumerate(((nets[number], "head"), (nets[number + 1], "tail")), start=1):
            for leg in LEGS:
                poles.append(
                    Pole(
                        relay=name,
                        contact=contact,
                        channel="main",
                        leg=leg,
                        common=node_name("main", net, leg),
                        rest=node_name("main", f"wire{number}", leg),
                        operated=node_name("main", f"{end}{number}", leg),
                    )
                )
        for part, a, b, ohm in (
            ("R", f"head{number}", f"tail{number}", 20.0 * (number + 1)),
            ("S", f"tail{number}", GROUND, 1500.0 * (number + 1)),
        ):
            parts += [
                Part(
                    name=f"{part}{number + 1}.{leg}",
                    a=node_name("main", a, leg),
                    b=node_name("main", b, leg),
                    value=ohm,
                    tolerance=0.01,
                )
                for leg in LEGS
            ]
        relays.append(
            Relay(
                name=name,
                type=SIGNAL,
                line=f"line{number + 1}",
                set_line=None,
                reset_line=None,
                poles=tuple(poles),
            )
        )
    return Module(
        name="Ten pads",
        part="TEN",
        revision="A",
        channels=("main",),
        supply=ModuleSupply(voltage_v=12.0, limit_a=0.4, quiescent_a=0.0),
        lines=tuple(Line(name=f"line{n + 1}", title=f"pad {n + 1}") for n in range(LINES)),
        ports=(Port(net="in", role="input"), Port(net="out", role="output")),
        relays=tuple(relays),
        resistors=tuple(parts),
        capacitors=(),
        amplifiers=(),
    )


def its_fixture() -> Fixture:
    hookup = Hookup(
        name="drive and view",
        through=False,
        drive=PortName(channel="main", net="in"),
        view=(PortName(channel="main", net="in"), PortName(channel="main", net="out")),
        links=(),
        select=None,
    )
    load = Termination(across_ohm=10e3, leg_ohm=None, tolerance=0.01)
    return Fixture(
        name="Bench", lines={}, loads={"out": load}, undriven_inputs=None, links={}, hookups=(hookup,)
    )


def seconds(work) -> float:
    """Processor time: what else the machine does meanwhile counts for nothing."""
    start = time.process_time()
    work()
    return time.process_time() - start


def netlist(circuit: Circuit) -> str:
    """One case for ngspice, driven at hot: the same elements, leaks included."""
    nodes: dict[str, str] = {GROUND: "0"}
    cards = []
    for count, element in enumerate(circuit.elements):
        a, b = (nodes.setdefault(node, f"n{len(nodes)}") for node in (element.a, element.b))
        if element.resistance_ohm is not None:
            cards.append(f"R{count} {a} {b} {element.resistance_ohm!r}")
        if element.capacitance_f:
            cards.append(f"C{count} {a} {b} {element.capacitance_f!r}")
    for column, leg in enumerate(circuit.generator):
        cards.append(f"V{column} e{column} 0 DC 0 AC {1 - column}")
        cards.append(f"Rs{column} e{column} {nodes[leg.node]} {leg.output_ohm!r}")
    cards += [f"Rl{node} {node} 0 1e12" for node in nodes.values() if node != "0"]
    viewed = " ".join(f"v({nodes[node]})" for node in circuit.view)
    points = "\n".join(f"ac lin 1 {f} {f}\nprint {viewed}" for f in FREQUENCIES_HZ)
    return "case\n" + "\n".join(cards) + f"\n.control\n{points}\nquit 0\n.endc\n.end\n"


def spice_seconds(circuits: list[Circuit]) -> float | None:
    """Mean of one ngspice run for one fault in one state at all frequencies and one drive."""
    program = shutil.which("ngspice")
    if program is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "case.cir"
        start = sum(resource.getrusage(resource.RUSAGE_CHILDREN)[:2])
        for circuit in circuits:
            path.write_text(netlist(circuit))
            subprocess.run([program, "-b", str(path)], check=True, capture_output=True)
        return (sum(resource.getrusage(resource.RUSAGE_CHILDREN)[:2]) - start) / len(circuits)


def ten_lines(count: int) -> None:
    module, fixture = ten_pads(), its_fixture()
    hookup = fixture.hookups[0]
    states = all_states(module.line_names)[:count]
    suspects = as_suspects(single_faults(module, fixture))
    wiring = build_wiring(module, fixture, hookup, BENCH)
    batch = plan_batch(wiring, module, fixture, states, suspects)
    operated = batch.positions.operated
    print(
        f"{LINES} lines, {len(states)} states, {len(suspects)} faults, {len(FREQUENCIES_HZ)} frequencies; "
        f"{batch.network.size} unknowns"
    )

    def inverses() -> None:
        for frequency_hz in FREQUENCIES_HZ:
            for start in range(0, len(operated), 128):
                stack = batch.network.matrices(operated[start : start + 128], frequency_hz)
                nonlocal_time[0] += seconds(lambda stack=stack: np.linalg.inv(stack))

    nonlocal_time = [0.0]
    inverses()
    inverse_s = nonlocal_time[0]
    made = {}

    def whole() -> None:
        fresh = plan_batch(wiring, module, fixture, states, suspects)
        for frequency_hz in FREQUENCIES_HZ:
            made[frequency_hz] = fresh.transfers(frequency_hz=frequency_hz, columns=[0, 1])

    batch_s = seconds(whole)
    half_s = seconds(
        lambda: [
            plan_batch(wiring, module, fixture, states[: count // 2], suspects).transfers(
                frequency_hz=frequency_hz, columns=[0, 1]
            )
            for frequency_hz in FREQUENCIES_HZ
        ]
    )
    rng = np.random.default_rng(4)
    sample = [
        (int(row), int(place))
        for row, place in zip(
            rng.integers(len(suspects), size=60), rng.integers(len(states), size=60), strict=True
        )
    ]
    circuits = [
        with_fault(
            build_circuit(module, fixture, hookup, states[place], BENCH),
            suspects[row],
            module=module,
            fixture=fixture,
            state=states[place],
        )
        for row, place in sample
    ]
    written = [write_equations(circuit) for circuit in circuits]
    stacks = [equations.matrix(FREQUENCIES_HZ) for equations in written]
    solve_s = sum(
        seconds(
            lambda e=equations, m=stack: np.linalg.solve(m, np.broadcast_to(e.source, (3, *e.source.shape)))
        )
        for equations, stack in zip(written, stacks, strict=True)
    ) / len(sample)
    worst = 0.0
    for (row, place), circuit in zip(sample, circuits, strict=True):
        for frequency_hz in FREQUENCIES_HZ:
            plain = transfer(circuit, (frequency_hz, frequency_hz))
            worst = max(worst, float(np.abs(plain - made[frequency_hz][1 + row, place]).max()))
    cases = len(suspects) * len(states)
    ordinary = write_equations(build_circuit(module, fixture, hookup, states[-1], BENCH))
    stack = ordinary.matrix(FREQUENCIES_HZ[:1] * 60)
    ordinary_s = seconds(lambda: np.linalg.inv(stack)) / 60 * len(operated) * len(FREQUENCIES_HZ)
    print(f"inverse of the base matrices       {inverse_s:8.2f} s")
    print(f"inverse of the ordinary matrices   {ordinary_s:8.2f} s  ({ordinary.size} unknowns, from 60)")
    print(f"batch, all faults and states       {batch_s:8.2f} s  {batch_s / inverse_s:.2f} x the inverse")
    print(f"batch, half of the states          {half_s:8.2f} s  {batch_s / half_s:.2f} x for twice as many")
    print(
        f"one dense solve (without assembly) {solve_s * 1e6:8.1f} us  batch is {solve_s * cases / batch_s:.0f} x as fast"
    )
    spice_s = spice_seconds(circuits[:12])
    if spice_s is None:
        print("ngspice is not installed")
    else:
        print(
            f"one ngspice case, one drive        {spice_s * 1e3:8.1f} ms  batch is {spice_s * cases / batch_s:.0f} x as fast"
        )
    print(f"largest difference from the dense solves of the sample {worst:.1e}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"largest memory of this process {peak:.0f} MiB, results of {sum(m.nbytes for m in made.values()) / 2**20:.0f} MiB included"
    )


def all_pairs() -> None:
    """Every pair of the two-loop switcher's single faults in eight states of one hookup."""
    job = load_job(Path(__file__).resolve().parents[1] / "sequences" / "two_loop_switcher")
    faults = single_faults(job.module, job.fixture)
    pairs = [(one, other) for place, one in enumerate(faults) for other in faults[place + 1 :]]
    hookup = next(hookup for hookup in job.fixture.hookups if not hookup.through)
    wiring = build_wiring(job.module, job.fixture, hookup, BENCH)
    states = all_states(job.module.line_names)

    def work() -> None:
        plan_batch(wiring, job.module, job.fixture, states, pairs).transfers(frequency_hz=1e3, columns=[0, 1])

    took_s = seconds(work)
    print(f"two-loop switcher: {len(pairs)} pairs of faults x {len(states)} states in {took_s:.1f} s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--states", type=int, default=1 << LINES)
    asked = parser.parse_args()
    ten_lines(asked.states)
    all_pairs()


if __name__ == "__main__":
    main()
