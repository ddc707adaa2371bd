"""Runs that are killed at any moment: no reading lost, none doubled, no records damaged, the bench made safe.

A sample: `benchmarks/soak/kills.py` kills more than two hundred, and docs/reliability.md has what came of it.
"""

from pathlib import Path

import pytest

from tests.wire.kills import killed_at_any_moment, killed_at_each_commit
from tests.wire.standing_bench import Bench, smaller_job


@pytest.fixture
def quick(lasting_bench: Bench, tmp_path: Path) -> Bench:
    """The lasting bench with a smaller job, and records of this test's own."""
    return lasting_bench.with_records_in(tmp_path).with_job(smaller_job(tmp_path))


def test_a_run_killed_at_any_moment_goes_on_and_loses_nothing(quick: Bench) -> None:
    told = killed_at_any_moment(quick, seed=100, kills_wanted=4)
    print(told)
    assert told.kills == 4


def test_a_run_killed_after_a_commit_goes_on_and_loses_nothing(quick: Bench) -> None:
    told = killed_at_each_commit(quick, "killed after", every=5)
    print(told)
    assert told.kills > 2


def test_a_run_killed_before_a_commit_goes_on_and_loses_nothing(quick: Bench) -> None:
    told = killed_at_each_commit(quick, "killed before", every=8)
    print(told)
    assert told.kills > 1
