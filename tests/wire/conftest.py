"""A standing bench for the tests of this folder, and processes to run on it."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.wire.standing_bench import Bench, nursery, standing_bench, tiny_job


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """A bench of this test's own."""
    job = tiny_job(tmp_path)
    with standing_bench(job) as standing, nursery(tmp_path) as made:
        yield Bench(tmp_path, job, standing, made)


@pytest.fixture(scope="module")
def lasting_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """A bench that the tests of a module have one after another; each leaves it without trouble."""
    folder = tmp_path_factory.mktemp("lasting")
    job = tiny_job(folder)
    with standing_bench(job) as standing, nursery(folder) as made:
        yield Bench(folder, job, standing, made)
