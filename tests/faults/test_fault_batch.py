"""All faults in all states at once must be what one dense solve each gives, and hold for any contact."""

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from harness.arrays import Complex, Floats
from harness.circuit.elements import BenchImpedances, Circuit
from harness.circuit.expand import build_wiring
from harness.circuit.solve import LEAK_S
from harness.errors import CircuitError
from harness.faults.effects import FaultSet, FaultyCircuits
from harness.faults.signatures import Planner, as_suspects, batch_transfers, plain_transfers, signatures
from harness.job.faults import Fault, single_faults
from harness.job.fixture import Fixture
from harness.job.job import Job, load_job
from harness.job.module import GROUND, Amplifier, Module
from harness.job.sequence import Check, Tone
from harness.job.state import State, all_states
from harness.plan.build import build_plan
from harness.quantities.registry import QUANTITIES
from tests.circuit import boards, spice

SEQUENCES = Path(__file__).parents[2] / "sequences"
BENCH = BenchImpedances()
AGREED = 1e-9  # of an e.m.f.


def small(name: str, states: Iterable[State] | None = None) -> Job:
    """A job with one check at one frequency, in some of its states."""
    job = load_job(SEQUENCES / name)
    tone = Tone(frequency_hz=1e3, level_vrms=1.0)
    port = next(port.net for port in job.module.ports if port.role == "output")
    check = Check(
        name="gain",
        quantity=QUANTITIES["gain"],
        at=(port,),
        tone=tone,
        limit=job.sequence.checks[0].limit,
        options=QUANTITIES["gain"].options(),
    )
    kept = states or job.sequence.states
    return replace(job, sequence=replace(job.sequence, checks=(check,), states=tuple(kept)))


@pytest.mark.parametrize("name", ["two_loop_switcher", "source_selector", "stepped_attenuator"])
def test_the_batch_is_the_plain_loop_for_every_kind_of_fault(name: str) -> None:
    job = small(name)
    job = replace(job, sequence=replace(job.sequence, states=job.sequence.states[1:9:4]))
    plan = build_plan(job, impedances=BENCH)
    faults = single_faults(job.module, job.fixture)
    of_a_kind = {fault.kind: fault for fault in faults}
    fault_sets = as_suspects([(), *faults[::7], *of_a_kind.values()])
    plain = plain_transfers(job, plan, fault_sets)
    np.testing.assert_allclose(batch_transfers(job, plan, fault_sets), plain, rtol=0, atol=AGREED)
    np.testing.assert_allclose(plain[0], signatures(job, plan, []).good, atol=1e-12)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_batch_is_the_plain_loop_for_combinations(seed: int) -> None:
    job = small("two_loop_switcher", [State(on=("loop_a", "swap")), State(on=("loop_b",))])
    plan = build_plan(job, impedances=BENCH)
    faults = single_faults(job.module, job.fixture)
    rng = np.random.default_rng(seed)
    fault_sets = [tuple(faults[i] for i in rng.choice(len(faults), 2, replace=False)) for _ in range(40)]
    plugs = [fault for fault in faults if fault.kind.startswith("loopback") and fault.subject == "pad_a"]
    fault_sets += [
        (plug, other) for plug in plugs for other in plugs if plug is not other
    ]  # both in one plug
    np.testing.assert_allclose(
        batch_transfers(job, plan, fault_sets),
        plain_transfers(job, plan, fault_sets),
        rtol=0,
        atol=AGREED,
    )


def test_an_executor_changes_nothing() -> None:
    job = small("two_loop_switcher")
    plan = build_plan(job, impedances=BENCH)
    fault_sets = as_suspects(single_faults(job.module, job.fixture))
    alone = batch_transfers(job, plan, fault_sets)
    with ThreadPoolExecutor(2) as executor:
        shared = batch_transfers(job, plan, fault_sets, executor=executor)
    assert np.array_equal(alone, shared)


def chain(contact_ohm: float, leak_ohm: float) -> tuple[Module, Fixture]:
    """A contact that feeds nothing but `leak_ohm`, with no capacitance anywhere."""
    relay = boards.change_over("K1", "go", "out", "in", None)
    relay = replace(relay, type=replace(relay.type, contact_ohm=contact_ohm, off_capacitance_f=0.0))
    module = boards.module(controls=("go",), relays=[relay])
    fixture = boards.fixture(boards.setup(), loads={"out": boards.each_leg(leak_ohm)})
    return module, fixture


def exact(circuit: Circuit) -> Floats:
    """Volts at the viewed legs by nodal analysis in fractions: nothing is ever rounded."""
    nodes: dict[str, int] = {}
    for element in circuit.elements:
        for node in (element.a, element.b):
            if node != GROUND:
                nodes.setdefault(node, len(nodes))
    size = len(nodes)
    matrix = [[Fraction(0)] * size for _ in range(size)]
    right = [[Fraction(0)] * 2 for _ in range(size)]
    for place in range(size):
        matrix[place][place] += Fraction(LEAK_S)
    for element in circuit.elements:
        if element.resistance_ohm is None:
            continue
        y = 1 / Fraction(element.resistance_ohm)
        a, b = nodes.get(element.a), nodes.get(element.b)
        for one, other in ((a, b), (b, a)):
            if one is not None:
                matrix[one][one] += y
                if other is not None:
                    matrix[one][other] -= y
    for column, leg in enumerate(circuit.generator):
        y = 1 / Fraction(leg.output_ohm)
        matrix[nodes[leg.node]][nodes[leg.node]] += y
        right[nodes[leg.node]][column] += y
    for pivot in range(size):
        for row in range(pivot + 1, size):
            factor = matrix[row][pivot] / matrix[pivot][pivot]
            if factor:
                matrix[row] = [x - factor * p for x, p in zip(matrix[row], matrix[pivot], strict=True)]
                right[row] = [x - factor * p for x, p in zip(right[row], right[pivot], strict=True)]
    volts = [[Fraction(0)] * 2 for _ in range(size)]
    for row in reversed(range(size)):
        for column in (0, 1):
            known = sum(matrix[row][k] * volts[k][column] for k in range(row + 1, size))
            volts[row][column] = (right[row][column] - known) / matrix[row][row]
    return np.array([[float(volts[nodes[node]][column]) for column in (0, 1)] for node in circuit.view])


def of_batch(
    module: Module, fixture: Fixture, fault_set: FaultSet, state: State, bench: BenchImpedances
) -> Complex:
    wiring = build_wiring(module, fixture, fixture.setups[0], bench)
    batch = Planner(wiring, module, fixture).plan([state], [fault_set])
    return np.asarray(batch.transfers(frequency_hz=1e3, columns=[0, 1])[1, 0])


@pytest.mark.parametrize("siemens", [1e-12, 1e-9, 1e-6, 1e-3, 1.0, 20.0, 50.0])
@pytest.mark.parametrize("leak_ohm", [600.0, 1e9, 1e12])
@pytest.mark.parametrize("good_siemens", [50.0, 20.0, 1e-3])
def test_a_contact_of_any_conductance_before_any_leak_keeps_its_digits(
    siemens: float, leak_ohm: float, good_siemens: float
) -> None:
    """Against exact arithmetic: to nine digits, and of what is faint to 1e-13 of an e.m.f. (-260 dB).

    x' is the fault-free circuit's volts less a correction: what is left of one e.m.f. has a double's last
    digit.
    """
    module, fixture = chain(1 / good_siemens, leak_ohm)
    bench = BenchImpedances(input_ohm=1e12, input_f=0.0)
    fault = Fault(kind="throw resistance", subject="K1.1.hot", throw="released", resistance_ohm=1 / siemens)
    state = State(on=())
    wanted = exact(FaultyCircuits(module, fixture, bench).of((fault,), fixture.setups[0], state))
    result = of_batch(module, fixture, (fault,), state, bench)
    np.testing.assert_allclose(result.real, wanted, rtol=1e-9, atol=1e-13)


@pytest.mark.parametrize("leak_ohm", [1e6, 1e9, 1e12])
def test_stuck_open_in_series_with_a_leak_agrees_with_ngspice(leak_ohm: float, tmp_path: Path) -> None:
    """The open contact's picofarad against giga-ohms. The netlist has no joints: micro-ohms are more than
    ngspice's own nodal analysis can hold beside 1e-12 S.
    """
    relay = boards.change_over("K1", "go", "out", "in", None)
    module = boards.module(controls=("go",), relays=[relay])
    fixture = boards.fixture(boards.setup(), loads={"out": boards.each_leg(leak_ohm)})
    bench = BenchImpedances(input_ohm=1e12, input_f=0.0)
    fault = Fault(kind="throw stuck open", subject="K1.1.hot", throw="released")
    lines = [("C", "in.hot", "out.hot", "1e-12"), ("R", "in.cold", "out.cold", "0.05")]
    for leg in ("hot", "cold"):
        lines.append(("R", f"out.{leg}", GROUND, repr(leak_ohm)))
        lines.append(("R", f"out.{leg}", GROUND, "1e12"))  # the scope
        lines += [("R", f"{net}.{leg}", GROUND, "1e12") for net in ("in", "out")]  # the pins' own leaks
    block = spice.Block(
        lines=tuple(lines), drive=("in.hot", "in.cold"), source_ohm=50.0, view=("out.hot", "out.cold")
    )
    theirs = spice.transfers([block], (1e3,), tmp_path)[0][0]
    result = of_batch(module, fixture, (fault,), State(on=()), bench)
    np.testing.assert_allclose(result, theirs, rtol=1e-6, atol=1e-12)


def test_a_suspect_that_changes_nothing_costs_nothing() -> None:
    job = small("two_loop_switcher")
    setup = next(h for h in job.fixture.setups if not h.through)
    wiring = build_wiring(job.module, job.fixture, setup, BENCH)
    states = all_states(job.module.control_names)
    fault_sets = as_suspects(single_faults(job.module, job.fixture))
    batch = Planner(wiring, job.module, job.fixture).plan(states, fault_sets)
    solved = sum(len(work.positions) for work in batch.works)
    assert solved < 0.7 * len(fault_sets) * len(states)


def test_a_circuit_without_a_solution_is_no_number() -> None:
    """Two followers in a ring, as in tests/circuit: any volts at all would satisfy it."""
    ring = [
        Amplifier(
            name=name,
            channel="left",
            from_net=near,
            to_net=far,
            gain=1.0,
            input_ohm=1e4,
            output_ohm=0.0,
            common_mode_rejection_db=None,
        )
        for name, near, far in (("U1", "ring", "back"), ("U2", "back", "ring"))
    ]
    resistors = boards.in_series("R1", "in", "ring", 1e3)
    module = boards.module(controls=("go",), amplifiers=ring, resistors=resistors)
    fixture = boards.fixture(boards.setup(view=("left.in",)))
    with pytest.raises(CircuitError, match="no solution"):
        of_batch(module, fixture, (Fault(kind="part open", subject="R1.hot"),), State(on=()), BENCH)


def test_a_fault_that_leaves_no_solution_is_named_with_the_net() -> None:
    job = small("two_loop_switcher", [State(on=())])
    plan = build_plan(job, impedances=BENCH)
    ring = [
        Amplifier(
            name=name,
            channel="left",
            from_net=near,
            to_net=far,
            gain=1.0,
            input_ohm=1e4,
            output_ohm=0.0,
            common_mode_rejection_db=None,
        )
        for name, near, far in (("U1", "out", "back"), ("U2", "back", "out"))
    ]
    fed_back = replace(job, module=replace(job.module, amplifiers=tuple(ring)))
    with pytest.raises(CircuitError, match=r"with left\.in\.hot open: .*nothing settles the volts of left\."):
        batch_transfers(fed_back, plan, [(Fault(kind="leg open", subject="in", channel="left", leg="hot"),)])
