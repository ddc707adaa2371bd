"""A bench with a person's own instrument profile: faults are predicted with what that instrument loads."""

import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.errors import RecordsError, UsageError
from harness.job.job import load_job
from harness.records.run import RunHeader, RunRecord
from harness.session.planned_job import impedances_of, plan_job, recorded_plan
from harness.session.resume_point import check_files
from harness.toml_files.located import JobFile
from tests.jobs import edit, job_in

ROOT = Path(__file__).parents[2]
OWN_OHM = 100e3


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The two-loop switcher's job on a bench whose scope has inputs of 100 kohm."""
    own = job_in(tmp_path / "job", edits=[("bench.toml", "preamble-oscilloscope", "mine")])
    shutil.copy(ROOT / "drivers" / "profiles" / "preamble-oscilloscope.toml", own / "mine.toml")
    edit(own / "mine.toml", "input_impedance_ohm = 1e6", "input_impedance_ohm = 100e3")
    return own


def record_of(folder: Path, files: tuple[JobFile, ...] | None = None) -> RunRecord:
    """A run of that job; with its four files alone, as earlier versions kept it, unless others are given."""
    job = load_job(folder)
    header = RunHeader(
        serial="1", module_name="m", part="p", revision="A", sequence_name="s", decision="guarded",
        bench_name="b", operator=None, started=datetime.now(UTC), software_version="0", simulated=False,
        notes="", instruments=(), files=files or job.files, planned_readings=0, job_folder=str(folder),
    )  # fmt: skip
    return RunRecord(
        run_id=1, header=header, outcome="fail", reason="", ended=None, verdicts={}, acquisitions=0
    )


def test_cover_takes_the_own_profile_of_the_bench(folder: Path) -> None:
    assert impedances_of(load_job(folder), None).input_ohm == OWN_OHM


def test_diagnose_takes_the_own_profile_that_lies_beside_the_bench_file(folder: Path) -> None:
    described = recorded_plan(record_of(folder))
    assert described.plan.impedances.input_ohm == OWN_OHM
    assert described.notes == ()


def test_diagnose_says_so_where_that_profile_is_gone(folder: Path) -> None:
    record = record_of(folder)
    (folder / "mine.toml").unlink()
    described = recorded_plan(record)
    assert described.plan.impedances == BenchImpedances()
    (note,) = described.notes
    assert "mine" in note
    assert "1 Mohm are taken" in note


def test_a_run_keeps_the_own_profile_by_content(folder: Path) -> None:
    (mine,) = plan_job(load_job(folder), None).files[4:]
    content = (folder / "mine.toml").read_bytes()
    assert mine == JobFile.of("mine.toml", content)
    assert mine.text.encode() == content
    bench = (folder / "bench.toml").read_text(encoding="utf-8").replace('"mine"', '"preamble-oscilloscope"')
    (folder / "bench.toml").write_text(bench, encoding="utf-8")
    assert (
        plan_job(load_job(folder), None).files == load_job(folder).files
    )  # shipped ones go with the version


@pytest.mark.parametrize("what", ["gone", "changed"])
def test_an_old_run_is_diagnosed_with_the_profile_that_it_had(folder: Path, what: str) -> None:
    record = record_of(folder, plan_job(load_job(folder), None).files)
    mine = folder / "mine.toml"
    if what == "gone":
        mine.unlink()
    else:
        mine.write_text(mine.read_text(encoding="utf-8").replace("100e3", "50"), encoding="utf-8")
    described = recorded_plan(record)
    assert described.plan.impedances.input_ohm == OWN_OHM
    assert described.notes == ()


def test_a_run_does_not_go_on_with_another_profile_than_it_began_with(folder: Path) -> None:
    record = record_of(folder, plan_job(load_job(folder), None).files)
    check_files(record.header, plan_job(load_job(folder), None))
    mine = folder / "mine.toml"
    mine.write_text(mine.read_text(encoding="utf-8").replace("100e3", "50e3"), encoding="utf-8")
    with pytest.raises(UsageError, match=r"mine\.toml in .* was changed since the run began"):
        check_files(record.header, plan_job(load_job(folder), None))


def test_a_kept_profile_leads_to_no_other_place(folder: Path) -> None:
    astray = JobFile.of("../astray.toml", b"")
    with pytest.raises(RecordsError, match="no name of one"):
        recorded_plan(record_of(folder, (*load_job(folder).files, astray)))
    assert not list(folder.parent.rglob("astray.toml"))
