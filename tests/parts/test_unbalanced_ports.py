"""Ports whose cold is the ground: a domestic recorder's input and output on a balanced rack."""

from pathlib import Path

import pytest

from benchmarks.simulated_runs import Bench
from harness.circuit.predict import differential, predict
from harness.errors import JobError
from harness.faults.coverage import cover
from harness.job.faults import single_faults
from harness.job.job import Job, load_job
from harness.job.state import IDLE_STATE
from harness.plan.build import build_plan
from tests.jobs import check_of
from tests.parts.box import (
    BENCH,
    MICRO_OHMS,
    agree_with_ngspice,
    agree_with_simulated_units,
    all_at_once_as_one_by_one,
    box,
    mute,
)

PORTS = 'in = "input"\nout = { role = "output", unbalanced = true }'
DIVIDER = """
[[resistor]]
names = { left = "R1", right = "R2" }
series = ["in", "out"]
value = "1 kohm"
tolerance = "0.1 %"
leg = "hot"
[[resistor]]
names = { left = "R3", right = "R4" }
to_ground = "in"
value = "10 kohm"
leg = "cold"
"""
GAIN = check_of("gain", within="0.2 dB", silent_ports_below="-40 dB")


def job_of(folder: Path, *checks: str, parts: str = DIVIDER, ports: str = PORTS) -> Job:
    relays = mute(("left", "right")).replace('"ground"', '"ground", leg = "hot"')
    return load_job(box(folder, parts + relays, *(checks or (GAIN,)), ports=ports))


def test_the_hot_leg_alone_carries_what_half_of_the_drive_gives(tmp_path: Path) -> None:
    """Closed form: 50 ohm and 1 kohm before 10 kohm beside the scope's megohm, from half of the e.m.f."""
    job = job_of(tmp_path)
    setup = job.fixture.setups[1]
    made = predict(job.module, job.fixture, setup, IDLE_STATE, frequencies_hz=(1e3, 1e3), impedances=BENCH)
    end_ohm = 1 / (1 / 10e3 + 1 / 1e6)
    level = abs(complex(differential(made.transfer)[0]))
    assert level == pytest.approx(end_ohm / (end_ohm + 1050) / 2, rel=1e-5)
    assert abs(made.transfer[1]).max() < 1e-7
    assert made.live[0]


def test_no_leg_that_is_ground_is_missed_in_the_module(tmp_path: Path) -> None:
    with pytest.raises(JobError, match=r"nothing in the module is connected to left\.out\.cold"):
        job_of(tmp_path, ports='in = "input"\nout = "output"')


def test_a_link_to_ground_makes_the_same_port(tmp_path: Path) -> None:
    links = '[[link]]\nnames = { left = "J1", right = "J2" }\nto_ground = "out"\nleg = "cold"\n'
    job = job_of(tmp_path, parts=DIVIDER + links, ports='in = "input"\nout = "output"')
    assert {link.b for link in job.module.links} == {"ground"}


def test_harness_simulator_and_ngspice_agree(tmp_path: Path) -> None:
    job = job_of(tmp_path)
    agree_with_ngspice(job, tmp_path, nothing=MICRO_OHMS)
    faults = [f for f in single_faults(job.module, job.fixture) if f.kind.startswith(("leg", "part"))]
    assert agree_with_simulated_units(job, faults) > 40
    all_at_once_as_one_by_one(job)


def test_what_is_ground_already_is_no_fault(tmp_path: Path) -> None:
    job = job_of(tmp_path)
    names = {fault.name for fault in single_faults(job.module, job.fixture)}
    assert {"left.out.hot grounded", "left.out.cold open", "left.in.cold grounded"} <= names
    assert names.isdisjoint({"left.out.cold grounded", "left.out legs shorted", "out.cold bridged"})


def test_a_good_unit_passes_and_coverage_sees_a_grounded_hot_leg(tmp_path: Path) -> None:
    job = job_of(tmp_path)
    plan = build_plan(job, impedances=BENCH)
    assert Bench(job, plan, seed=2).run("U-1", ()).verdict == "pass"
    assert "left.out.hot grounded" in {one.fault.name for one in cover(job, plan).seen}


@pytest.mark.parametrize(
    ("quantity", "limit"),
    [
        ("leg_gain_difference", {"within": "1 dB"}),
        ("leg_phase_error", {"within": "1 deg"}),
        ("contact_resistance", {"below": "1 ohm"}),
    ],
)
def test_what_is_of_both_legs_is_refused_where_one_is_ground(
    tmp_path: Path, quantity: str, limit: dict[str, str]
) -> None:
    with pytest.raises(JobError, match="out is unbalanced, its cold is the ground; expected a balanced port"):
        job_of(tmp_path, check_of(quantity, **limit))


def test_an_unbalanced_source_has_a_phase_and_a_polarity(tmp_path: Path) -> None:
    """The generator's cold output drives the ground: the hot one alone tells in which phase the drive is."""
    transformer = """
[[transformer]]
name = "T1"
from = "in.hot"
to = "out"
ratio = "1:1"
primary_resistance = "50 ohm"
secondary_resistance = "50 ohm"
magnetising_inductance = "10 H"
inverting = INVERTS
"""
    phase = check_of("phase", within="5 deg", states=["idle"])
    polarity = check_of("polarity", states=["idle"])
    for inverts in ("false", "true"):
        parts = transformer.replace("INVERTS", inverts) + mute(("left",))
        ports = 'in = { role = "input", unbalanced = true }\nout = "output"'
        job = load_job(box(tmp_path, parts, phase, polarity, channels=("left",), ports=ports))
        plan = build_plan(job, impedances=BENCH)
        assert Bench(job, plan, seed=5).run("P-1", ()).verdict == "pass"


WRONG = [
    ("unbalanced = true", 'unbalanced = "yes"', "unbalanced"),
    ('role = "output"', 'role = "ouput"', "did you mean output?"),
    ('role = "output", ', "", "role"),
]


@pytest.mark.parametrize(("right", "wrong", "message"), WRONG)
def test_a_wrong_port_is_told(tmp_path: Path, right: str, wrong: str, message: str) -> None:
    with pytest.raises(JobError) as caught:
        job_of(tmp_path, ports=PORTS.replace(right, wrong))
    assert "ports.out" in str(caught.value)
    assert message in str(caught.value)
