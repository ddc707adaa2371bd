"""What the tests of faults share."""

import pytest

from tests.faults.laboratory import Laboratory


@pytest.fixture(scope="session")
def laboratory() -> Laboratory:
    """One bench and one diagnoser for all of them."""
    return Laboratory()
