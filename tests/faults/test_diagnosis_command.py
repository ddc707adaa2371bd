"""`switchwalk diagnose`, on runs made by wire on the simulated bench."""

import json
import re
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from harness.records.store import open_records
from tests.cli.commands import Printed, exit_code, switchwalk
from tests.jobs import RELAY_CURRENT, ROUTE_AND_GAIN, check_of, job_in

NEVER, SHORTED, GOOD = 1, 2, 3


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Records of three runs, whose job files have changed since."""
    folder = tmp_path_factory.mktemp("diagnosis")
    job = job_in(folder / "job", ROUTE_AND_GAIN, RELAY_CURRENT)
    records = folder / "records.sqlite"
    for serial, fault in (("A", "K3 never operates"), ("B", "K1 coil shorted"), ("C", "")):
        faults = ("--fault", fault) if fault else ()
        exit_code(
            "run", str(job), "--serial", serial, "--simulate", "--speed", "20", *faults,
            "--records", str(records), "--json",
        )  # fmt: skip
    for file in job.iterdir():
        file.write_text("another job now", encoding="utf-8")
    return records


@pytest.mark.parametrize("more", [(), ("--json",)])
def test_a_run_that_measured_nothing_is_not_explained(
    place: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path, more: tuple[str, ...]
) -> None:
    records = tmp_path / "records.sqlite"
    shutil.copy(place, records)
    with open_records(records) as store:
        number = store.begin(store.run(NEVER).header)
        store.finish(number, "stopped", "the generator was unplugged", datetime.now(UTC))
    printed = diagnose(capsys, records, number, *more)
    assert printed.code == 3
    if more:
        assert json.loads(printed.out)["groups"] == []
    else:
        said = " ".join(printed.out.split())
        assert "measured nothing of the unit, so no fault can be named" in said
        assert f"`switchwalk resume {number}`" in said


def diagnose(capsys: pytest.CaptureFixture[str], place: Path, run: int, *more: str) -> Printed:
    return switchwalk(capsys, "diagnose", str(run), "--records", str(place), *more)


def test_the_fault_is_named_from_the_files_that_the_run_recorded(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    printed = diagnose(capsys, place, NEVER)
    assert printed.code == 0
    assert "K3 never operates" in printed.out
    assert "relay K3, left: never operates though its coil draws current" in " ".join(printed.out.split())
    assert max(len(line) for line in printed.out.splitlines()) <= 80


def test_json_holds_groups_probabilities_and_words(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    printed = diagnose(capsys, place, NEVER, "--json")
    result = json.loads(printed.out)
    assert printed.code == 0
    assert (result["run"], result["serial"], result["outcome"]) == (1, "A", "fail")
    assert result["explained"] is True
    assert result["groups"][0]["faults"][0]["name"] == "K3 never operates"
    assert set(result["groups"][0]) == {"probability", "faults"}
    total = sum(group["probability"] for group in result["groups"])
    assert total + result["good"] + result["something_else"] == pytest.approx(1.0)
    assert set(result) == {
        "run", "serial", "outcome", "explained", "good", "something_else", "beyond_standard_deviations",
        "pairs_tried", "acquisitions", "supply_readings", "over_current_in", "groups", "next_probe", "notes",
        "change_readings", "not_weighed",
    }  # fmt: skip


def test_a_run_that_over_current_stopped_is_explained_by_the_supply(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    printed = diagnose(capsys, place, SHORTED)
    message = " ".join(printed.out.split())
    assert printed.code == 0
    assert "K1 coil shorted" in message
    assert "K6 coil shorted" in message
    assert "K2 coil shorted" not in message
    assert "stopped by over-current in state loop_a" in message


def test_a_run_that_passed_needs_no_explanation(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    printed = diagnose(capsys, place, GOOD)
    assert printed.code == 0
    assert "Every reading passed; there is nothing to explain" in " ".join(printed.out.split())
    printed = diagnose(capsys, place, GOOD, "--json")
    assert json.loads(printed.out)["groups"] == []


def test_a_run_that_is_not_there_is_said_not_to_be(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    printed = diagnose(capsys, place, 99)
    assert printed.code == 2
    assert "there is no run 99" in printed.err


def test_the_report_of_a_run_that_failed_says_what_would_explain_it(place: Path) -> None:
    reports = sorted((place.parent / "reports").glob("*.html"))
    pages = [page.read_text(encoding="utf-8") for page in reports]
    messages = [re.search(r"<h2 id=\"explains\">Diagnosis</h2>", page) is not None for page in pages]
    assert messages == [True, True, False]
    assert "K3 never operates" in pages[0]


def test_a_relay_that_comes_late_is_named_by_its_change_of_state(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = job_in(
        tmp_path / "job",
        ROUTE_AND_GAIN,
        check_of("operate_time", below="4 ms"),
        states=["idle", "loop_a"],
        channels=["left"],
    )
    records = tmp_path / "records.sqlite"
    exit_code(
        "run", str(job), "--serial", "L", "--simulate", "--speed", "20", "--fault", "K1 slow to operate",
        "--records", str(records), "--json",
    )  # fmt: skip
    printed = diagnose(capsys, records, 1)
    message = " ".join(printed.out.split())
    assert printed.code == 0
    assert "K1 slow to operate" in message
    assert "relay K1, left: operates too late" in message
