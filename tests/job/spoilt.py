"""A job that is spoilt in one place, and what is told of it."""

from pathlib import Path

import pytest

from harness.errors import JobError
from harness.job.job import load_job
from tests.jobs import edit


def spoil(job: Path, file: str, right: str, wrong: str) -> int:
    """Put `wrong` where `right` stood first; gives the line that it is on."""
    return edit(job / file, right, wrong)


def mistakes_of(job: Path, bench: Path | None = None) -> list[str]:
    with pytest.raises(JobError) as caught:
        load_job(job, bench)
    return str(caught.value).split("\n")
