"""A bench with a person's own instrument profile: faults are predicted with what that instrument loads."""

import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.descriptions.load import load_job
from harness.records.run import RunHeader, RunRecord
from harness.workbench.described import recorded_description
from harness.workbench.planning import impedances_of

ROOT = Path(__file__).parents[2]
OWN_OHM = 100e3


@pytest.fixture
def folder(tmp_path):
    """The two-loop switcher's job on a bench whose scope has inputs of 100 kohm."""
    own = tmp_path / "job"
    shutil.copytree(ROOT / "sequences" / "two_loop_switcher", own)
    shipped = (ROOT / "drivers" / "profiles" / "preamble-oscilloscope.toml").read_text(encoding="utf-8")
    assert "input_impedance_ohm = 1e6" in shipped
    mine = shipped.replace("input_impedance_ohm = 1e6", "input_impedance_ohm = 100e3")
    (own / "mine.toml").write_text(mine, encoding="utf-8")
    bench = (own / "bench.toml").read_text(encoding="utf-8")
    (own / "bench.toml").write_text(bench.replace("preamble-oscilloscope", "mine"), encoding="utf-8")
    return own


def record_of(folder):
    job = load_job(folder)
    header = RunHeader(
        serial="1", module_name="m", part="p", revision="A", sequence_name="s", decision="guarded",
        bench_name="b", operator=None, started=datetime.now(UTC), software_version="0", simulated=False,
        notes="", instruments=(), files=job.files, planned_readings=0, job_folder=str(folder),
    )  # fmt: skip
    return RunRecord(
        run_id=1, header=header, outcome="fail", reason="", ended=None, verdicts={}, acquisitions=0
    )


def test_cover_takes_the_own_profile_of_the_bench(folder):
    assert impedances_of(load_job(folder), None).input_ohm == OWN_OHM


def test_diagnose_takes_the_own_profile_that_lies_beside_the_bench_file(folder):
    described = recorded_description(record_of(folder))
    assert described.impedances.input_ohm == OWN_OHM
    assert described.notes == ()


def test_diagnose_says_so_where_that_profile_is_gone(folder):
    record = record_of(folder)
    (folder / "mine.toml").unlink()
    described = recorded_description(record)
    assert described.impedances == BenchImpedances()
    (note,) = described.notes
    assert "mine" in note
    assert "1 Mohm are taken" in note
