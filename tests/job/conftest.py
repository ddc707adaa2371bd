"""A job for tests that spoil it."""

from pathlib import Path

import pytest

from tests.jobs import job_in


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A copy of a job that is right, to be spoiled."""
    return job_in(tmp_path / "job")
