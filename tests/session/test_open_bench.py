"""A bench that stays open for several units: one simulator, one plan, one opening of the instruments."""

import subprocess
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.errors import UsageError
from harness.records.store import open_records
from harness.session import open_bench
from harness.session.open_bench import at_bench
from harness.session.planned_job import read_job
from harness.session.request.header import RunRequest
from harness.session.simulated import Simulation
from harness.session.unit_run import run_one_of_many
from tests.wire.standing_bench import tiny_job


@pytest.fixture
def counts(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """How often a simulator was started, a job planned, a bench's instruments opened."""
    counted: Counter[str] = Counter()

    def count(what: str, original: Callable[..., Any]) -> Callable[..., Any]:
        def counting(*arguments: Any, **options: Any) -> Any:
            counted[what] += 1
            return original(*arguments, **options)

        return counting

    original = subprocess.Popen

    def started(command: list[str], **options: Any) -> Any:
        counted["simulators"] += "simulator" in command  # libraries start programs, too
        return original(command, **options)

    monkeypatch.setattr(subprocess, "Popen", started)
    for name in ("plan_job", "open_bench"):
        monkeypatch.setattr(open_bench, name, count(name, getattr(open_bench, name)))
    return counted


def test_unit_after_unit_is_run_with_one_start_of_the_simulator(tmp_path: Path, counts: Counter[str]) -> None:
    job = read_job(tiny_job(tmp_path))
    with (
        open_records(tmp_path / "records.sqlite") as store,
        at_bench(job, simulation=Simulation(speed=20.0)) as bench,
    ):
        outcomes = []
        # Units whose coils the simulator draws further apart than a supply's meter repeats.
        for serial, faults in (("OB-0001", ()), ("OB-0002", ("K1 never operates",)), ("OB-0003", ())):
            bench.place_unit(serial, faults)
            assert bench.look_at_unit() == "a unit"
            outcomes.append(run_one_of_many(bench, store, RunRequest(serial=serial, faults=faults)).outcome)
        assert bench.look_at_unit() == "same"  # the last one is still in
    assert outcomes == ["pass", "fail", "pass"]
    assert counts == {"simulators": 1, "plan_job": 1, "open_bench": 1}
    with open_records(tmp_path / "records.sqlite", read_only=True) as store:
        assert [line.serial for line in store.lines()] == ["OB-0001", "OB-0002", "OB-0003"]
        assert store.verify().findings == ()


def test_a_bench_that_was_closed_is_opened_anew_for_the_next_unit(
    tmp_path: Path, counts: Counter[str]
) -> None:
    job = read_job(tiny_job(tmp_path))
    with (
        open_records(tmp_path / "records.sqlite") as store,
        at_bench(job, simulation=Simulation(serial="1", speed=20.0)) as bench,
    ):
        assert run_one_of_many(bench, store, RunRequest(serial="1")).outcome == "pass"
        bench.close()
        assert run_one_of_many(bench, store, RunRequest(serial="1")).outcome == "pass"
    assert counts == {"simulators": 1, "plan_job": 1, "open_bench": 2}


def test_faults_are_for_a_simulated_unit(tmp_path: Path) -> None:
    job = read_job(Path(__file__).parents[2] / "sequences" / "two_loop_switcher")
    with at_bench(job) as bench, pytest.raises(UsageError, match="faults are for a simulated bench"):
        bench.place_unit("OB-0001", ["K1 never operates"])
