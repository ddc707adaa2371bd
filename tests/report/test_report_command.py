"""`switchwalk report`: a run's page once more, from the records alone."""

import hashlib
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from harness.records.store import open_records
from harness.report.run_report import write_report_again
from harness.session.admission import run_lock
from tests.cli.commands import exit_code, switchwalk
from tests.jobs import with_checks_of

JOB = Path(__file__).parents[2] / "sequences" / "two_loop_switcher"
FAILED, PASSED = 1, 2


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Records of a unit with a dead relay and of a good one, on a bench that is gone."""
    folder = tmp_path_factory.mktemp("report")
    job = with_checks_of(JOB, folder / "job", "gain", "response", "release_time")
    records = folder / "records.sqlite"
    for serial, faults in (("OB-1", ("--fault", "K3 never operates")), ("OB-2", ())):
        asked = ["run", str(job), "--serial", serial, "--simulate", "--speed", "10", "--json", *faults]
        exit_code(*asked, "--records", str(records))
    shutil.rmtree(job)
    return records


@pytest.fixture
def copied(place: Path, tmp_path: Path) -> Path:
    """The same, to be changed by a test."""
    return Path(shutil.copy(place, tmp_path / "records.sqlite"))


def of_its_end(place: Path, run: int) -> str:
    (page,) = (place.parent / "reports").glob(f"run-{run:05d}-*.html")
    return page.read_text(encoding="utf-8")


def again(capsys: pytest.CaptureFixture[str], place: Path, run: int, page: Path) -> str:
    printed = switchwalk(capsys, "report", str(run), "--records", str(place), "--out", str(page))
    assert (printed.code, printed.out, printed.err) == (0, f"{page}\n", "")
    return page.read_text(encoding="utf-8")


@pytest.mark.parametrize("run", [FAILED, PASSED])
def test_the_page_is_the_one_that_the_end_of_the_run_wrote(
    capsys: pytest.CaptureFixture[str], place: Path, tmp_path: Path, run: int
) -> None:
    page = again(capsys, place, run, tmp_path / "of a kind" / "page.html")
    assert page == of_its_end(place, run)
    assert page.count("data:image/svg+xml") >= 2


def test_it_goes_beside_the_records_where_nothing_else_is_said(
    capsys: pytest.CaptureFixture[str], copied: Path
) -> None:
    printed = switchwalk(capsys, "report", str(FAILED), "--records", str(copied))
    assert printed.out == f"{copied.parent}/reports/run-00001-OB-1.html\n"
    assert "K3 never operates" in of_its_end(copied, FAILED)


def test_nothing_is_kept_in_the_records(
    capsys: pytest.CaptureFixture[str], copied: Path, tmp_path: Path
) -> None:
    before = hashlib.sha256(copied.read_bytes()).hexdigest()
    again(capsys, copied, FAILED, tmp_path / "page.html")
    assert hashlib.sha256(copied.read_bytes()).hexdigest() == before


def test_a_run_of_an_earlier_version_is_diagnosed_anew(place: Path, copied: Path, tmp_path: Path) -> None:
    """It has no explanation. `switchwalk report` itself would refuse records that were edited like this."""
    change(copied, "delete from run_events where kind = 'explanation'")
    page = tmp_path / "page.html"
    with open_records(copied, read_only=True) as store:
        write_report_again(store, FAILED, copied, page=page)
    assert page.read_text(encoding="utf-8") == of_its_end(place, FAILED)


@pytest.mark.parametrize(
    "statement",
    [
        "update runs set outcome = 'pass' where id = 1",
        """update run_events set content = '{"headline": 3}' where kind = 'explanation'""",
    ],
)
def test_an_edited_run_gets_no_report(
    capsys: pytest.CaptureFixture[str], copied: Path, tmp_path: Path, statement: str
) -> None:
    change(copied, statement)
    page = tmp_path / "page.html"
    printed = switchwalk(capsys, "report", str(FAILED), "--records", str(copied), "--out", str(page))
    assert printed.code == 4
    assert f"run {FAILED} is not as it was recorded" in printed.err
    assert "No report is written" in printed.err
    assert not page.exists()


def test_a_run_that_goes_on_elsewhere_has_no_report_yet(
    capsys: pytest.CaptureFixture[str], place: Path
) -> None:
    with open_records(place) as store, run_lock(store, PASSED):
        printed = switchwalk(capsys, "report", str(PASSED), "--records", str(place))
    assert printed.code == 4
    assert "run 2" in printed.err


def test_a_run_that_is_not_there_is_said_not_to_be(capsys: pytest.CaptureFixture[str], place: Path) -> None:
    printed = switchwalk(capsys, "report", "99", "--records", str(place))
    assert printed.code == 2
    assert "there is no run 99" in printed.err


def test_a_page_that_cannot_be_written_is_named(
    capsys: pytest.CaptureFixture[str], place: Path, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    page = tmp_path / "file" / "page.html"
    printed = switchwalk(capsys, "report", str(PASSED), "--records", str(place), "--out", str(page))
    assert printed.code == 4
    assert f"{page}: the report can't be written" in " ".join(printed.err.split())


def change(records: Path, statement: str) -> None:
    with closing(sqlite3.connect(records)) as connection, connection:
        assert connection.execute(statement).rowcount == 1
