"""The one place that knows which database it is: opening it, checking it, and holding it alone.

What was committed survives a pulled plug: SQLite runs with a write-ahead log and full synchronisation, and
PostgreSQL is told to wait for its disk.
"""

import os
import random
import sqlite3
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event, inspect, select
from sqlalchemy.exc import OperationalError
from sqlalchemy.pool import QueuePool

from harness.errors import RecordsError
from harness.records import ledger, upgrade
from harness.records.place import CONNECT_WAIT_S, ELSEWHERE, LOCK_WAIT_S, Place, explained, readable
from harness.records.tables import SCHEMA_VERSION, metadata, schema

WRITERS = 0x5357
"""The number of the advisory lock of those who write; any will do, the same in every version."""

PAUSES_S = (0.0005, 0.003)
"""Between two tries, at random: about as long as a bench takes between two groups of readings."""


def open_engine(place: Place, *, read_only: bool, bring_up: bool = False) -> Engine:
    """Open the database, make its tables where there are none, and refuse what is not ours.

    Read only, nothing is made or changed, and records in a write-protected place can be read. bring_up:
    records of an older version become this version's first. Raises RecordsError.
    """
    with explained(place), readable(place):
        if place.file is None:
            engine = _server(place, read_only=read_only)
        elif read_only:
            engine = _sqlite_to_read(place, place.file)
        else:
            engine = _sqlite_to_write(place, place.file)
        try:
            with reading(engine) if read_only else writing(engine) as connection:
                _check_tables(connection, place, create=not read_only, bring_up=bring_up)
            if not read_only:
                _keep_a_log(engine)
        except BaseException:
            engine.dispose()
            raise
    return engine


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """A transaction that sees one moment of the records, whatever others write meanwhile."""
    with engine.connect() as connection:
        if engine.dialect.name == "postgresql":
            connection.execution_options(isolation_level="REPEATABLE READ")
        with connection.begin():
            if engine.dialect.name == "sqlite":
                connection.exec_driver_sql("BEGIN")
            yield connection


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A transaction that writes alone: what it reads before a write is still true then."""
    with engine.begin() as connection:
        if engine.dialect.name == "sqlite":
            _in_turn(connection, "BEGIN IMMEDIATE")
        elif engine.dialect.name == "postgresql":
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({WRITERS})")
        yield connection


def _in_turn(connection: Connection, statement: str) -> None:
    """Carry out what SQLite allows only one at a time, once no other does.

    Some of that it refuses without any waiting, a change to the write-ahead log for one. And its own
    waiting sleeps longer and longer, so that those who came last are served first, and one of several busy
    benches may never be. Here all who wait try alike and often to be the next in line, and nobody who comes
    later goes before that one.
    """
    until = time.monotonic() + LOCK_WAIT_S
    connection.exec_driver_sql("PRAGMA busy_timeout = 0")
    try:
        with next_in_line(Path(connection.engine.url.database or "").parent, until):
            while not _is_done(connection, statement, last_try=time.monotonic() >= until):
                time.sleep(random.uniform(*PAUSES_S))
    finally:
        connection.exec_driver_sql(f"PRAGMA busy_timeout = {round(1e3 * LOCK_WAIT_S)}")


def _is_done(connection: Connection, statement: str, *, last_try: bool) -> bool:
    try:
        connection.exec_driver_sql(statement)
    except OperationalError as error:
        code = getattr(error.orig, "sqlite_errorcode", sqlite3.SQLITE_OK)
        if last_try or code & 0xFF != sqlite3.SQLITE_BUSY:  # the rest of the code says what was busy
            raise
        return False
    return True


def _server(place: Place, *, read_only: bool) -> Engine:
    if place.url.get_backend_name() != "postgresql":
        raise RecordsError(
            f"{place.shown}: records are kept in SQLite or PostgreSQL. Expected a path, or a URL that begins "
            "with postgresql://"
        )
    engine = create_engine(place.url, connect_args={"connect_timeout": CONNECT_WAIT_S})

    def set_up(connection: Any, _record: object) -> None:
        connection.autocommit = True
        with connection.cursor() as cursor:
            cursor.execute(f"SET lock_timeout = '{LOCK_WAIT_S:g}s'")
            if read_only:
                cursor.execute("SET default_transaction_read_only = on")
            else:
                cursor.execute("SHOW synchronous_commit")
                if cursor.fetchone() in (("off",), ("local",)):
                    cursor.execute("SET synchronous_commit = on")
        connection.autocommit = False

    event.listen(engine, "connect", set_up)
    return engine


def _sqlite_to_write(place: Place, file: Path) -> Engine:
    file.parent.mkdir(parents=True, exist_ok=True)
    engine = create_engine(place.url, connect_args={"timeout": LOCK_WAIT_S})
    event.listen(engine, "connect", _set_up_sqlite)
    return engine


def _set_up_sqlite(connection: Any, _record: object) -> None:
    cursor = connection.cursor()
    cursor.execute("PRAGMA synchronous = FULL")
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.close()


def _keep_a_log(engine: Engine) -> None:
    """Switch SQLite to its write-ahead log, which stays with the file: only once it is known as ours."""
    if engine.dialect.name == "sqlite":
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            _in_turn(connection, "PRAGMA journal_mode = WAL")


def _sqlite_to_read(place: Place, file: Path) -> Engine:
    """Open without changing anything.

    Beside a file with a write-ahead log SQLite makes two small files and takes them away again. Where it
    can't, in a protected folder, it can do without them as long as no log is left there.
    """
    if not file.exists():
        raise RecordsError(f"{place.shown}: there are no records here yet. {ELSEWHERE}, or make a run first")
    log = file.with_name(file.name + "-wal")
    mode = "mode=rw" if log.exists() or _can_write(file) else "immutable=1"
    uri = f"file:{quote(str(file.absolute()))}?{mode}"

    def connect() -> sqlite3.Connection:
        connection = sqlite3.connect(uri, uri=True, timeout=LOCK_WAIT_S, check_same_thread=False)
        connection.execute("PRAGMA query_only = ON")
        # Room for a hundred runs, whose readings several questions go through one after the other.
        connection.execute("PRAGMA cache_size = -16384")  # KiB
        return connection

    return create_engine("sqlite://", creator=connect, poolclass=QueuePool)


def _can_write(file: Path) -> bool:
    effective = os.access in os.supports_effective_ids
    return all(os.access(path, os.W_OK, effective_ids=effective) for path in (file, file.parent))


def _check_plain(connection: Connection, place: Place) -> None:
    """Refuse what does something where a table only holds: a file of records is anybody's.

    A view, a virtual table or a generated column may never end, and a trigger may undo what is written.
    """
    ours = ", ".join(f"'{name}'" for name in metadata.tables)
    found = connection.exec_driver_sql(
        "SELECT type, name FROM sqlite_master WHERE type = 'trigger' OR lower(name) IN "
        f"({ours}) AND (type <> 'table' OR lower(ltrim(sql)) LIKE 'create virtual%') UNION ALL "
        f"SELECT 'generated column', t.name || '.' || c.name FROM sqlite_master AS t, "
        f"pragma_table_xinfo(t.name) AS c WHERE lower(t.name) IN ({ours}) AND t.type = 'table' "
        "AND lower(ltrim(t.sql)) NOT LIKE 'create virtual%' AND c.hidden <> 0"
    ).first()
    if found is not None:
        raise RecordsError(
            f"{place.shown}: was changed by another program: it has the {found[0]} {found[1]!r}, which no "
            "records have. Put it aside and bring back a copy"
        )


def _check_tables(connection: Connection, place: Place, *, create: bool, bring_up: bool) -> None:
    names = set(inspect(connection).get_table_names())
    if schema.name not in names and place.file is None and not create and not names:
        raise RecordsError(f"{place.shown}: there are no records here yet. {ELSEWHERE}, or make a run first")
    if schema.name not in names:
        if names or not create:
            raise RecordsError(
                f"{place.shown}: is a database of something else: it lacks the table {schema.name}. "
                f"{ELSEWHERE}"
            )
        metadata.create_all(connection)
        connection.execute(schema.insert().values(version=SCHEMA_VERSION))
    if connection.dialect.name == "sqlite":
        _check_plain(connection, place)
    version = connection.execute(select(schema.c.version)).scalar_one()
    if version == SCHEMA_VERSION:
        return
    held = f"{place.shown}: has records of version {version}, and this switchwalk"
    if version not in upgrade.STEPS:
        other = "newer" if version > SCHEMA_VERSION else "older"
        raise RecordsError(
            f"{held} knows version {SCHEMA_VERSION}. Use the {other} switchwalk that made them, or give "
            "another place with --records"
        )
    # Benches that share a server stop when its records are brought up: that is for a person to say.
    if bring_up or (create and place.file is not None):
        upgrade.bring_up(connection, place, version, enter=ledger.enter)
        return
    raise RecordsError(
        f"{held} keeps version {SCHEMA_VERSION}. Bring them up with `switchwalk verify --upgrade`"
        + (
            "; so does the next run. A copy is kept"
            if place.file is not None
            else ", for all benches at once"
        )
    )


if sys.platform == "win32":

    @contextmanager
    def next_in_line(_folder: Path, _until_s: float) -> Iterator[None]:
        """A folder cannot be held here, so whose turn it is falls to chance."""
        yield
else:
    import fcntl

    @contextmanager
    def next_in_line(folder: Path, until_s: float) -> Iterator[None]:
        """Hold the records' folder until a write has begun; who does not get it by then goes on without.

        Whoever has just written, and goes on at once, would be there first again and again: a machine that is
        busy wakes the others too late. The lock is the operating system's and goes with the process that held
        it. until_s: of the monotonic clock.
        """
        with ExitStack() as held:
            with suppress(OSError):  # a folder may be written and not be listed, a disk have no such locks
                descriptor = os.open(folder, os.O_RDONLY)
                held.callback(os.close, descriptor)
                while not _hold(descriptor) and time.monotonic() < until_s:
                    time.sleep(random.uniform(*PAUSES_S))
                held.callback(fcntl.flock, descriptor, fcntl.LOCK_UN)
            yield

    def _hold(descriptor: int) -> bool:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
