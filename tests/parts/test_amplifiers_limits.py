"""An amplifier's tolerance is in what is predicted; what its output can't follow is a mistake of the job."""

import math
from pathlib import Path

import numpy as np
import pytest

from benchmarks.simulated_runs import Bench
from harness.circuit.predict import differential, predict
from harness.circuit.solve import transfer
from harness.errors import JobError
from harness.faults.effects import FaultyCircuits
from harness.job.faults import single_faults
from harness.job.job import Job, load_job
from harness.job.state import IDLE_STATE
from harness.plan.build import build_plan
from simulator.unit import Damage, build
from tests.jobs import check_of
from tests.parts.box import (
    BENCH,
    agree_with_ngspice,
    agree_with_simulated_units,
    all_at_once_as_one_by_one,
    box,
    mute,
)

DRIVER = """
[[amplifier]]
name = "U1"
from = "in"
to = "driven"
gain = "12 dB"
input_impedance = "20 kohm"
output_impedance = "100 ohm"
common_mode_rejection = "60 dB"
tolerance = "2 %"
maximum_output = "+22 dBu"
[[link]]
name = "J1"
series = ["driven", "out"]
"""
GAIN = check_of("gain", within="0.5 dB")


def job_of(folder: Path, *checks: str, parts: str = DRIVER) -> Job:
    return load_job(box(folder, parts + mute(["left"], "in"), *(checks or (GAIN,)), channels=["left"]))


def test_the_spread_of_a_gain_is_that_of_its_tolerance(tmp_path: Path) -> None:
    """JCGM 100, 4.3.7: of 2 % either way, 2 %/√3 is one standard uncertainty; of the whole differential."""
    job = job_of(tmp_path)
    setup = job.fixture.setups[1]
    made = predict(job.module, job.fixture, setup, IDLE_STATE, frequencies_hz=(1e3, 1e3), impedances=BENCH)
    change = made.spreads[made.spread_names.index("U1 gain")]
    relative = differential(change)[0] / differential(made.transfer)[0]
    assert relative == pytest.approx(0.02 / math.sqrt(3), rel=1e-9)
    common = (change[0] - change[1]).sum() / (made.transfer[0] - made.transfer[1]).sum()
    assert common == pytest.approx(0.02 / math.sqrt(3), rel=1e-6)


def test_without_a_tolerance_there_is_no_such_line(tmp_path: Path) -> None:
    job = job_of(tmp_path, parts=DRIVER.replace('tolerance = "2 %"\n', ""))
    setup = job.fixture.setups[1]
    made = predict(job.module, job.fixture, setup, IDLE_STATE, frequencies_hz=(1e3, 1e3), impedances=BENCH)
    assert "U1 gain" not in made.spread_names


@pytest.mark.parametrize(("within", "verdict"), [("0.1 dB", "unproven"), ("0.5 dB", "pass")])
def test_a_limit_narrower_than_the_tolerance_proves_nothing(
    tmp_path: Path, within: str, verdict: str
) -> None:
    """2 % are 0.17 dB: a unit may be 0.1 dB off and good, and 0.5 dB is more than any good one is."""
    job = job_of(tmp_path, check_of("gain", within=within, states=["idle"]))
    plan = build_plan(job, impedances=BENCH)
    bench = Bench(job, plan, seed=1)
    assert {bench.run(f"G-{number}", ()).verdict for number in range(6)} == {verdict}


def test_simulated_units_have_gains_of_their_own_within_the_tolerance(tmp_path: Path) -> None:
    module = job_of(tmp_path).module
    gains = [build(module, f"S-{number}", Damage()).amplifiers[0].gain for number in range(40)]
    off = np.array(gains) / 10 ** (12 / 20) - 1
    assert np.abs(off).max() <= 0.02
    assert np.std(off) > 0.002


def test_the_circuit_with_a_driver_agrees_with_ngspice(tmp_path: Path) -> None:
    agree_with_ngspice(job_of(tmp_path), tmp_path)


def test_a_level_beyond_the_output_is_a_mistake_with_its_figures(tmp_path: Path) -> None:
    """Closed form: 12 dB over what 20 kohm beside the scope's 2 Mohm leave of 100 ohm, -0.044 dB."""
    job = job_of(tmp_path, GAIN, check_of("gain", name="Loud", within="0.5 dB", level="+14 dBu"))
    with pytest.raises(JobError) as caught:
        build_plan(job, impedances=BENCH)
    assert str(caught.value).endswith(
        "check 'Loud': at 14.00 dBu U1 would have to give 25.96 dBu in state idle of "
        "'drive left, view left.in', and its maximum_output is 22.00 dBu; expected a level of at most "
        "10.04 dBu"
    )


@pytest.mark.parametrize(("level", "fits"), [("+10 dBu", True), ("+10.1 dBu", False)])
def test_the_level_that_is_told_is_the_highest_that_fits(tmp_path: Path, level: str, fits: bool) -> None:
    job = job_of(tmp_path, check_of("gain", within="0.5 dB", level=level))
    if fits:
        assert build_plan(job, impedances=BENCH).count
    else:
        with pytest.raises(JobError, match="maximum_output"):
            build_plan(job, impedances=BENCH)


def test_a_change_of_state_is_weighed_as_well(tmp_path: Path) -> None:
    check = check_of("click_peak", below="10 V", level="+14 dBu")
    with pytest.raises(JobError, match="maximum_output"):
        build_plan(job_of(tmp_path, check), impedances=BENCH)


def test_a_dead_amplifier_is_dead_in_the_circuit_the_batch_and_the_simulated_unit(tmp_path: Path) -> None:
    job = job_of(tmp_path)
    faults = [fault for fault in single_faults(job.module, job.fixture) if fault.kind == "amplifier dead"]
    assert [fault.name for fault in faults] == ["U1 dead", "U1.hot dead", "U1.cold dead"]
    plain = all_at_once_as_one_by_one(job)
    assert np.isfinite(plain).all()
    agree_with_simulated_units(job, faults, within=0.05)  # 2 % of 12 dB, half of it in each leg
    circuits, setup = FaultyCircuits(job.module, job.fixture, BENCH), job.fixture.setups[1]
    good, dead, hot, cold = (
        transfer(circuits.of(faults, setup, IDLE_STATE), (1e3, 1e3))
        for faults in ((), *((fault,) for fault in faults))
    )
    assert abs(dead[:2]).max() < 1e-6  # of the output; the driven port is viewed beside it
    for one, leg in ((hot, 0), (cold, 1)):
        # Superposition: legs of 5 kohm each to ground share nothing, so the other leg is as it was.
        assert abs(one[leg]).max() < 1e-6
        np.testing.assert_allclose(one[1 - leg], good[1 - leg], rtol=1e-9)
