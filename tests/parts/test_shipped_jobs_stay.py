"""New kinds of parts change nothing of the jobs that have none of them."""

import hashlib
from pathlib import Path

import pytest

from harness.job.faults import single_faults, timing_faults
from harness.job.job import load_job

SEQUENCES = Path(__file__).resolve().parents[2] / "sequences"
# Own figures: the lists of the program before it knew links, windings and electronic switches.
LISTS = {
    "two_loop_switcher": (420, "fcf06b3e8e849a80"),
    "source_selector": (427, "4be6d8898890123b"),
    "stepped_attenuator": (1083, "1c3b448111300428"),
}


@pytest.mark.parametrize("name", LISTS)
def test_the_faults_of_a_shipped_job_are_those_that_they_were(name: str) -> None:
    job = load_job(SEQUENCES / name)
    faults = (*single_faults(job.module, job.fixture), *timing_faults(job.module))
    text = "\n".join(fault.name for fault in faults)
    assert (len(faults), hashlib.sha256(text.encode()).hexdigest()[:16]) == LISTS[name]
