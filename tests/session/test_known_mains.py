"""A bench whose mains is known, simulated with hum of that mains: shorter records, the same unit."""

from pathlib import Path

import pytest

from harness.measure.tones import Stimulus
from harness.records.store import open_records
from harness.report.run_report import write_part_report
from harness.session.open_bench import at_bench
from harness.session.planned_job import read_job
from harness.session.request.header import RunRequest
from harness.session.simulated import Simulation
from harness.session.unit_run import run_one_of_many
from tests.jobs import RELAY_CURRENT, ROUTE_AND_GAIN, check_of, job_in
from tests.known import known

FAULT = "K1.1.hot released stuck open"
CHECKS = (
    ROUTE_AND_GAIN,
    check_of("leg_gain_difference", within="0.2 dB"),
    check_of("dc_offset", between=["-5 mV", "5 mV"]),
    RELAY_CURRENT,
)


@pytest.mark.parametrize(("mains", "hz", "record_s"), [("50 Hz", 50, 0.04), ("60 Hz", 60, 0.05)])
def test_a_good_unit_passes_in_short_records_in_which_no_hum_is_and_a_faulty_one_is_explained(
    tmp_path: Path, mains: str, hz: int, record_s: float
) -> None:
    job = job_in(
        tmp_path / "job",
        *CHECKS,
        states=["idle", "loop_a"],
        edits=[("bench.toml", 'name = "Van bench"', f'name = "Van bench"\nmains = "{mains}"')],
    )
    hummed = Simulation(speed=20.0, imperfections=("hum=4",))  # 1 mV on every lead
    with (
        at_bench(read_job(job), simulation=hummed) as bench,
        open_records(tmp_path / "records.sqlite") as store,
    ):
        assert bench.job.mains_hz == (hz,)
        bench.place_unit("OB-1", ())
        result = run_one_of_many(bench, store, RunRequest(serial="OB-1"))
        made = [each for each in store.acquisitions(result.run_id).values() if each.number]
        bench.place_unit("OB-2", (FAULT,))
        failed = run_one_of_many(bench, store, RunRequest(serial="OB-2", faults=(FAULT,)))
        # The plan is made again from the files that the run has kept, the mains among them.
        found = write_part_report(store, failed.run_id, tmp_path / "records.sqlite").result
    assert failed.outcome == "fail"
    assert FAULT in known(found).names
    assert result.outcome == "pass"
    assert {each.stimulus.kind for each in made} == {"pair", "silence"}
    for each in made:
        assert each.setting.duration_s == pytest.approx(record_s)
        expected = Stimulus(kind=each.stimulus.kind, frequency_hz=1e3, mains_hz=(hz,)).tones.frequencies_hz
        assert each.frequencies_hz == expected
    # A passive unit has none (closed form), and the bench's own is taken off.
    offsets = [each for each in result.readings if each.key.measurand.quantity == "dc_offset"]
    assert offsets
    for reading in offsets:
        estimate = known(reading.estimate)
        assert estimate.low < 0.5e-3
        assert estimate.high > -0.5e-3
