"""A monitor panel that has one of each: what each solver makes of them side by side."""

from pathlib import Path

import pytest

from harness.job.faults import single_faults
from harness.job.job import Job, load_job
from harness.plan.build import build_plan
from tests.jobs import check_of
from tests.parts.box import (
    BENCH,
    MICRO_OHMS,
    agree_with_ngspice,
    agree_with_simulated_units,
    all_at_once_as_one_by_one,
    box,
)

PANEL = """
[switch_types.jfet]
on_resistance = "30 ohm"
off_capacitance = "10 pF"
threshold = "4 V"
[[relay]]
names = { left = "K1", right = "K2" }
control = "mono"
type = "signal"
contacts = [{ common = "out", operated = "sum" }]
[[switch]]
names = { left = "Q1", right = "Q2" }
control = "direct"
type = "jfet"
contacts = [{ common = "in", operated = "choked" }]
[[resistor]]
names = { left = "R1", right = "R2" }
series = ["in", "out"]
value = "1 kohm"
[[resistor]]
name = "R3"
series = ["left.sum", "right.sum"]
value = "470 ohm"
[[inductor]]
names = { left = "L1", right = "L2" }
series = ["choked", "out"]
value = "1 mH"
resistance = "1 ohm"
[[link]]
name = "J1"
channel = "right"
series = ["out", "meter_in"]
[[amplifier]]
name = "U1"
channel = "right"
from = "meter_in"
to = "meter"
gain = "6 dB"
input_impedance = "10 kohm"
output_impedance = "100 ohm"
tolerance = "1 %"
maximum_output = "+22 dBu"
[[transformer]]
name = "T1"
channel = "left"
from = "out"
to = "tape.hot"
ratio = "2:1"
primary_resistance = "90 ohm"
secondary_resistance = "45 ohm"
magnetising_inductance = "10 H"
leakage_inductance = "5 mH"
"""
PORTS = """in = "input"
out = "output"
meter = { role = "output", channels = ["right"] }
tape = { role = "output", channels = ["left"], unbalanced = true }"""
CONTROLS = 'mono = "Mono"\ndirect = "Past the resistors"'


@pytest.fixture
def panel(tmp_path: Path) -> Job:
    gain = check_of("gain", within="0.5 dB")
    return load_job(box(tmp_path, PANEL, gain, ports=PORTS, controls=CONTROLS))


def test_it_is_planned_in_all_states(panel: Job) -> None:
    plan = build_plan(panel, impedances=BENCH)
    assert {one.measurand.state for one in plan.readings} == {"idle", "mono", "direct", "mono+direct"}


def test_ngspice_agrees_in_all_states(panel: Job, tmp_path: Path) -> None:
    agree_with_ngspice(panel, tmp_path, nothing=MICRO_OHMS)


def test_every_fault_is_the_same_all_at_once_and_one_by_one(panel: Job) -> None:
    assert len(all_at_once_as_one_by_one(panel)) > 100


def test_the_simulated_unit_has_the_faults_of_its_parts_alike(panel: Job) -> None:
    faults = [
        fault
        for fault in single_faults(panel.module, panel.fixture)
        if fault.kind.startswith(("part", "winding", "switch", "throw"))
    ]
    assert agree_with_simulated_units(panel, faults, within=0.03) > 200
