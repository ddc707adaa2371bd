"""Hands turn knobs at a front panel between two units of a batch, whose bench stays open.

What a hand may turn is common practice, no source.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from harness.records.store import open_records
from harness.session.open_bench import OpenBench, at_bench
from harness.session.planned_job import read_job
from harness.session.request.header import RunRequest
from harness.session.unit_run import RunResult, run_one_of_many
from tests.wire.standing_bench import StandingBench, standing_bench, tiny_job


@dataclass(frozen=True)
class Batch:
    """A simulated bench with knobs, and the bench that stays open over the units of a batch."""

    standing: StandingBench
    opened: OpenBench
    records: Path

    def unit(self, serial: str) -> RunResult:
        with open_records(self.records) as store:
            return run_one_of_many(self.opened, store, RunRequest(serial=serial))


@pytest.fixture(scope="module")
def batch(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Batch]:
    folder = tmp_path_factory.mktemp("knobs")
    job = tiny_job(folder)
    with standing_bench(job, switchboard="modbus") as standing:
        described = read_job(job, standing.bench_file)
        with at_bench(described, bench_file=standing.bench_file) as opened:
            yield Batch(standing, opened, folder / "records.sqlite")


@pytest.mark.parametrize("instrument", ["oscilloscope", "generator", "supply"])
def test_knobs_that_were_turned_between_units_are_set_again(batch: Batch, instrument: str) -> None:
    before = batch.unit(f"{instrument} before")
    batch.standing.trouble(f"{instrument} turned")
    after = batch.unit(f"{instrument} after")
    assert (before.outcome, after.outcome) == ("pass", "pass"), after.reason


def test_a_unit_with_a_fault_fails_after_knobs_were_turned(batch: Batch) -> None:
    batch.standing.by_hand(unit="faulty", faults=["K1 never operates"])
    batch.standing.trouble("oscilloscope turned")
    assert batch.unit("faulty").outcome == "fail"
