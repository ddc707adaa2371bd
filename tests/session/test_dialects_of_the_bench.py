"""What a job asks of its bench, and such instruments cannot do, is refused before anything is opened."""

from pathlib import Path
from shutil import copytree

import pytest

from harness.errors import JobError
from harness.job.job import load_job
from harness.session.planned_job import plan_job

SWITCHER = Path(__file__).resolve().parents[2] / "sequences" / "two_loop_switcher"


def planned_with(folder: Path, old: str, new: str) -> None:
    job = Path(copytree(SWITCHER, folder / "job"))
    bench = job / "bench.toml"
    bench.write_text(bench.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    plan_job(load_job(job), None)


def test_checks_in_antiphase_need_a_generator_that_sets_its_phase(tmp_path: Path) -> None:
    with pytest.raises(JobError) as caught:
        planned_with(tmp_path, "scpi-generator", "dbm-generator")
    assert {mistake.message for mistake in caught.value.mistakes} == {
        "needs hot and cold in antiphase at one frequency; dbm-generator has no command for the phase"
    }
    refused = {mistake.line for mistake in caught.value.mistakes}
    checks = load_job(SWITCHER).sequence.checks
    assert {check.quantity.name for check in checks if check.line in refused} == {"distortion"}
    assert {check.line for check in checks if check.quantity.name == "distortion"} == refused


@pytest.mark.parametrize("name", ["rms-generator", "fixed-generator"])
def test_a_generator_of_another_dialect_is_planned_as_any(name: str, tmp_path: Path) -> None:
    planned_with(tmp_path, "scpi-generator", name)


@pytest.mark.parametrize("name", ["fixed-supply", "tenths-supply", "lettered-supply"])
def test_a_supply_of_another_dialect_is_planned_as_any(name: str, tmp_path: Path) -> None:
    planned_with(tmp_path, "scpi-supply", name)
