"""Shortest runs and runs that end with their first FAIL: what they measure, what they say of the rest."""

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from harness.plan.steps import part_of
from harness.reading import MeasuredAgain
from harness.records.in_part import in_part
from harness.records.run import Extent, MadeByHand
from harness.records.store import RunStore, open_records
from harness.report.certificate import certify
from harness.report.run_report import Reporter
from harness.session.admission import whole_run_due
from harness.session.open_bench import OpenBench, at_bench
from harness.session.planned_job import read_job
from harness.session.repeats.at_fail import ended_at_fail
from harness.session.request.fewest import Fewest, Production, fewest_steps
from harness.session.request.header import RunRequest, make_header
from harness.session.simulated import Simulation
from harness.session.unit_run import RunResult, run_one_of_many
from harness.statistics.yields import yields
from harness.toml_files.located import JobFile
from tests.cli.commands import switchwalk
from tests.jobs import RELAY_CURRENT, ROUTE_AND_GAIN, check_of, job_in

STATES = ("idle", "loop_a", "loop_b", "swap", "loop_a+loop_b+swap")
PHASE = check_of("phase", within="5 deg")


@dataclass(frozen=True, kw_only=True)
class Place:
    """An open simulated bench, its records, and the fewest steps of its job."""

    folder: Path
    bench: OpenBench
    store: RunStore
    fewest: Fewest

    @property
    def records(self) -> str:
        return str(self.folder / "records.sqlite")

    def run(self, serial: str, *faults: str, shortest: bool = False, stop_at_fail: bool = False) -> RunResult:
        """Put a unit in and run it."""
        self.bench.place_unit(serial, faults)
        made = Production(fewest=self.fewest, shortest=shortest, stop_at_fail=stop_at_fail)
        request = RunRequest(
            serial=serial, faults=faults, production=made if shortest or stop_at_fail else None
        )
        return run_one_of_many(self.bench, self.store, request)


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("production") / "job"
    return job_in(
        folder, ROUTE_AND_GAIN, PHASE, RELAY_CURRENT, states=list(STATES), name="Short", full_every=3
    )


@pytest.fixture(scope="module")
def place(job: Path) -> Iterator[Place]:
    folder = job.parent
    with (
        at_bench(read_job(job), simulation=Simulation(speed=20.0)) as bench,
        open_records(folder / "records.sqlite") as store,
    ):
        fewest = fewest_steps(bench.planned, folder)
        yield Place(folder=folder, bench=bench, store=store, fewest=fewest)


@pytest.fixture(scope="module")
def shortest(place: Place) -> RunResult:
    """A good unit's shortest run."""
    return place.run("S-1", shortest=True)


def test_a_shortest_run_measures_its_steps_alone_and_passes_with_the_reason_why_that_is_all(
    place: Place, shortest: RunResult
) -> None:
    whole = place.bench.planned.plan
    part = part_of(whole, place.fewest.steps)
    assert 0 < part.count < whole.count
    assert {reading.key for reading in shortest.readings} == {planned.key for planned in part.readings}
    assert (shortest.outcome, shortest.extent) == ("pass", "shortest")
    assert shortest.reason.startswith(
        f"shortest run: {part.count} of the {whole.count} readings of the sequence"
    )
    left = in_part(place.store.events(shortest.run_id))
    assert left is not None
    assert sum(each.readings for each in left.left_out) == whole.count - part.count
    assert {each.check for each in left.left_out} <= {check.name for check in place.bench.job.sequence.checks}


def test_every_document_of_a_shortest_pass_says_what_was_not_measured(
    place: Place, shortest: RunResult, capsys: pytest.CaptureFixture[str]
) -> None:
    run, records = shortest.run_id, ("--records", place.records)
    left = in_part(place.store.events(run))
    assert left is not None
    page = Reporter(place.bench.planned, place.store, place.records).write(run).page.read_text("utf-8")
    certificate = certify(place.store, run)
    for text in (page, certificate):
        assert "Shortest run:" in text
        assert left.message in text
        assert all(line in text for line in left.lines)
        assert f"{len(shortest.readings)} of {left.planned}" in text
    shown = switchwalk(capsys, "show", str(run), *records)
    assert "shortest run: " in shown.out
    content = json.loads(switchwalk(capsys, "show", str(run), "--json", *records).out)
    assert sum(each["readings"] for each in content["not_measured"]) == left.planned - len(shortest.readings)
    assert "shortest, sim." in switchwalk(capsys, "units", *records).out
    pages = place.folder / "site"
    assert switchwalk(capsys, "site", str(pages), *records).code == 0
    assert "pass, shortest run" in (pages / "index.html").read_text("utf-8")
    (unit,) = (path.read_text("utf-8") for path in (pages / "units").glob("S-1-*.html"))
    assert left.message in unit


def test_what_a_shortest_run_left_out_counts_in_no_figure(
    place: Place, shortest: RunResult, capsys: pytest.CaptureFixture[str]
) -> None:
    records = ("--records", place.records, "--simulated", "--serial-pattern", "S-1")
    content = json.loads(switchwalk(capsys, "trends", *records, "--json").out)
    assert (content["yields"]["shortest"], content["yields"]["until_fail"]) == (1, 0)
    assert len(content["readings"]) == len(shortest.readings)
    assert all(reading["missing"] == 0 for reading in content["readings"])
    assert "Of the complete runs, 1 shortest run" in " ".join(
        switchwalk(capsys, "trends", *records).out.split()
    )


def test_a_shortest_run_fails_a_faulty_unit_and_its_diagnosis_names_the_fault(place: Place) -> None:
    fault = "K1.1.hot operated stuck open"
    result = place.run("S-2", fault, shortest=True)
    assert (result.outcome, result.extent) == ("fail", "shortest")
    explained = Reporter(place.bench.planned, place.store, place.records).find_fault(
        place.store.run(result.run_id)
    )
    assert explained is not None
    assert fault in explained.names


def test_a_run_that_stops_at_fail_ends_after_the_steps_that_see_most_with_a_confirmed_fail(
    place: Place,
) -> None:
    result = place.run("F-1", "K3 never operates", stop_at_fail=True)
    whole = place.bench.planned.plan
    part = part_of(whole, place.fewest.steps)
    assert (result.outcome, result.extent) == ("fail", "until fail")
    made = {reading.key for reading in result.readings}
    assert made >= {planned.key for planned in part.readings}, "what a diagnosis needs was not measured"
    assert len(made) < whole.count
    failed = [reading for reading in result.readings if reading.verdict == "fail"]
    assert all(any(isinstance(fact, MeasuredAgain) for fact in reading.facts) for reading in failed)
    left = in_part(place.store.events(result.run_id))
    assert left is not None
    assert left.text == result.reason
    assert sum(each.readings for each in left.left_out) == whole.count - len(made)
    (line,) = place.store.lines(serial="F-1")
    assert line.extent == "until fail"
    assert yields([line]).until_fail == 1


def test_a_setup_by_hand_is_made_once_and_the_run_can_end_after_each(job: Path, tmp_path: Path) -> None:
    by_hand = tmp_path / "by_hand.toml"
    text = re.sub(r"(?m)^select = .*\n", "", (job / "fixture.toml").read_text("utf-8"))
    by_hand.write_text(text, encoding="utf-8")
    with (
        at_bench(read_job(job, fixture_file=by_hand), simulation=Simulation(speed=20.0)) as bench,
        open_records(tmp_path / "records.sqlite") as store,
    ):
        fewest = fewest_steps(bench.planned, tmp_path)
        own = Place(folder=tmp_path, bench=bench, store=store, fewest=fewest)
        result = own.run("H-1", "K1 never operates", shortest=True, stop_at_fail=True)
        made = [
            item.event.setup for item in store.events(result.run_id) if isinstance(item.event, MadeByHand)
        ]
    assert (result.outcome, result.extent) == ("fail", "until fail")
    assert result.reason.startswith("shortest run, ended at the first confirmed FAIL: ")
    assert len(made) == len(set(made))


def test_a_good_unit_is_measured_whole_with_stop_at_fail(place: Place) -> None:
    result = place.run("F-2", stop_at_fail=True)
    assert (result.outcome, result.extent, result.reason) == ("pass", "whole", "")
    keys = [planned.key for planned in place.bench.planned.plan.readings]
    assert sorted(map(repr, keys)) == sorted(repr(reading.key) for reading in result.readings)


def test_the_steps_are_found_once_and_again_only_for_other_files(place: Place, tmp_path: Path) -> None:
    searched: list[str] = []
    again = fewest_steps(place.bench.planned, place.folder, lambda: searched.append("again"))
    assert (again, searched) == (place.fewest, [])
    (kept,) = place.folder.glob("fewest-steps-*.json")
    damaged = tmp_path / kept.name
    strange = kept.read_text("utf-8").replace('"acquisitions": [', '"acquisitions": [4000, ')
    for text in ("{}", strange):
        damaged.write_text(text, encoding="utf-8")
        found = fewest_steps(place.bench.planned, tmp_path, lambda: searched.append("damaged"))
        assert found == place.fewest
    assert searched == ["damaged", "damaged"]
    assert replace(place.bench.planned, plan=replace(place.bench.planned.plan, through=None)).digest not in (
        kept.name
    )


@pytest.fixture
def invented(place: Place, tmp_path: Path) -> Iterator[Callable[..., str]]:
    """Records of runs that were never made: `invented("shortest", "whole")` adds two; returns what is due."""
    job = place.bench.job
    header = make_header(place.bench, RunRequest(serial="I-1"), place.bench.planned.plan)
    with open_records(tmp_path / "invented.sqlite") as store:

        def add(*extents: Extent, files: tuple[JobFile, ...] = header.files) -> str:
            for extent in extents:
                run = store.begin(replace(header, files=files))
                made = Production(fewest=place.fewest, shortest=extent == "shortest")
                for event, text in made.noted(place.bench.planned.plan):
                    store.add_event(run, event, text)
                if extent == "until fail":
                    store.add_event(run, *ended_at_fail(place.bench.planned.plan, []))
                store.finish(run, "fail" if extent == "until fail" else "pass", "", datetime.now(UTC))
            return whole_run_due(store, job, simulated=True)

        yield add


def test_one_unit_in_three_has_a_whole_run(invented: Callable[..., str]) -> None:
    """As `full_every = 3` says; a run that ended at its FAIL is neither, and other files begin anew."""
    assert "none is recorded with these files" in invented()
    assert invented("whole") == ""
    assert invented("shortest") == ""
    assert "one unit in 3 (full_every); the last was run 1" in invented("shortest", "until fail")
    assert invented("whole", "shortest") == ""
    other = JobFile.of("module.toml", b"another")
    assert "none is recorded" in invented("whole", files=(other, other, other))


def test_a_batch_of_shortest_runs_begins_with_a_whole_one_and_says_so(
    place: Place, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    serials = tmp_path / "serials.txt"
    serials.write_text("B-1\nB-2\n", encoding="utf-8")
    records = tmp_path / "records.sqlite"
    printed = switchwalk(
        capsys, "batch", str(place.bench.job.folder), "--serials", str(serials), "--simulate",
        "--speed", "20", "--shortest", "--records", str(records),
    )  # fmt: skip
    assert printed.code == 0, printed.err
    assert "B-1: a whole run, as the sequence wants a whole run for one unit in 3 (full_every)" in printed.err
    assert "whole run: 1; shortest run: 1" in printed.out
    with open_records(records, read_only=True) as store:
        assert [line.extent for line in store.lines()] == ["whole", "shortest"]
