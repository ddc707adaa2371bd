"""Records on a PostgreSQL server: every command by URL, and what is said when the server is not there."""

import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest

from harness.errors import RecordsError
from harness.records import database as places
from harness.records.store import open_records
from tests.cli.commands import switchwalk
from tests.jobs import ROUTE_AND_GAIN, job_in
from tests.records.outside_broadcast import ENDED, HEADER, READING, changed, value_of
from tests.records.postgresql_server import PostgreSQL, postgresql_server


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the commands run, with a job of two states."""
    folder = tmp_path_factory.mktemp("bench")
    job_in(folder / "job", ROUTE_AND_GAIN, states=["idle", "loop_a"])
    return folder


@pytest.fixture(scope="module")
def place(folder: Path, postgresql: PostgreSQL) -> str:
    """Two simulated runs, a good unit and one with a dead relay, made by the command itself."""
    place = postgresql.new_place()
    command = [sys.executable, "-m", "harness.cli", "run", "job", "--simulate", "--speed", "20"]
    for serial, fault, code in (("OB-0001", (), 0), ("OB-0002", ("--fault", "K1 never operates"), 1)):
        arguments = [*command, "--serial", serial, *fault, "--records", place]
        done = subprocess.run(arguments, cwd=folder, capture_output=True, text=True, check=False)
        assert done.returncode == code, done.stdout + done.stderr
    return place


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (("units",), 0, "OB-0002"),
        (("units", "--json"), 0, '"serial": "OB-0001"'),
        (("show", "1"), 0, "Serial OB-0001: PASS"),
        (("show", "2", "--all", "--budget"), 0, "Serial OB-0002: FAIL"),
        (("show", "2", "--json"), 0, '"outcome": "fail"'),
        (("trends", "--simulated"), 0, "First-pass yield    1 of 2"),
        (("trends", "--simulated", "--json"), 0, '"units": 2'),
        (("trends", "--simulated", "--reading", "Route and gain: loop_a left.out 1 kHz"), 0, "mean"),
        (("export", "1", "--format", "csv", "--out", "run.csv"), 0, "run.csv"),
        (("export", "2", "--format", "npz", "--out", "run.npz"), 0, "run.npz"),
        (("rejudge", "1", "--sequence", "job/sequence.toml"), 0, "PASS  unit OB-0001"),
        (("verify",), 0, "2 runs"),
        (("verify", "2"), 0, "as recorded"),
        (("diagnose", "2"), 0, "K1"),
        (("show", "9"), 2, "there is no run 9"),
    ],
)
def test_every_command_takes_the_url(
    place: str,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: tuple[str, ...],
    code: int,
    message: str,
) -> None:
    monkeypatch.chdir(folder)
    printed = switchwalk(capsys, *arguments, "--records", place)
    assert printed.code == code, printed
    assert message in printed.out + printed.err


def password_of(place: str) -> str:
    return place.partition("bench:")[2].partition("@")[0]


def test_the_password_is_never_shown(place: str) -> None:
    with open_records(place, read_only=True) as store:
        assert password_of(place) not in store.location
        with pytest.raises(RecordsError) as caught:
            store.run(9)
    assert password_of(place) not in str(caught.value)


def unreachable(place: str) -> str:
    port = place.rpartition("@")[2].partition(":")[2].partition("/")[0]
    return place.replace(f":{port}/", ":1/")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (unreachable, "Connection refused.*Check the address and that the server runs"),
        (lambda place: place.replace(password_of(place), "wrong"), "password authentication failed"),
        (lambda place: place.replace("/postgres?", "/nothing?"), 'database "nothing" does not exist'),
    ],
    ids=["no server", "wrong password", "no such database"],
)
def test_a_server_that_cannot_be_used_is_said_in_one_line(
    place: str, change: Callable[..., Any], message: str
) -> None:
    for read_only in (True, False):
        with pytest.raises(RecordsError, match=message) as caught:
            open_records(change(place), read_only=read_only)
        assert "\n" not in str(caught.value)
        assert password_of(place) not in str(caught.value)


def test_a_look_makes_nothing_on_the_server(postgresql: PostgreSQL) -> None:
    place = postgresql.new_place()
    with pytest.raises(RecordsError, match="no records here yet"):
        open_records(place, read_only=True)
    with psycopg.connect(place) as plain:
        result = plain.execute(
            "SELECT count(*) FROM pg_tables WHERE schemaname = current_schema()"
        ).fetchone()
    assert result == (0,)


def test_a_reader_cannot_write(postgresql: PostgreSQL) -> None:
    place = postgresql.new_place()
    with open_records(place) as store:
        run = store.begin(HEADER)
    with open_records(place, read_only=True) as store, pytest.raises(RecordsError, match="is read-only"):
        store.add_readings(run, [READING])


def test_a_database_of_something_else_is_left_alone(postgresql: PostgreSQL) -> None:
    place = postgresql.new_place()
    with psycopg.connect(place) as plain:
        plain.execute("CREATE TABLE relays (lot TEXT)")
    with pytest.raises(RecordsError, match="is a database of something else"):
        open_records(place)


def test_a_user_who_may_only_read_can_look(place: str, postgresql: PostgreSQL) -> None:
    schema = place.partition("search_path%3D")[2]
    with psycopg.connect(place) as plain:
        plain.execute("CREATE ROLE visitor LOGIN PASSWORD 'guest'")
        plain.execute(f"GRANT USAGE ON SCHEMA {schema} TO visitor")
        plain.execute(f"GRANT SELECT ON ALL TABLES IN SCHEMA {schema} TO visitor")
    as_visitor = place.replace(f"bench:{password_of(place)}", "visitor:guest")
    with open_records(as_visitor, read_only=True) as store:
        assert [unit.serial for unit in store.units()] == ["OB-0002", "OB-0001"]
        assert store.verify().findings == ()
    with open_records(as_visitor) as store, pytest.raises(RecordsError, match="does not allow this user"):
        store.begin(HEADER)


def test_nothing_is_recorded_for_a_run_that_is_not_there(postgresql: PostgreSQL) -> None:
    with open_records(postgresql.new_place()) as store:
        with pytest.raises(RecordsError, match="there is no such run or acquisition"):
            store.add_readings(7, [READING])
        assert store.verify().entries == 0


def test_another_writer_that_hangs_is_said(postgresql: PostgreSQL, monkeypatch: pytest.MonkeyPatch) -> None:
    from harness.records import database

    monkeypatch.setattr(database, "LOCK_WAIT_S", 0.05)
    place = postgresql.new_place()
    with open_records(place) as store:
        run = store.begin(HEADER)
        with psycopg.connect(place) as other:
            other.execute(f"SELECT pg_advisory_xact_lock({database.WRITERS})")
            with pytest.raises(RecordsError, match="another program has held it locked"):
                store.add_readings(run, [READING])
        store.add_readings(run, [READING])
        assert store.readings(run) == [READING]


def test_a_server_set_to_forget_is_told_to_wait_for_its_disk(postgresql: PostgreSQL) -> None:
    place = f"{postgresql.new_place()}%20-csynchronous_commit%3Doff"
    with open_records(place) as store, store._engine.connect() as connection:
        assert connection.exec_driver_sql("SHOW synchronous_commit").scalar() == "on"


@pytest.fixture
def own_server(postgresql: PostgreSQL) -> Iterator[PostgreSQL]:
    """One that may be crashed; where the other runs, so does this."""
    with postgresql_server(durable=True) as server:
        yield server


def test_a_server_that_crashes_in_mid_run_is_said_and_keeps_all(
    own_server: PostgreSQL,
) -> None:
    with open_records(own_server.new_place()) as store:
        run = store.begin(HEADER)
        for number in range(20):
            store.add_readings(run, [changed(READING, value=float(number))])
        own_server.stop_at_once()
        with pytest.raises(RecordsError, match="the connection to the server is lost"):
            store.add_readings(run, [READING])
        with pytest.raises(RecordsError, match="Check the address and that the server runs"):
            store.add_readings(run, [READING])
        own_server.start()
        assert [value_of(reading) for reading in store.readings(run)] == [
            float(number) for number in range(20)
        ]
        store.add_readings(run, [READING])
        store.finish(run, "stopped", "the server was gone", ENDED)
        assert store.verify().findings == ()


@pytest.mark.parametrize("url", ["postgresql://ada@van/records", "postgresql+psycopg://ada@van/records"])
def test_both_ways_to_write_the_url_mean_the_same(url: str) -> None:
    result = places.find_location(url)
    assert result.url.drivername == "postgresql+psycopg"
    assert result.shown == url
