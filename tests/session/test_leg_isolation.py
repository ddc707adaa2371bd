"""A port that should be silent, judged leg by leg: one contact that is stuck in one leg of a muted output."""

import math
from pathlib import Path

import numpy as np
import pytest

from harness.circuit.elements import BenchImpedances
from harness.faults.coverage import hard_faults, judge_faults
from harness.job.job import load_job
from harness.measure.budget import Component
from harness.measure.transfer import Transfer
from harness.plan.build import build_plan
from harness.quantities.levels import open_leg_db
from harness.records.store import open_records
from tests.cli.commands import switchwalk
from tests.jobs import SHIPPED, check_of, sequence
from tests.measure.measured import View, measured

STUCK = "K1.1.hot released stuck closed"
MODULE = """
[module]
name = "Mute in series"
channels = ["left"]

[supply]
voltage = "12 V"
limit = "200 mA"

[controls]
mute = "Opens both legs of the output"

[ports]
in = "input"
out = "output"

[relay_types.signal]
coil = "1028 ohm"
contact = "50 mohm"
contact_max = "100 mohm"

[[relay]]
name = "K1"
control = "mute"
type = "signal"
contacts = [{ common = "out", released = "in" }]
"""
FIXTURE = """
[fixture]
name = "A load that floats"

[controls]
mute = 1

[loads]
out = "10 kohm"

[[setup]]
name = "through reference"
through = true
select = [5]

[[setup]]
name = "drive, view both ends"
drive = "left.in"
view = ["left.in", "left.out"]
select = [6]
"""
GAIN = check_of("gain", within="0.2 dB", silent_ports_below="-80 dB")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A job whose output is muted by two series contacts, its load between the legs alone."""
    folder = tmp_path / "job"
    folder.mkdir()
    (folder / "module.toml").write_text(MODULE, encoding="utf-8")
    (folder / "fixture.toml").write_text(FIXTURE, encoding="utf-8")
    (folder / "sequence.toml").write_text(sequence(GAIN, states=["idle", "mute"]), encoding="utf-8")
    (folder / "bench.toml").write_bytes((SHIPPED / "source_selector" / "bench.toml").read_bytes())
    return folder


def test_a_leg_that_both_show_is_six_decibels_down_and_the_difference_a_floor() -> None:
    """½(1 - 0) of the e.m.f. on either leg; between them only what the inputs' gains of 2 % leave."""
    values = np.array([[1.0, 0.0], [1.0, 0.0]], dtype=np.complex128)
    parts = tuple(
        Component(
            name="input gain", source=f"gain of input {row}", delta=values * np.eye(2)[row][:, None] * 0.02
        )
        for row in (0, 1)
    )
    port = View(
        transfer=Transfer(values=values, components=parts, phase_known=True, polarity_known=True),
        hot=0,
        cold=1,
    )
    leg, both = (measured(name, [port.look()]) for name in ("leg_isolation", "isolation"))
    assert leg.value == pytest.approx(20 * math.log10(0.5))
    assert not leg.floor
    assert both.floor
    assert both.value > -40


def test_an_open_contact_may_bring_a_leg_to_fifty_decibels_down_at_one_kilohertz() -> None:
    """1 pF into 1 Mohm: ½ 2π f R C, closed form, 6.02 dB more an octave."""
    assert open_leg_db(1e3) == pytest.approx(-50.06, abs=0.01)
    assert open_leg_db(2e3) - open_leg_db(1e3) == pytest.approx(6.02, abs=0.01)


def test_a_gain_checks_silent_ports_are_judged_leg_by_leg_too(folder: Path) -> None:
    plan = build_plan(load_job(folder), impedances=BenchImpedances())
    silent = [reading for reading in plan.readings if reading.measurand.state == "mute"]
    assert [(one.quantity.name, one.measurand.port) for one in silent] == [
        ("isolation", "out"), ("leg_isolation", "out.hot"), ("leg_isolation", "out.cold"),
    ]  # fmt: skip
    assert len({one.captures for one in silent}) == 1
    both, *legs = (one.limit.high for one in silent if one.limit is not None)
    assert both == -80.0
    assert legs == [open_leg_db(1e3)] * 2


def test_coverage_counts_a_contact_that_is_stuck_in_one_leg(folder: Path) -> None:
    job = load_job(folder)
    plan = build_plan(job, impedances=BenchImpedances())
    result = {
        judge_fault.fault.name: judge_fault for judge_fault in judge_faults(job, plan, hard_faults(job))
    }
    assert result[STUCK].seen
    assert result[STUCK].by.startswith("leg isolation at left.out.")


def test_a_unit_with_one_contact_stuck_fails_clearly_and_a_good_one_passes(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    good = switchwalk(capsys, "run", str(folder), "--serial", "G-1", "--simulate", "--speed", "20")
    bad = switchwalk(
        capsys, "run", str(folder), "--serial", "B-1", "--simulate", "--speed", "20", "--fault", STUCK
    )
    assert (good.code, bad.code) == (0, 1)
    with open_records("switchwalk-records/records.sqlite", read_only=True) as store:
        legs = [reading for reading in store.readings(2) if reading.key.measurand.quantity == "leg_isolation"]
    assert {leg.verdict for leg in legs} == {"fail"}
    assert all(leg.estimate is not None and leg.estimate.value > -7 for leg in legs)
