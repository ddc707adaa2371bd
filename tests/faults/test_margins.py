"""What is computed for all faults at once must be what each comes to by itself."""

from pathlib import Path

import numpy as np
import pytest

from harness.arrays import Complex, Flags, Floats
from harness.circuit.elements import BenchImpedances
from harness.circuit.expand import build_wiring
from harness.circuit.strays import strays_of
from harness.faults.coverage import hard_faults
from harness.faults.margins import CLEAR, PredictedReadings, over_currents, told_apart
from harness.faults.network import make_network
from harness.faults.signatures import signatures
from harness.job.job import load_job
from harness.measure.errors import ErrorModel, predicted_errors
from harness.plan.build import build_plan
from harness.quantities.supply import current_standard

SEQUENCES = Path(__file__).parents[2] / "sequences"
BENCH = BenchImpedances()


def one_by_one(units: PredictedReadings) -> Flags:
    """Which two fault sets differ, by the definition: each compared with each in every entry."""
    shown, k = units.signatures, units.coverage_factor
    values, standards = (each[1:] for each in units.entries())
    coils = np.maximum(shown.good_supply_a - units.job.module.supply.quiescent_a, 0)
    amps = current_standard(shown.supply_a, coils) + 1e-9
    checks = over_currents(units.job.module, shown.fault_sets, coverage_factor=k)
    stops = [state if margin >= CLEAR else "" for margin, state in checks]
    apart = np.zeros((len(stops), len(stops)), dtype=bool)
    for one in range(len(stops)):
        for other in range(len(stops)):
            levels = np.abs(values[one] - values[other]) > k * np.hypot(standards[one], standards[other])
            supply = np.abs(shown.supply_a[one] - shown.supply_a[other]) > k * np.hypot(
                amps[one], amps[other]
            )
            stopped = stops[one] or stops[other]
            apart[one, other] = stops[one] != stops[other] if stopped else levels.any() or supply.any()
    return apart


def test_faults_are_told_apart_as_each_pair_is() -> None:
    job = load_job(SEQUENCES / "two_loop_switcher")
    plan = build_plan(job, impedances=BENCH)
    faults = [*hard_faults(job)[::4], *(each for each in hard_faults(job) if each.kind == "coil shorted")]
    units = PredictedReadings(job, plan, signatures(job, plan, faults))
    expected = one_by_one(units)
    assert expected.any()
    assert not expected.all()
    assert np.array_equal(told_apart(units), expected)


def squares(errors: ErrorModel, h: Complex) -> list[Floats]:
    """Sums over the parts of what each changes in a sum of four entries: real and imaginary part, squared."""
    weights = np.array([[1.0, -0.5j], [0.3 + 0.2j, 1.0]])
    changes = (weights * errors.deltas(h)[errors.first_part :, :, :2]).sum(axis=(2, 3))
    return [(part**2).sum(axis=0) for part in (changes.real, changes.imag)]


@pytest.mark.parametrize("name", ["two_loop_switcher", "stepped_attenuator"])
def test_the_spread_of_many_parts_is_that_of_each_part_in_turn(name: str) -> None:
    """Propagation of uncertainty, JCGM 100:2008, 5.1.2: a sum of squares over the parts."""
    job = load_job(SEQUENCES / name)
    plan = build_plan(job, impedances=BENCH)
    units = PredictedReadings(job, plan, signatures(job, plan, hard_faults(job)[:40]))
    for acquisition in units.signatures.acquisitions[:: len(units.signatures.acquisitions) // 6]:
        shown, prediction = units.transfer((acquisition.number,), False), plan.predictions[acquisition.number]
        whole = predicted_errors(
            shown.values,
            spreads=prediction.spreads,
            good=prediction.transfer,
            gain_accuracy=0.02,
            referenced=True,
        )
        assert len(prediction.spreads) > 2 * prediction.transfer.size
        assert len(shown.errors.sources) - shown.errors.first_part <= 2 * prediction.transfer.size
        for made, expected in zip(
            squares(shown.errors, shown.values), squares(whole, shown.values), strict=True
        ):
            np.testing.assert_allclose(made, expected, rtol=1e-9, atol=1e-24)


def test_a_unit_falls_into_its_legs_and_strays_join_them() -> None:
    job = load_job(SEQUENCES / "stepped_attenuator")
    setup = next(setup for setup in job.fixture.setups if not setup.through)
    wiring = build_wiring(job.module, job.fixture, setup, BENCH)
    network = make_network(wiring, job.module)
    names = {row: name for name, row in network.row.items()}
    legs = [
        {
            tuple(names[row].removesuffix(".pin").split(".")[::2])
            for row in block.rows
            if names[row].count(".") in (2, 3)
        }
        for block in network.blocks
    ]
    nodes = [{leg for leg in block if leg[0] in job.module.channels} for block in legs]
    assert sorted(map(sorted, nodes)) == [[(c, leg)] for c in ("left", "right") for leg in ("cold", "hot")]
    assert len(make_network(wiring, job.module, strays_of(job.module)).blocks) == 1
    operated = np.eye(len(job.module.relays), dtype=bool)[:2]
    whole = network.matrices(operated, 1e3)
    for block in network.blocks:
        others = np.setdiff1d(np.arange(network.size), block.rows)
        assert not whole[:, block.rows[:, None], others].any()
        assert not whole[:, others[:, None], block.rows].any()
        part = network.matrices(operated, 1e3, block)
        assert np.array_equal(part, whole[:, block.rows[:, None], block.rows])
