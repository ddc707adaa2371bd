"""Tamper evidence: whatever is done to records from outside is found, and the run is named."""

import shutil
import sqlite3
import subprocess
import sys
from collections import Counter
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path

import psycopg
import pytest

from harness.errors import RecordsError
from harness.records.run import CurrentsDrawn, FaultsNamed, Resumed, StoredReference
from harness.records.store import open_records
from tests.children import ROOT
from tests.records import version_3
from tests.records.outside_broadcast import ACQUISITION, ENDED, HEADER, READING, capture, changed, value_of
from tests.records.postgresql_server import PostgreSQL

MISSING = changed(READING, value=None, verdict="missing", reason="no range")
RESUMED = Resumed(after="stopped", recorded=6, remaining=90)


def make(place: str) -> None:
    """Two finished runs and one that was interrupted, with everything that a run can have."""
    with open_records(place) as store:
        for outcome in ("pass", "fail", None):
            run = store.begin(HEADER)
            store.add_event(run, CurrentsDrawn(currents_a={"loop_a": 0.024}))
            store.add_reference(run, {"gain": [1.0, -0.0]})
            acquisition = store.add_acquisition(run, ACQUISITION)
            store.add_waveform(run, acquisition, capture(seed=1, samples=100))
            store.add_readings(run, [changed(READING, value=float(n), low=-0.0) for n in range(4)])
            store.add_readings(run, [MISSING, changed(READING, high=float("inf"), limit_high=None)])
            if outcome:
                store.finish(run, outcome, "", ENDED)


@pytest.fixture(scope="module")
def made_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("records") / "records.sqlite"
    make(str(place))
    return place


@pytest.fixture
def file(made_file: Path, tmp_path: Path) -> Path:
    """A copy of the records in a file."""
    return Path(shutil.copy(made_file, tmp_path / "records.sqlite"))


@pytest.fixture
def database(postgresql: PostgreSQL) -> str:
    """The same records in a database."""
    place = postgresql.new_place()
    make(place)
    return place


@pytest.fixture(params=["file", "database"])
def place(request: pytest.FixtureRequest) -> str:
    """A copy of the records in either."""
    return str(request.getfixturevalue(request.param))


def meddle(place: str | Path, *statements: str) -> None:
    if "://" in str(place):
        with psycopg.connect(str(place)) as connection:
            for statement in statements:
                connection.execute(statement.replace("X'00'", r"'\x00'"))
        return
    with closing(sqlite3.connect(place)) as database:
        for statement in statements:
            database.execute(statement)
        database.commit()


def test_untouched_records_are_as_recorded(place: str) -> None:
    with open_records(place, read_only=True) as store:
        result = store.verify()
        assert result.findings == ()
        assert result.runs == 3
        assert store.verify(2, expected=result.head).findings == ()
        with pytest.raises(RecordsError, match="there is no run 9"):
            store.verify(9)


SWAPPED = "UPDATE readings SET id = CASE id WHEN 7 THEN 900 ELSE 7 END WHERE id IN (7, 8)"


@pytest.mark.parametrize(
    ("statements", "run", "message"),
    [
        (("UPDATE readings SET value = value + 1e-12 WHERE id = 8",), 2, "reading 8 (Route and gain"),
        (("UPDATE readings SET verdict = 'pass' WHERE id = 11",), 2, "reading 11"),
        (("UPDATE readings SET reason = 'ok' WHERE id = 5",), 1, "reading 5"),
        (("DELETE FROM readings WHERE id = 9",), 2, "reading 9 was recorded and is gone"),
        ((SWAPPED, "UPDATE readings SET id = 8 WHERE id = 900"), 2, "reading 7"),
        (("UPDATE readings SET run_id = 1 WHERE id = 8",), 2, "reading 8 was recorded and is gone"),
        (("UPDATE runs SET serial = 'OB-0099' WHERE id = 2",), 2, "the run's header is not what was"),
        (("UPDATE runs SET outcome = 'pass' WHERE id = 2",), 2, "reads 'pass', and 'fail' was recorded"),
        (("UPDATE runs SET outcome = NULL, ended = NULL WHERE id = 1",), 1, "reads None, and 'pass' was"),
        (("UPDATE run_files SET text = text || ' ' WHERE run_id = 2",), 2, "job file"),
        (("UPDATE acquisitions SET phasors = '[]' WHERE run_id = 3",), 3, "acquisition 3 is not"),
        (("UPDATE waveforms SET volts_npz = X'00' WHERE run_id = 3",), 3, "waveform"),
        (("DELETE FROM through_references WHERE run_id = 1",), 1, "through reference 1 was recorded and"),
        (("UPDATE instruments SET text = 'x' WHERE id = 1",), 1, "instrument 1 is not"),
        (("UPDATE run_events SET at = '2020' WHERE run_id = 1",), 1, "event"),
        (("DELETE FROM ledger WHERE id = 4",), 1, "does not follow the one before it"),
        (("UPDATE ledger SET content = 'x' WHERE run_id = 2 AND kind = 'readings'",), 2, "does not follow"),
        (
            ("INSERT INTO run_events (id, run_id, kind, at, text) VALUES (99, 3, 'ended', '', '')",),
            3,
            "was put in",
        ),
    ],
)
def test_what_was_done_from_outside_is_found_with_its_run(
    place: str, statements: tuple[str, ...], run: int, message: str
) -> None:
    meddle(place, *statements)
    with open_records(place, read_only=True) as store:
        result = store.verify()
        assert any(finding.run_id == run and message in finding.what for finding in result.findings), result
        if "ledger" not in statements[0] and "run_id = 1 WHERE" not in statements[0]:
            assert {finding.run_id for finding in result.findings} == {run}
            others = {1, 2, 3} - {run}
            assert [store.verify(other).findings for other in others] == [(), ()]


def test_of_one_run_the_chain_is_followed_from_its_first_entry_on(place: str) -> None:
    with open_records(place, read_only=True) as store:
        whole, first, last = store.verify(), store.verify(1), store.verify(3)
        before = store.verify(3, expected=store.seal(1))
    assert whole.entries == first.entries > before.entries > last.entries
    assert {whole.head, first.head, last.head, before.head} == {whole.head}
    assert before.findings == ()


@pytest.mark.parametrize(
    "statements",
    [
        ("UPDATE ledger SET id = 900 WHERE run_id = 3 AND kind = 'runs'",),
        ("DELETE FROM ledger WHERE run_id = 3 AND kind = 'runs'",),
        ("UPDATE ledger SET previous = '0' WHERE run_id = 3 AND kind = 'runs'",),
    ],
    ids=["moved to the end", "removed", "hung elsewhere"],
)
def test_a_run_whose_first_entry_is_not_where_it_was_is_not_believed(
    place: str, statements: tuple[str, ...]
) -> None:
    meddle(place, *statements)
    with open_records(place, read_only=True) as store:
        assert any("does not follow" in finding.what for finding in store.verify(3).findings)


def test_a_whole_run_that_is_gone_is_found(place: str) -> None:
    tables = ("waveforms", "readings", "acquisitions", "through_references", "run_events", "instruments")
    meddle(
        place,
        *(f"DELETE FROM {table} WHERE run_id = 2" for table in (*tables, "run_files")),
        "DELETE FROM runs WHERE id = 2",
    )
    with open_records(place, read_only=True) as store:
        assert {finding.run_id for finding in store.verify().findings} == {2}


def test_an_end_that_was_cut_off_is_found_by_a_digest_that_was_noted(place: str) -> None:
    with open_records(place, read_only=True) as store:
        noted = store.verify().head
    meddle(
        place,
        "DELETE FROM ledger WHERE run_id = 3 AND row IN (SELECT MAX(id) FROM readings) AND kind = 'readings'",
        "DELETE FROM readings WHERE id = (SELECT MAX(id) FROM readings)",
    )
    with open_records(place, read_only=True) as store:
        assert store.verify().findings == ()  # nothing within the records can show it
        (finding,) = store.verify(expected=noted).findings
    assert "its end was cut off" in finding.what


def test_a_run_that_goes_on_stays_in_the_chain(place: str) -> None:
    with open_records(place) as store:
        store.reopen(3, RESUMED, "", ENDED)
        store.finish(3, "stopped", "by hand", ENDED)
        store.reopen(3, RESUMED, "", ENDED)
        store.finish(3, "pass", "", ENDED)
        assert store.verify().findings == ()
        assert [event.kind for event in store.events(3)] == [
            "currents", "resumed", "ended", "resumed", "ended",
        ]  # fmt: skip
        for run in (1, 2, 3, 9):  # passed, failed, passed, not there
            with pytest.raises(RecordsError, match="interrupted or stopped"):
                store.reopen(run, RESUMED, "", ENDED)


def test_a_seal_is_another_one_once_anything_is_recorded_of_its_run(place: str) -> None:
    with open_records(place) as store:
        before = store.seals()
        assert before == {run: store.seal(run) for run in (1, 2, 3)}
        store.add_event(2, FaultsNamed(faults=(), probability=0.0))
        after = store.seals()
    assert [run for run in before if after[run] != before[run]] == [2]


def to_version_2(place: str | Path) -> None:
    version_3.write(place)
    meddle(
        place,
        "ALTER TABLE runs DROP COLUMN batch",
        "ALTER TABLE runs DROP COLUMN purpose",
        "DELETE FROM ledger WHERE kind = 'kept_references'",
        "UPDATE switchwalk_schema SET version = 2",
    )


@pytest.fixture
def older_file(tmp_path: Path) -> Path:
    """Records of version 2 in a file."""
    place = tmp_path / "older.sqlite"
    to_version_2(place)
    return place


def test_records_of_version_2_are_brought_up_with_their_ledger_unbroken(older_file: Path) -> None:
    with open_records(older_file) as store:
        chain = store.verify(1)
        assert (chain.findings, chain.head) == ((), version_3.HEAD)
        run = store.begin(replace(HEADER, batch="autumn", purpose="golden"))
        assert store.run(run).header == replace(HEADER, batch="autumn", purpose="golden")
        assert not store.run(run).upgraded
    meddle(older_file, f"UPDATE runs SET batch = '' WHERE id = {run}")
    with open_records(older_file, read_only=True) as store:
        assert run in [finding.run_id for finding in store.verify().findings]


def test_records_of_an_older_version_are_refused_to_a_reader_and_copied_before_they_are_changed(
    older_file: Path,
) -> None:
    with pytest.raises(RecordsError, match=r"version 2, and this switchwalk keeps version 4\. Upgrade them"):
        open_records(older_file, read_only=True)
    was = dump(older_file)
    (older_file.parent / "older.sqlite.version-2").write_text("an earlier copy")
    with open_records(older_file) as store:
        values = [reading.estimate and reading.estimate.value for reading in store.readings(1)]
    assert values == [row["value"] for row in version_3.rows()["readings"] if row["run_id"] == 1]
    assert dump(older_file.parent / "older.sqlite.version-2-2") == was
    assert (older_file.parent / "older.sqlite.version-2").read_text() == "an earlier copy"
    assert not list(older_file.parent.glob("*.part"))


def test_records_from_before_the_first_release_are_refused(file: Path) -> None:
    meddle(file, "UPDATE switchwalk_schema SET version = 1")
    for read_only in (True, False):
        with pytest.raises(
            RecordsError, match=r"version 1, and this switchwalk knows version 4\. Use the older"
        ):
            open_records(file, read_only=read_only)


@pytest.mark.parametrize("step", [2, 3])
def test_an_upgrade_that_is_killed_changes_nothing(older_file: Path, step: int) -> None:
    was = dump(older_file)
    killed = subprocess.run(
        [
            sys.executable,
            "-c",
            "import os, signal, sys\n"
            "from harness.records import upgrade\n"
            "from harness.records.store import open_records\n"
            "number = int(sys.argv[2])\n"
            "step = upgrade.STEPS[number]\n"
            "def killed(connection, enter):\n"
            "    step(connection, enter)\n"
            "    os.kill(os.getpid(), signal.SIGKILL)\n"
            "upgrade.STEPS[number] = killed\n"
            "open_records(sys.argv[1])\n",
            str(older_file),
            str(step),
        ],
        check=False,
    )
    assert killed.returncode == -9
    with pytest.raises(RecordsError, match="version 2"):
        open_records(older_file, read_only=True)
    assert dump(older_file) == was
    with open_records(older_file) as store:
        assert store.verify(1).findings == ()


def test_records_on_a_server_are_brought_up_only_when_a_person_says_so(postgresql: PostgreSQL) -> None:
    place = postgresql.new_place()
    to_version_2(place)
    for read_only in (True, False):
        with pytest.raises(RecordsError, match=r"`switchwalk verify --upgrade`, for all benches at once"):
            open_records(place, read_only=read_only)
    with open_records(place, bring_up=True) as store:
        assert store.verify(1).findings == ()
        assert len(store.readings(1)) == 6


def dump(file: Path) -> list[str]:
    with closing(sqlite3.connect(file)) as database:
        return list(database.iterdump())


def test_four_benches_writing_at_once_keep_one_chain_and_numbers_without_gaps(empty: str) -> None:
    """Also the tables are made by whoever comes first; who verifies meanwhile finds nothing wrong."""
    benches = [
        subprocess.Popen([sys.executable, "-m", "tests.records.one_bench", empty, f"Bench {n}"], cwd=ROOT)
        for n in range(4)
    ]
    while any(bench.poll() is None for bench in benches):
        with suppress(RecordsError), open_records(empty, read_only=True) as store:
            assert store.verify().findings == ()
    assert [bench.wait() for bench in benches] == [0] * 4
    with open_records(empty, read_only=True) as store:
        assert store.verify().findings == ()
        runs = store.runs()
        assert [run.run_id for run in runs] == list(range(1, 13))
        assert Counter(run.header.bench_name for run in runs) == {f"Bench {n}": 3 for n in range(4)}
        for run in runs:
            values = [value_of(reading) for reading in store.readings(run.run_id)]
            assert values == [float(number) for number in range(15) for _ in range(2)]


@pytest.mark.parametrize(
    ("statement", "what"),
    [
        (
            "UPDATE kept_references SET content = '{}' WHERE id = 1",
            "kept reference 1 is not what was recorded",
        ),
        ("DELETE FROM kept_references WHERE id = 1", "kept reference 1 was recorded and is gone"),
        ("UPDATE kept_references SET bench = 'Bench 2' WHERE id = 1", "kept reference 1 is not what was"),
        (
            "INSERT INTO kept_references SELECT 9, taken, bench, temperature_c, simulated, content "
            "FROM kept_references WHERE id = 1",
            "kept reference 9 has no entry in the ledger",
        ),
    ],
)
def test_a_kept_reference_is_in_the_chain(file: Path, statement: str, what: str) -> None:
    with open_records(file) as store:
        store.keep_reference(
            StoredReference(
                taken=ENDED, bench="Bench 1", temperature_c=21.5, simulated=True, content={"gain": [1.0]}
            )
        )
        assert store.verify().findings == ()
    meddle(str(file), statement)
    with open_records(file, read_only=True) as store:
        (finding,) = store.verify().findings
        assert (finding.run_id, what in finding.what) == (0, True), finding
