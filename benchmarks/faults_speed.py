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
from collections.abc import Callable, Sequence, Sized
from functools import partial
from pathlib import Path

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np  # noqa: E402
from numpy.typing import NDArray  # noqa: E402

from harness.circuit.elements import BenchImpedances, Circuit  # noqa: E402
from harness.circuit.expand import build_wiring  # noqa: E402
from harness.circuit.solve import transfer, write_equations  # noqa: E402
from harness.faults.effects import FaultSet, FaultyCircuits  # noqa: E402
from harness.faults.network import Network  # noqa: E402
from harness.faults.signatures import Planner, as_suspects  # noqa: E402
from harness.job.faults import single_faults  # noqa: E402
from harness.job.fixture import Fixture, PortName, Setup, Termination  # noqa: E402
from harness.job.job import load_job  # noqa: E402
from harness.job.module import (  # noqa: E402
    GROUND,
    LEGS,
    Module,
    ModuleSupply,
    Part,
    Pole,
    Port,
    Relay,
    RelayType,
    node_name,
)
from harness.job.state import State, all_states  # noqa: E402

CONTROLS = 10
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
    nets = ["in", *(f"n{number}" for number in range(1, CONTROLS)), "out"]
    for number in range(CONTROLS):
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
                        released=node_name("main", f"wire{number}", leg),
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
                control=f"line{number + 1}",
                set_control=None,
                reset_control=None,
                poles=tuple(poles),
            )
        )
    return Module(
        name="Ten pads",
        part="TEN",
        revision="A",
        channels=("main",),
        supply=ModuleSupply(voltage_v=12.0, limit_a=0.4, quiescent_a=0.0),
        control_names=tuple(f"line{n + 1}" for n in range(CONTROLS)),
        ports=(Port(net="in", role="input"), Port(net="out", role="output")),
        relays=tuple(relays),
        resistors=tuple(parts),
        capacitors=(),
        amplifiers=(),
    )


def its_fixture() -> Fixture:
    setup = Setup(
        name="drive and view",
        through=False,
        drive=PortName(channel="main", net="in"),
        view=(PortName(channel="main", net="in"), PortName(channel="main", net="out")),
        loopbacks=(),
        select=None,
    )
    load = Termination(across_ohm=10e3, leg_ohm=None, tolerance=0.01)
    return Fixture(
        name="Bench", controls={}, loads={"out": load}, undriven_inputs=None, loopbacks={}, setups=(setup,)
    )


def seconds(work: Callable[[], object]) -> float:
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


def inverse_seconds(network: Network, operated: NDArray[np.bool_]) -> float:
    """Numpy's inverse alone, of the stacks that the batch starts from."""
    total_s = 0.0
    for frequency_hz in FREQUENCIES_HZ:
        for start in range(0, len(operated), 128):
            stack = network.matrices(operated[start : start + 128], frequency_hz)
            total_s += seconds(partial(np.linalg.inv, stack))
    return total_s


def sample_of(fault_sets: Sized, states: Sized, count: int) -> list[tuple[int, int]]:
    rng = np.random.default_rng(4)
    return [(int(rng.integers(len(fault_sets))), int(rng.integers(len(states)))) for _ in range(count)]


def dense_seconds(circuits: Sequence[Circuit]) -> float:
    """Mean of numpy's solve alone, for one fault in one state at all frequencies and both drives."""
    total_s = 0.0
    for circuit in circuits:
        equations = write_equations(circuit)
        stack = equations.matrix(FREQUENCIES_HZ)
        drive = np.broadcast_to(equations.source, (len(FREQUENCIES_HZ), *equations.source.shape))
        total_s += seconds(partial(np.linalg.solve, stack, drive))
    return total_s / len(circuits)


def ten_lines(count: int) -> None:
    module, fixture = ten_pads(), its_fixture()
    setup = fixture.setups[0]
    states = all_states(module.control_names)[:count]
    fault_sets = as_suspects(single_faults(module, fixture))
    wiring = build_wiring(module, fixture, setup, BENCH)
    made = {}

    def batch(these: Sequence[State], those: Sequence[FaultSet] = fault_sets) -> None:
        planned = Planner(wiring, module, fixture).plan(these, those)
        for frequency_hz in FREQUENCIES_HZ:
            made[frequency_hz] = planned.transfers(frequency_hz=frequency_hz, columns=[0, 1])

    planned = Planner(wiring, module, fixture).plan(states, fault_sets)
    inverse_s = inverse_seconds(planned.network, planned.positions.operated)
    growth = []
    # Swapped lines lead out of a part of the states, into as many others: they would hide the growth.
    staying = tuple(fault_set for fault_set in fault_sets if fault_set[0].kind != "control lines swapped")
    for size, some in ((8, 1), (4, 1), (2, 1), (1, 8), (1, 4), (1, 2), (1, 1)):
        these, those = states[: count // size], staying[::some]
        growth.append((len(these), len(those), seconds(partial(batch, these, those))))
    batch_s = seconds(lambda: batch(states))
    sample = sample_of(fault_sets, states, 60)
    faulty = FaultyCircuits(module, fixture, BENCH)
    circuits = [faulty.of(fault_sets[row], setup, states[place]) for row, place in sample]
    dense_s, spice_s = dense_seconds(circuits), spice_seconds(circuits[:12])
    worst = max(
        float(np.abs(transfer(circuit, (hz, hz)) - made[hz][1 + row, place]).max())
        for (row, place), circuit in zip(sample, circuits, strict=True)
        for hz in FREQUENCIES_HZ
    )
    cases = len(fault_sets) * len(states)
    results = sum(array.nbytes for array in made.values()) / 2**20
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{CONTROLS} lines, {len(states)} states, {len(fault_sets)} faults, {len(FREQUENCIES_HZ)} "
        f"frequencies; {planned.network.size} unknowns. Processor seconds:"
    )
    print(f"inverse of the base matrices        {inverse_s:8.2f} s")
    print(f"batch, all faults and states        {batch_s:8.2f} s   {batch_s / inverse_s:.2f} x the inverse")
    print(f"one dense solve, without assembly   {dense_s * 1e3:8.2f} ms  {dense_s * cases / batch_s:.0f} x")
    if spice_s is None:
        print("ngspice is not installed")
    else:
        print(
            f"one ngspice case, one drive         {spice_s * 1e3:8.2f} ms  {spice_s * cases / batch_s:.0f} x"
        )
    print(f"largest difference from the dense solves of the sample: {worst:.1e} of an e.m.f.")
    print(f"largest memory of this process: {peak:.0f} MiB, of which results {results:.0f} MiB")
    print_growth(growth)


def print_growth(growth: list[tuple[int, int, float]]) -> None:
    """Doubled states, then doubled faults, and a straight line through all: each state, and each case."""
    print("states  faults   seconds   a straight line has")
    counts = np.array([(states, states * faults) for states, faults, _ in growth], dtype=float)
    took = np.array([each for _, _, each in growth])
    # The same share of each time is left over, so small ones count as much as large ones.
    (state_s, case_s), *_ = np.linalg.lstsq(counts / took[:, None], np.ones(len(took)), rcond=None)
    lines = counts @ np.array([state_s, case_s])
    for (states, faults, took_s), line_s in zip(growth, lines, strict=True):
        print(
            f"{states:6d}  {faults:6d}  {took_s:8.2f}   {line_s:8.2f}   {100 * (took_s / line_s - 1):+.0f} %"
        )
    print(f"line: {1e3 * state_s:.2f} ms a state and {1e6 * case_s:.1f} us a state and fault")


def all_pairs() -> None:
    """Every pair of the two-loop switcher's single faults in eight states of one setup."""
    job = load_job(Path(__file__).resolve().parents[1] / "sequences" / "two_loop_switcher")
    faults = single_faults(job.module, job.fixture)
    pairs = [(fault, other) for index, fault in enumerate(faults) for other in faults[index + 1 :]]
    setup = next(setup for setup in job.fixture.setups if not setup.through)
    wiring = build_wiring(job.module, job.fixture, setup, BENCH)
    states = all_states(job.module.control_names)

    def work() -> None:
        planner = Planner(wiring, job.module, job.fixture)
        planner.plan(states, pairs).transfers(frequency_hz=1e3, columns=[0, 1])

    took_s = seconds(work)
    print(f"two-loop switcher: {len(pairs)} pairs of faults x {len(states)} states in {took_s:.1f} s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--states", type=int, default=1 << CONTROLS)
    asked = parser.parse_args()
    ten_lines(asked.states)
    all_pairs()


if __name__ == "__main__":
    main()
