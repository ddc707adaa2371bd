"""The one place that knows which database it is: opening, checking and explaining what went wrong.

SQLite runs with a write-ahead log and full synchronisation: a reading that was committed survives a pulled
plug.
"""

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, make_url, select
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import QueuePool

from harness.errors import RecordsError
from harness.records.tables import SCHEMA_VERSION, metadata, schema
from harness.records.upgrade import UPGRADABLE, upgrade

LOCK_WAIT_S = 10.0
"""How long to wait for another program that is writing."""

FREE_BYTES_NEEDED = 64 * 1024 * 1024
"""Free disk that a run wants before it starts: ten times the 64-state job's readings and waveforms."""

_ELSEWHERE = "Give another place with --records"

_CAUSES = {
    "SQLITE_READONLY": (
        f"is read-only. Make the file and its folder writable, or lift the write protection. {_ELSEWHERE}"
    ),
    "SQLITE_CANTOPEN": f"cannot be opened. Check that its folder exists and can be written. {_ELSEWHERE}",
    "SQLITE_PERM": f"cannot be opened: permission denied. {_ELSEWHERE}",
    "SQLITE_FULL": f"the disk is full. Free some space and start the run again. {_ELSEWHERE}",
    "SQLITE_IOERR": (
        "the disk refuses to write or read. It may be full, over a quota, or unplugged; see to it and start "
        f"the run again. {_ELSEWHERE}"
    ),
    "SQLITE_NOTADB": f"is not a database, so it is left alone. {_ELSEWHERE}",
    "SQLITE_CORRUPT": "is damaged. Put it aside and bring back a copy",
    "SQLITE_BUSY": (
        f"another program has held it locked for {LOCK_WAIT_S:g} s. Close that program (a database viewer?) "
        "and start again"
    ),
    "SQLITE_LOCKED": "is locked by another program. Close that program and start again",
}


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where records are: an address to show, without a password, and the file where it is one."""

    url: URL
    shown: str
    file: Path | None


def find_place(url_or_path: str | Path) -> Place:
    """Understand a path or a database URL. Raises RecordsError."""
    text = str(url_or_path)
    if "://" not in text:
        path = Path(text)
        if path.is_dir():
            raise RecordsError(f"{path}: is a folder. Name a file in it, such as {path / 'records.sqlite'}")
        return Place(url=URL.create("sqlite", database=str(path)), shown=text, file=path)
    try:
        url = make_url(text)
    except ArgumentError as error:
        raise RecordsError(
            f"{text.partition('://')[0]}://…: is not a database URL. Expected a path, or something like "
            "postgresql+psycopg://user@host/records"
        ) from error
    if url.get_backend_name() == "sqlite":
        if not url.database:
            raise RecordsError(f"{text}: names no file. Records in memory would be lost; name a file")
        return Place(
            url=URL.create("sqlite", database=url.database), shown=url.database, file=Path(url.database)
        )
    return Place(url=url, shown=url.render_as_string(hide_password=True), file=None)


def open_engine(place: Place, *, read_only: bool) -> Engine:
    """Open the database, make its tables where there are none, and refuse what is not ours.

    Read only, nothing is made or changed, and records in a write-protected place can be read.
    Raises RecordsError.
    """
    with explained(place):
        if place.file is None:
            engine = create_engine(place.url)
        elif read_only:
            engine = _sqlite_to_read(place, place.file)
        else:
            engine = _sqlite_to_write(place, place.file)
        try:
            with engine.begin() as connection:
                if not read_only:
                    hold_alone(connection)
                _check_tables(connection, place, create=not read_only)
            if not read_only:
                _keep_a_log(engine)
        except BaseException:
            engine.dispose()
            raise
    return engine


def check_room(place: Place) -> None:
    """Refuse to start a run on a disk that is nearly full. Raises RecordsError."""
    if place.file is None:
        return
    with explained(place):
        free = shutil.disk_usage(place.file.resolve().parent).free
    if free < FREE_BYTES_NEEDED:
        raise RecordsError(
            f"{place.shown}: the disk has {free / 1e6:.0f} MB free and a run wants "
            f"{FREE_BYTES_NEEDED / 1e6:.0f} MB. Free some space. {_ELSEWHERE}"
        )


@contextmanager
def explained(place: Place) -> Iterator[None]:
    """Turn what the database or the disk says into a RecordsError with the place and the cure."""
    try:
        yield
    except DBAPIError as error:
        raise RecordsError(f"{place.shown}: {_cause(error.orig)}") from error
    except sqlite3.Error as error:  # while connecting, before SQLAlchemy has a hand in it
        raise RecordsError(f"{place.shown}: {_cause(error)}") from error
    except (NoSuchModuleError, ModuleNotFoundError) as error:
        raise RecordsError(
            f"{place.shown}: no driver for this database is installed ({error}). Install one, such as "
            "`pip install psycopg[binary]`"
        ) from error
    except SQLAlchemyError as error:
        raise RecordsError(f"{place.shown}: {error}") from error
    except OSError as error:
        raise RecordsError(f"{place.shown}: {error.strerror or error}. {_ELSEWHERE}") from error


def _cause(error: BaseException | None) -> str:
    if isinstance(error, sqlite3.Error):
        name = getattr(error, "sqlite_errorname", "")
        for prefix, cause in _CAUSES.items():
            if name == prefix or name.startswith(prefix + "_"):
                return f"{cause} ({error})" if prefix in ("SQLITE_IOERR", "SQLITE_CANTOPEN") else cause
        if name == "SQLITE_CONSTRAINT_FOREIGNKEY":
            return "there is no such run or acquisition in these records. Nothing was recorded"
    return str(error)


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
            connection.exec_driver_sql("PRAGMA journal_mode = WAL")


def _sqlite_to_read(place: Place, file: Path) -> Engine:
    """Open without changing anything.

    Beside a file with a write-ahead log SQLite makes two small files and takes them away again. Where it
    can't, in a protected folder, it can do without them as long as no log is left there.
    """
    if not file.exists():
        raise RecordsError(f"{place.shown}: there are no records here yet. {_ELSEWHERE}, or make a run first")
    log = file.with_name(file.name + "-wal")
    mode = "mode=rw" if log.exists() or _can_write(file) else "immutable=1"
    uri = f"file:{quote(str(file.absolute()))}?{mode}"

    def connect() -> sqlite3.Connection:
        connection = sqlite3.connect(uri, uri=True, timeout=LOCK_WAIT_S, check_same_thread=False)
        connection.execute("PRAGMA query_only = ON")
        return connection

    return create_engine("sqlite://", creator=connect, poolclass=QueuePool)


def _can_write(file: Path) -> bool:
    effective = os.access in os.supports_effective_ids
    return all(os.access(path, os.W_OK, effective_ids=effective) for path in (file, file.parent))


def hold_alone(connection: Connection) -> None:
    """Take SQLite's write lock first, so that what is read before a write is still true then."""
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql("BEGIN IMMEDIATE")


def _check_tables(connection: Connection, place: Place, *, create: bool) -> None:
    names = set(inspect(connection).get_table_names())
    if schema.name not in names:
        if not create or (place.file is not None and names):
            raise RecordsError(
                f"{place.shown}: is a database of something else: it lacks the table {schema.name}. "
                f"{_ELSEWHERE}"
            )
        metadata.create_all(connection)
        connection.execute(schema.insert().values(version=SCHEMA_VERSION))
    version = connection.execute(select(schema.c.version)).scalar_one()
    if version in UPGRADABLE and create:
        upgrade(connection)
        return
    if version in UPGRADABLE:
        raise RecordsError(
            f"{place.shown}: has records of version {version}. The next run brings them to version "
            f"{SCHEMA_VERSION}; or do so now with `switchwalk verify --upgrade`"
        )
    if version != SCHEMA_VERSION:
        raise RecordsError(
            f"{place.shown}: has records of version {version}, and this switchwalk knows version "
            f"{SCHEMA_VERSION}. Use the newer switchwalk that made them, or give another place with --records"
        )
