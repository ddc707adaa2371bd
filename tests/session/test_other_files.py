"""`--fixture` and `--sequence`: one job on another bench, with files that are not in its folder."""

import hashlib
import json
import shutil
from collections.abc import Sequence
from pathlib import Path

import pytest

from harness.records.run import OtherFiles
from harness.records.store import open_records
from harness.session.planned_job import read_job
from harness.session.simulated import Simulation, simulated_bench
from tests.cli.commands import switchwalk
from tests.jobs import RELAY_CURRENT, ROUTE_AND_GAIN, edit, job_in, sequence

RENAMED = "drive left, view input and output"
OTHER = "bench B, left"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A job whose own sequence fits its own fixture alone: it has a port of a setup that bench B lacks."""
    return job_in(tmp_path / "job", ROUTE_AND_GAIN, RELAY_CURRENT, states=["idle"], name="Own")


@pytest.fixture
def others(tmp_path: Path, job: Path) -> tuple[str, ...]:
    """The options for another bench's fixture and a sequence for it."""
    fixture, checks = tmp_path / "bench_b.toml", tmp_path / "short.toml"
    shutil.copy(job / "fixture.toml", fixture)
    edit(fixture, f'name = "{RENAMED}"', f'name = "{OTHER}"', every=True)
    checks.write_text(sequence(ROUTE_AND_GAIN, states=["loop_a"], name="Other"), encoding="utf-8")
    return "--fixture", str(fixture), "--sequence", str(checks)


def files_of(others: Sequence[str]) -> tuple[Path, Path]:
    return Path(others[1]), Path(others[3])


def test_a_run_with_other_files_measures_by_them_and_keeps_their_content(
    job: Path, others: tuple[str, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    records = str(tmp_path / "records.sqlite")
    printed = switchwalk(
        capsys, "run", str(job), *others, "--serial", "B-1", "--simulate", "--speed", "20",
        "--records", records,
    )  # fmt: skip
    assert printed.code == 0, printed.out + printed.err
    with open_records(records, read_only=True) as store:
        run, readings = store.run(1), store.readings(1)
        (event,) = store.latest_events(OtherFiles).values()
    assert run.header.sequence_name == "Other"
    assert {reading.key.measurand.state for reading in readings} == {"loop_a"}
    assert OTHER in {reading.setup for reading in readings}
    fixture, checks = files_of(others)
    kept = {file.name: file.sha256 for file in run.header.files}
    for path in (fixture, checks):
        assert kept[path.name] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (event.event.fixture, event.event.sequence) == (str(fixture), str(checks))
    assert event.text == "fixture from bench_b.toml and sequence from short.toml"
    shown = switchwalk(capsys, "show", "1", "--records", records)
    assert event.text in " ".join(shown.out.split())
    again = switchwalk(capsys, "rejudge", "1", "--sequence", str(checks), "--records", records)
    assert again.code == 0, again.out + again.err


def test_the_simulated_bench_is_of_the_same_fixture(job: Path, others: tuple[str, ...]) -> None:
    """Its hands know the setup by the name that only the other fixture has."""
    fixture, checks = files_of(others)
    read = read_job(job, sequence_file=checks, fixture_file=fixture)
    setup = next(setup for setup in read.fixture.setups if setup.name == OTHER)
    with simulated_bench(read, Simulation(speed=20.0)) as bench:
        bench.make(setup)


def test_plan_table_and_wiring_are_of_the_other_files(
    job: Path, others: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    planned = json.loads(switchwalk(capsys, "plan", str(job), *others, "--json").out)
    assert planned["sequence"] == "Other"
    assert OTHER in [setup["name"] for setup in planned["setups"]]
    rows = json.loads(switchwalk(capsys, "table", str(job), *others, "--json").out)["rows"]
    assert {row["state"] for row in rows} == {"loop_a"}
    assert OTHER in {row["setup"] for row in rows}
    assert OTHER in switchwalk(capsys, "wiring", str(job), *others, "--setups").out


@pytest.mark.parametrize("command", [("bench", "--simulate"), ("measure", "loop_a", "--simulate")])
def test_a_bench_is_looked_at_with_the_other_files(
    job: Path, others: tuple[str, ...], command: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    name, *more = command
    printed = switchwalk(capsys, name, str(job), *more, *others, "--speed", "20", "--json")
    assert printed.code == 0, printed.out + printed.err


@pytest.mark.parametrize(
    "command",
    [
        ("run", "--serial", "B-1", "--simulate"),
        ("batch", "--simulate"),
        ("simulate",),
        ("reference", "--simulate"),
        ("gauge", "golden", "G-1", "--simulate"),
        ("gauge", "study", "--units", "U-1", "--simulate"),
    ],
)
def test_every_command_that_reads_a_job_takes_both_and_says_which_is_missing(
    job: Path, tmp_path: Path, command: tuple[str, ...], capfd: pytest.CaptureFixture[str]
) -> None:
    names = command[:2] if command[0] == "gauge" else command[:1]
    for option in ("--fixture", "--sequence"):
        missing = tmp_path / "nowhere.toml"
        printed = switchwalk(capfd, *names, str(job), *command[len(names) :], option, str(missing))
        assert printed.code == 2
        assert f"{missing}: no such file; expected another" in printed.err


def test_a_mistake_is_told_of_the_file_that_was_given(
    job: Path, others: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    _, checks = files_of(others)
    edit(checks, 'quantity = "gain"', 'quantity = "gian"')
    printed = switchwalk(capsys, "plan", str(job), *others)
    assert printed.code == 2
    assert f"{checks}:" in printed.err
    assert "did you mean gain?" in printed.err
    assert "sequence.toml:" not in printed.err
