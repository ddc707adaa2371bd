"""What coverage says of a fault is what a run of a simulated unit with that fault comes to."""

import json
from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.faults.margins import SURE, weigh_margins
from harness.job.faults import parse_fault
from harness.job.job import load_job
from harness.plan.build import build_plan
from harness.records.store import open_records
from tests.cli.commands import switchwalk
from tests.jobs import RELAY_CURRENT, check_of, job_in

# By fault: its margin, and check, state, channel and port of the readings that surely fail.
Predicted = tuple[dict[str, float], dict[str, set[tuple[str, str, str, str]]]]

FAULTS = [
    "K1 never operates",
    "K3.1.cold stuck operated",
    "control lines loop_a and loop_b swapped",
    "K10.1.hot released 200 ohm",
    "K2.1.hot operated stuck closed",  # not seen, so the unit must pass
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shipped unit and fixture with a short sequence, so that five runs take no longer than they must."""
    return job_in(
        tmp_path_factory.mktemp("levels") / "job",
        check_of("gain", within="0.2 dB"),
        check_of("polarity"),
        check_of("leg_gain_difference", within="0.2 dB"),
        RELAY_CURRENT,
    )


@pytest.fixture(scope="module")
def coverage_folder(folder: Path) -> Path:
    """All runs are of one job."""
    return folder


@pytest.fixture(scope="module")
def predicted(folder: Path) -> Predicted:
    job = load_job(folder)
    plan = build_plan(job, impedances=BenchImpedances())
    fault_sets = [parse_fault(name, job.module, job.fixture) for name in FAULTS]
    made = weigh_margins(job, plan, fault_sets)
    failing = {
        name: {
            (reading.key.check, reading.measurand.state, reading.measurand.channel, reading.measurand.port)
            for reading, margin in zip(made.readings, margins, strict=False)
            if margin >= SURE
        }
        for name, margins in zip(FAULTS, made.margins, strict=True)
    }
    return dict(zip(FAULTS, made.best, strict=True)), failing


@pytest.mark.timeout(170)
@pytest.mark.parametrize("fault", FAULTS)
def test_a_run_fails_where_coverage_says_so(
    fault: str, folder: Path, predicted: Predicted, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    best, failing = predicted
    records = tmp_path / "records.sqlite"
    command = ["run", str(folder), "--serial", "SEEN-1", "--simulate", "--speed", "20", "--fault", fault]
    done = switchwalk(capsys, *command, "--json", "--records", str(records))
    outcome = json.loads(done.out.splitlines()[-1])["outcome"]
    assert outcome == ("fail" if best[fault] >= SURE else "pass"), done.err
    with open_records(str(records)) as store:
        failed = {
            (reading.key.check, one.state, one.channel, one.port)
            for reading in store.readings(1)
            for one in (reading.key.measurand,)
            if reading.verdict != "pass"
        }
    assert len(failing[fault] - failed) <= 0.02 * len(failing[fault])
