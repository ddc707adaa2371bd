"""What the tests of faults share."""

from pathlib import Path

import pytest

from tests.faults.laboratory import Laboratory


@pytest.fixture(scope="session")
def laboratory() -> Laboratory:
    """One bench and one diagnoser for all of them."""
    return Laboratory()


@pytest.fixture
def coverage_folder(tmp_path: Path) -> Path:
    """Of each test's own: what is kept of a coverage is what some of these are about."""
    return tmp_path
