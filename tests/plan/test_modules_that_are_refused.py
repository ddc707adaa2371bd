"""A module that would fail however good it is is refused before anything is planned."""

from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.errors import JobError
from harness.job.job import load_job
from harness.plan.build import build_plan
from tests.jobs import check_of, job_in

CHECK = check_of("gain", within="0.5 dB")


def refusal(job: Path) -> str:
    with pytest.raises(JobError) as caught:
        build_plan(load_job(job), impedances=BenchImpedances())
    return str(caught.value)


def test_a_supply_limit_below_what_the_module_draws_is_told_with_figures(tmp_path: Path) -> None:
    """Ohm's law: ten coils of 1028 ohm at 12 V and 6 mA beside them are 122.7 mA."""
    job = job_in(tmp_path / "job", CHECK, edits=[("module.toml", '"400 mA"', '"120 mA"')])
    assert refusal(job) == (
        "module.toml: supply.limit: 120 mA is not enough: in state loop_a+loop_b+swap the module draws "
        "123 mA (6 mA quiescent, the rest its coils), so the supply would be in current limit. Raise the "
        "limit"
    )


def test_a_limit_that_suffices_is_taken(tmp_path: Path) -> None:
    job = job_in(tmp_path / "job", CHECK, edits=[("module.toml", '"400 mA"', '"130 mA"')])
    assert build_plan(load_job(job), impedances=BenchImpedances()).count
