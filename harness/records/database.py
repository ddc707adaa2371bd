"""Where records are: the only module that knows which database it is. It opens, checks and locks it.

What was committed survives a pulled plug: SQLite runs with a write-ahead log and full synchronisation, and
PostgreSQL is set to wait for its disk. Every error names the location, the cause and a cure.
"""

import os
import random
import re
import shutil
import sqlite3
import sys
import time
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote
from zipfile import BadZipFile

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, make_url, select
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, OperationalError, SQLAlchemyError
from sqlalchemy.pool import QueuePool

from harness.errors import RecordsError, WrongRecordsError
from harness.records import ledger, upgrade
from harness.records.tables import SCHEMA_VERSION, metadata, schema

LOCK_WAIT_S = 30.0
"""How long to wait for others that write: far longer than any of them takes for what it adds."""

CONNECT_WAIT_S = 10
"""How long to wait for a server to answer at all."""

FREE_BYTES_NEEDED = 64 * 1024 * 1024
"""Free disk that a run wants before it starts: ten times the 64-state job's readings and waveforms."""

ELSEWHERE = "Choose another place with --records"
_LOST = "the connection to the server is lost. Check the server and the network, and start again"
_NO_SUCH_RUN = "there is no such run or acquisition in these records. Nothing was recorded"

_SQLITE_CAUSES = {
    "SQLITE_READONLY": (
        f"is read-only. Make the file and its folder writable, or lift the write protection. {ELSEWHERE}"
    ),
    "SQLITE_CANTOPEN": f"cannot be opened. Check that its folder exists and can be written. {ELSEWHERE}",
    "SQLITE_PERM": f"cannot be opened: permission denied. {ELSEWHERE}",
    "SQLITE_FULL": f"the disk is full. Free some space and start the run again. {ELSEWHERE}",
    "SQLITE_IOERR": (
        "the disk refuses to write or read. It may be full, over a quota, or unplugged; check it and start "
        f"the run again. {ELSEWHERE}"
    ),
    "SQLITE_NOTADB": f"is not a database, so it is left alone. {ELSEWHERE}",
    "SQLITE_CORRUPT": "is damaged. Move it away and restore a copy",
    "SQLITE_BUSY": (
        f"another program has held it locked for {LOCK_WAIT_S:g} s. Close that program (a database viewer?) "
        "and start again"
    ),
    "SQLITE_LOCKED": "is locked by another program. Close that program and start again",
    "SQLITE_CONSTRAINT_FOREIGNKEY": _NO_SUCH_RUN,
}

# By SQLSTATE or its class (two characters). Source: PostgreSQL's documentation, appendix A.
_POSTGRESQL_CAUSES = {
    "25006": f"is read-only. {ELSEWHERE}",
    "53100": "the server's disk is full. Free some space and start the run again",
    "53300": "the server takes no more connections. Close some programs, or have its limit raised",
    "55P03": (
        f"another program has held it locked for {LOCK_WAIT_S:g} s. Close that program and start again"
    ),
    "42501": "the server does not allow this user to do that. Ask whoever runs it, or give another user",
    "3D000": "there is no database of that name on the server. Have it made (`createdb NAME`)",
    "23503": _NO_SUCH_RUN,
    "57P": _LOST,
    "08": _LOST,
}


_EXPECTED = "Expected a path, or something like postgresql://user@host/records"
# One slash, keywords as psql takes them, a user and a password: mistakes for a URL, and no name of a file.
_NEARLY_A_URL = re.compile(
    r"^(postgres|sqlite|mysql)[a-z0-9+]*:/|\b(password|dbname|host)\s*=|:[^/\\]*@", re.I
)


@dataclass(frozen=True, kw_only=True)
class Location:
    """Where records are: an address to show, without a password, and the file where it is one."""

    url: URL
    shown: str
    file: Path | None


def find_location(url_or_path: str | Path) -> Location:
    """Understand a path or a database URL; PostgreSQL needs none for its driver. Raises WrongRecordsError."""
    text = str(url_or_path)
    if "://" not in text:
        if _NEARLY_A_URL.search(text):
            raise WrongRecordsError(
                "--records is neither a path nor a database URL, and not shown, as it may hold a password. "
                + _EXPECTED
            )
        path = Path(text)
        if path.is_dir():
            raise WrongRecordsError(
                f"{path}: is a folder. Name a file in it, such as {path / 'records.sqlite'}"
            )
        return Location(url=URL.create("sqlite", database=str(path)), shown=text, file=path)
    try:
        url = make_url(text)
    except (ArgumentError, ValueError) as error:  # ValueError: a port that is no number
        raise WrongRecordsError(
            f"{text.partition('://')[0]}://…: is not a database URL. {_EXPECTED}"
        ) from error
    if "@" in (url.host or "") or "@" in (url.database or ""):
        raise WrongRecordsError(
            f"{text.partition('://')[0]}://…: has an @ too many. Write %40 for an @ in a name or a password"
        )
    if url.get_backend_name() == "sqlite":
        if not url.database:
            raise WrongRecordsError(f"{text}: names no file. Records in memory would be lost; name a file")
        return Location(
            url=URL.create("sqlite", database=url.database), shown=url.database, file=Path(url.database)
        )
    shown = url.update_query_dict({"password": "***"}) if "password" in url.query else url
    if url.drivername in ("postgresql", "postgres"):
        url = url.set(drivername="postgresql+psycopg")
    return Location(url=url, shown=shown.render_as_string(hide_password=True), file=None)


def check_room(location: Location) -> None:
    """Refuse to start a run on a disk that is nearly full. Raises RecordsError."""
    if location.file is None:
        return
    with explained(location):
        free = shutil.disk_usage(location.file.resolve().parent).free
    if free < FREE_BYTES_NEEDED:
        raise RecordsError(
            f"{location.shown}: the disk has {free / 1e6:.0f} MB free and a run needs "
            f"{FREE_BYTES_NEEDED / 1e6:.0f} MB. Free some space. {ELSEWHERE}"
        )


@contextmanager
def explained(location: Location) -> Iterator[None]:
    """Turn what the database or the disk says into a RecordsError with the location and the cure."""
    try:
        yield
    except DBAPIError as error:
        cause = _LOST if error.connection_invalidated and location.file is None else _cause(error.orig)
        raise _kind(error.orig)(f"{location.shown}: {cause}") from error
    except sqlite3.Error as error:  # while connecting, before SQLAlchemy has a hand in it
        raise _kind(error)(f"{location.shown}: {_cause(error)}") from error
    except (NoSuchModuleError, ModuleNotFoundError) as error:
        cure = (
            "Install it with: pip install 'switchwalk[postgresql]'"
            if location.url.drivername == "postgresql+psycopg"
            else "Expected a path, or a URL that begins with postgresql://"
        )
        raise RecordsError(
            f"{location.shown}: no driver for this database is installed ({error}). {cure}"
        ) from error
    except SQLAlchemyError as error:
        raise RecordsError(f"{location.shown}: {error}") from error
    except OSError as error:
        raise RecordsError(f"{location.shown}: {error.strerror or error}. {ELSEWHERE}") from error


_UNREADABLE = (
    *(ValueError, TypeError, LookupError, ArithmeticError, EOFError, BadZipFile, zlib.error),
    *(RecursionError, NotImplementedError),  # JSON that is nested too deep; a zip that is packed otherwise
)


@contextmanager
def readable(location: Location) -> Iterator[None]:
    """Say of what does not read that the records are damaged: a file of records is anybody's."""
    try:
        yield
    except _UNREADABLE as error:
        raise RecordsError(
            f"{location.shown}: is damaged, or was changed by another program: something in it does not read "
            f"({error}). Move it away and restore a copy"
        ) from error


def _kind(error: BaseException | None) -> type[RecordsError]:
    """Another kind of file is a wrong name; whatever else is wrong is trouble with the right one."""
    is_other = getattr(error, "sqlite_errorname", "") == "SQLITE_NOTADB"
    return WrongRecordsError if is_other else RecordsError


def _cause(error: BaseException | None) -> str:
    if isinstance(error, sqlite3.Error):
        name = getattr(error, "sqlite_errorname", "")
        for prefix, cause in _SQLITE_CAUSES.items():
            if name == prefix or name.startswith(prefix + "_"):
                return f"{cause} ({error})" if prefix in ("SQLITE_IOERR", "SQLITE_CANTOPEN") else cause
        return str(error)
    state = getattr(error, "sqlstate", None) or ""
    for prefix, cause in _POSTGRESQL_CAUSES.items():
        if state.startswith(prefix):
            return cause
    message = " ".join(str(error).split()).rstrip(".")  # on one line: the host, the user and what is wrong
    return message if state else f"{message}. Check the address and that the server runs. {ELSEWHERE}"


WRITERS = 0x5357
"""The number of the advisory lock of those who write; any will do, the same in every version."""

PAUSES_S = (0.0005, 0.003)
"""Between two tries, at random: about as long as a bench takes between two groups of readings."""


def open_engine(location: Location, *, read_only: bool, bring_up: bool = False) -> Engine:
    """Open the database, make its tables where there are none, and refuse what is not ours.

    Read only, nothing is made or changed, and records in a write-protected folder can be read. bring_up:
    records of an older version become this version's first. Raises RecordsError.
    """
    with explained(location), readable(location):
        if location.file is None:
            engine = _server(location, read_only=read_only)
        elif read_only:
            engine = _sqlite_to_read(location, location.file)
        else:
            engine = _sqlite_to_write(location, location.file)
        try:
            with reading(engine) if read_only else writing(engine) as connection:
                _check_tables(connection, location, create=not read_only, bring_up=bring_up)
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


def _server(location: Location, *, read_only: bool) -> Engine:
    if location.url.get_backend_name() != "postgresql":
        raise RecordsError(
            f"{location.shown}: records are kept in SQLite or PostgreSQL. Expected a path, or a URL that "
            "begins with postgresql://"
        )
    engine = create_engine(location.url, connect_args={"connect_timeout": CONNECT_WAIT_S})

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


def _sqlite_to_write(location: Location, file: Path) -> Engine:
    file.parent.mkdir(parents=True, exist_ok=True)
    engine = create_engine(location.url, connect_args={"timeout": LOCK_WAIT_S})
    event.listen(engine, "connect", _set_up_sqlite)
    return engine


def _set_up_sqlite(connection: Any, _record: object) -> None:
    connection.execute("PRAGMA synchronous = FULL").close()
    connection.execute("PRAGMA foreign_keys = ON").close()


def _keep_a_log(engine: Engine) -> None:
    """Switch SQLite to its write-ahead log, which stays with the file: only once it is known as ours."""
    if engine.dialect.name == "sqlite":
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            _in_turn(connection, "PRAGMA journal_mode = WAL")


def _sqlite_to_read(location: Location, file: Path) -> Engine:
    """Open without changing anything.

    Beside a file with a write-ahead log SQLite makes two small files and takes them away again. Where it
    can't, in a protected folder, it can do without them as long as no log is left there.
    """
    if not file.exists():
        raise WrongRecordsError(f"{location.shown}: no records here yet. {ELSEWHERE}, or make a run first")
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


def _check_plain(connection: Connection, location: Location) -> None:
    """Refuse what does something where a table only holds: a file of records is anybody's.

    A view, a virtual table or a generated column may never end, and a trigger may undo what is written.
    """
    ours = ", ".join(f"'{name}'" for name in metadata.tables)
    result = connection.exec_driver_sql(
        "SELECT type, name FROM sqlite_master WHERE type = 'trigger' OR lower(name) IN "
        f"({ours}) AND (type <> 'table' OR lower(ltrim(sql)) LIKE 'create virtual%') UNION ALL "
        f"SELECT 'generated column', t.name || '.' || c.name FROM sqlite_master AS t, "
        f"pragma_table_xinfo(t.name) AS c WHERE lower(t.name) IN ({ours}) AND t.type = 'table' "
        "AND lower(ltrim(t.sql)) NOT LIKE 'create virtual%' AND c.hidden <> 0"
    ).first()
    if result is not None:
        raise RecordsError(
            f"{location.shown}: was changed by another program: it has the {result[0]} {result[1]!r}, which "
            "no records have. Move it away and restore a copy"
        )


def _check_tables(connection: Connection, location: Location, *, create: bool, bring_up: bool) -> None:
    names = set(inspect(connection).get_table_names())
    if schema.name not in names and location.file is None and not create and not names:
        raise WrongRecordsError(f"{location.shown}: no records here yet. {ELSEWHERE}, or make a run first")
    if schema.name not in names:
        if names or not create:
            raise RecordsError(
                f"{location.shown}: is a database of something else: it lacks the table {schema.name}. "
                f"{ELSEWHERE}"
            )
        metadata.create_all(connection)
        connection.execute(schema.insert().values(version=SCHEMA_VERSION))
    if connection.dialect.name == "sqlite":
        _check_plain(connection, location)
    version = connection.execute(select(schema.c.version)).scalar_one()
    if version == SCHEMA_VERSION:
        return
    held = f"{location.shown}: has records of version {version}, and this switchwalk"
    if version not in upgrade.STEPS:
        other = "newer" if version > SCHEMA_VERSION else "older"
        raise RecordsError(
            f"{held} knows version {SCHEMA_VERSION}. Use the {other} switchwalk that made them, or give "
            "another place with --records"
        )
    # Benches that share a server stop when its records are brought up: that is for a person to say.
    if bring_up or (create and location.file is not None):
        upgrade.bring_up(connection, location.file, version, enter=ledger.enter)
        return
    raise RecordsError(
        f"{held} keeps version {SCHEMA_VERSION}. Upgrade them with `switchwalk verify --upgrade`"
        + (
            "; so does the next run. A copy is kept"
            if location.file is not None
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
