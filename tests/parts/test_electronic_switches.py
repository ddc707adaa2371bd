"""Electronic switches: contacts without a coil, on from the threshold of their control line up."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from benchmarks.simulated_runs import Bench
from harness.circuit.predict import differential, predict
from harness.errors import JobError
from harness.faults.coverage import cover
from harness.faults.diagnosis import Diagnoser, telling
from harness.job.faults import parse_fault, single_faults, timing_faults
from harness.job.job import Job, load_job
from harness.job.state import IDLE_STATE, State
from harness.plan.build import build_plan
from harness.plan.states import expected_current_a
from simulator.dynamics import OPERATED, RELEASED, Motion, position
from simulator.unit import Damage, build
from tests.jobs import check_of
from tests.parts.box import (
    BENCH,
    agree_with_ngspice,
    agree_with_simulated_units,
    all_at_once_as_one_by_one,
    box,
)

SWITCH = """
[switch_types.jfet]
on_resistance = "30 ohm"
on_resistance_max = "50 ohm"
off_capacitance = "10 pF"
threshold = "4 V"
[[switch]]
names = { left = "Q1", right = "Q2" }
control = "go"
type = "jfet"
contacts = [{ common = "in", operated = "out" }]
"""
GAIN = check_of("gain", within="0.3 dB", silent_ports_below="-40 dB")
ON = State(on=("go",))


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return load_job(box(tmp_path, SWITCH, GAIN))


@pytest.mark.parametrize(("state", "branch_ohm"), [(ON, 30.0), (IDLE_STATE, None)], ids=["on", "off"])
def test_a_switch_is_its_on_resistance_or_its_capacitance(
    job: Job, state: State, branch_ohm: float | None
) -> None:
    """Closed form, of each leg: into 10 kohm beside the scope's megohm and 15 pF."""
    omega = 2 * 3.141592653589793 * 1e3
    setup = job.fixture.setups[1]
    made = predict(job.module, job.fixture, setup, state, frequencies_hz=(1e3, 1e3), impedances=BENCH)
    end = 1 / (1 / 10e3 + 1 / 1e6 + 1j * omega * 15e-12)
    through = branch_ohm if branch_ohm is not None else 1 / (1j * omega * 10e-12)
    assert abs(differential(made.transfer)[0]) == pytest.approx(abs(end / (end + through + 50)), rel=1e-5)
    assert made.live[0] == (branch_ohm is not None)


def test_a_switch_draws_no_current(job: Job) -> None:
    assert expected_current_a(job.module, ON) == pytest.approx(5e-3)  # what is quiescent


def test_harness_simulator_and_ngspice_agree_with_each_fault(job: Job, tmp_path: Path) -> None:
    agree_with_ngspice(job, tmp_path)
    faults = [fault for fault in single_faults(job.module, job.fixture) if fault.kind.startswith("switch")]
    throws = [fault for fault in single_faults(job.module, job.fixture) if fault.kind.startswith("throw")]
    assert agree_with_simulated_units(job, [*faults, *throws]) > 40
    all_at_once_as_one_by_one(job)


def test_a_switch_has_the_faults_of_a_switch_and_none_of_a_coil(job: Job) -> None:
    kinds = {fault.kind for fault in single_faults(job.module, job.fixture) if fault.subject.startswith("Q1")}
    assert kinds == {
        "switch stuck off", "switch stuck on", "throw stuck open", "throw stuck closed", "throw resistance",
    }  # fmt: skip
    assert timing_faults(job.module) == ()


def test_coverage_and_diagnosis_name_a_switch_that_is_stuck(job: Job) -> None:
    plan = build_plan(job, impedances=BENCH)
    seen = {one.fault.name for one in cover(job, plan).seen}
    assert {"Q1 stuck off", "Q1 stuck on", "Q2 stuck off", "Q2 stuck on"} <= seen
    bench = Bench(job, plan, seed=3)
    broken = parse_fault("Q2 stuck on", job.module, job.fixture)
    result = Diagnoser(job, plan, telling(plan, job)).diagnose(
        bench.run("Q-1", broken).evidence, double=False
    )
    assert broken in result.groups[0].fault_sets
    assert bench.run("Q-2", ()).verdict == "pass"


@pytest.mark.parametrize(("volts", "stands"), [(3.9, RELEASED), (4.0, OPERATED), (12.0, OPERATED)])
def test_the_simulated_switch_is_on_from_its_threshold_up(job: Job, volts: float, stands: int) -> None:
    built = build(job.module, "Q-1", Damage())
    relay = job.module.relays[0]
    for controls, wanted in ((frozenset({"go"}), stands), (frozenset(), RELEASED)):
        found = position(relay, built, voltage_v=volts, nominal_v=12.0, controls=controls, now=RELEASED)
        assert found == wanted


def moves(motion: Motion) -> Iterator[tuple[float, int]]:
    return ((instant_s, place) for instant_s, pole, place in motion.changes(0.0, 1.0) if pole == 0)


def test_the_simulated_switch_makes_once_and_does_not_bounce(job: Job) -> None:
    built = build(job.module, "Q-1", Damage())
    motion = Motion(built.timings[0], position=RELEASED, seed=1)
    motion.command(0.1, OPERATED)
    places = [place for _, place in moves(motion)]
    assert places == [0, OPERATED]
    (opened_s, closed_s) = (instant_s for instant_s, _ in moves(motion))
    assert 0.1 < opened_s < closed_s <= 0.1011


WRONG = [
    ('type = "jfet"', 'type = "jfat"', "did you mean jfet?"),
    ('control = "go"', 'control = "goo"', "did you mean go?"),
    ('"4 V"', '"14 V"', "14 V is more than the 12 V of a control line: the switch would never turn on"),
    ('"50 ohm"', '"20 ohm"', "less than on_resistance; expected what a good switch may reach"),
    ('"10 pF"', '"10 ohm"', "expected a capacitance"),
    ('control = "go"\n', "", "switch[1].control: missing"),
]


@pytest.mark.parametrize(("right", "wrong", "message"), WRONG)
def test_a_wrong_switch_is_told(tmp_path: Path, right: str, wrong: str, message: str) -> None:
    with pytest.raises(JobError) as caught:
        load_job(box(tmp_path, SWITCH.replace(right, wrong), GAIN))
    assert message in str(caught.value)
