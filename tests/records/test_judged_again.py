"""A verdict that two measurements did not confirm stays unproven, whatever the limits are."""

from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.job.job import load_job
from harness.plan.build import build_plan
from harness.reading import Estimate, NotConfirmed, Reading
from harness.records.evidence import judge_again
from tests.jobs import check_of, job_in


@pytest.mark.parametrize(
    "check", [check_of("polarity", at=["out"]), check_of("gain", at=["out"], between=["-3 dB", "3 dB"])]
)
def test_what_failed_once_and_was_not_measured_again_is_no_verdict(tmp_path: Path, check: str) -> None:
    job = load_job(job_in(tmp_path / "job", check, states=["idle"]))
    plan = build_plan(job, impedances=BenchImpedances())
    planned = plan.readings[0]
    estimate = Estimate(
        value=1.0, standard=0.1, low=0.8, high=1.2, coverage_factor=2.0, floor=False, budget=()
    )
    reading = Reading(
        key=planned.key, unit="", estimate=estimate, expected=None, limit_low=None, limit_high=None,
        verdict="unproven", reason="it failed, and could not be measured again", facts=(NotConfirmed(),),
        acquisitions=(), route="", setup="",
    )  # fmt: skip
    ((_, again),) = judge_again(plan, [reading], sequence=job.sequence).pairs
    assert (again.verdict, again.reason) == ("unproven", reading.reason)
