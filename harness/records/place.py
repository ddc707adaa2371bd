"""Where records are, and what went wrong there in words that help."""

import shutil
import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from zipfile import BadZipFile

from sqlalchemy import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError

from harness.errors import RecordsError

LOCK_WAIT_S = 30.0
"""How long to wait for others that write: far longer than any of them takes for what it adds."""

CONNECT_WAIT_S = 10
"""How long to wait for a server to answer at all."""

FREE_BYTES_NEEDED = 64 * 1024 * 1024
"""Free disk that a run wants before it starts: ten times the 64-state job's readings and waveforms."""

ELSEWHERE = "Give another place with --records"
_LOST = "the connection to the server is lost. See to the server and the network, and start again"
_NO_SUCH_RUN = "there is no such run or acquisition in these records. Nothing was recorded"

_SQLITE_CAUSES = {
    "SQLITE_READONLY": (
        f"is read-only. Make the file and its folder writable, or lift the write protection. {ELSEWHERE}"
    ),
    "SQLITE_CANTOPEN": f"cannot be opened. Check that its folder exists and can be written. {ELSEWHERE}",
    "SQLITE_PERM": f"cannot be opened: permission denied. {ELSEWHERE}",
    "SQLITE_FULL": f"the disk is full. Free some space and start the run again. {ELSEWHERE}",
    "SQLITE_IOERR": (
        "the disk refuses to write or read. It may be full, over a quota, or unplugged; see to it and start "
        f"the run again. {ELSEWHERE}"
    ),
    "SQLITE_NOTADB": f"is not a database, so it is left alone. {ELSEWHERE}",
    "SQLITE_CORRUPT": "is damaged. Put it aside and bring back a copy",
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
    "53100": "the server's disk is full. Have some space freed and start the run again",
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


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where records are: an address to show, without a password, and the file where it is one."""

    url: URL
    shown: str
    file: Path | None


def find_place(url_or_path: str | Path) -> Place:
    """Understand a path or a database URL; PostgreSQL needs none for its driver. Raises RecordsError."""
    text = str(url_or_path)
    if "://" not in text:
        path = Path(text)
        if path.is_dir():
            raise RecordsError(f"{path}: is a folder. Name a file in it, such as {path / 'records.sqlite'}")
        return Place(url=URL.create("sqlite", database=str(path)), shown=text, file=path)
    try:
        url = make_url(text)
    except (ArgumentError, ValueError) as error:  # ValueError: a port that is no number
        raise RecordsError(
            f"{text.partition('://')[0]}://…: is not a database URL. Expected a path, or something like "
            "postgresql://user@host/records"
        ) from error
    if url.get_backend_name() == "sqlite":
        if not url.database:
            raise RecordsError(f"{text}: names no file. Records in memory would be lost; name a file")
        return Place(
            url=URL.create("sqlite", database=url.database), shown=url.database, file=Path(url.database)
        )
    shown = url.update_query_dict({"password": "***"}) if "password" in url.query else url
    if url.drivername in ("postgresql", "postgres"):
        url = url.set(drivername="postgresql+psycopg")
    return Place(url=url, shown=shown.render_as_string(hide_password=True), file=None)


def check_room(place: Place) -> None:
    """Refuse to start a run on a disk that is nearly full. Raises RecordsError."""
    if place.file is None:
        return
    with explained(place):
        free = shutil.disk_usage(place.file.resolve().parent).free
    if free < FREE_BYTES_NEEDED:
        raise RecordsError(
            f"{place.shown}: the disk has {free / 1e6:.0f} MB free and a run wants "
            f"{FREE_BYTES_NEEDED / 1e6:.0f} MB. Free some space. {ELSEWHERE}"
        )


@contextmanager
def explained(place: Place) -> Iterator[None]:
    """Turn what the database or the disk says into a RecordsError with the place and the cure."""
    try:
        yield
    except DBAPIError as error:
        cause = _LOST if error.connection_invalidated and place.file is None else _cause(error.orig)
        raise RecordsError(f"{place.shown}: {cause}") from error
    except sqlite3.Error as error:  # while connecting, before SQLAlchemy has a hand in it
        raise RecordsError(f"{place.shown}: {_cause(error)}") from error
    except (NoSuchModuleError, ModuleNotFoundError) as error:
        cure = (
            "Install it with: pip install 'switchwalk[postgresql]'"
            if place.url.drivername == "postgresql+psycopg"
            else "Expected a path, or a URL that begins with postgresql://"
        )
        raise RecordsError(
            f"{place.shown}: no driver for this database is installed ({error}). {cure}"
        ) from error
    except SQLAlchemyError as error:
        raise RecordsError(f"{place.shown}: {error}") from error
    except OSError as error:
        raise RecordsError(f"{place.shown}: {error.strerror or error}. {ELSEWHERE}") from error


_UNREADABLE = (
    *(ValueError, TypeError, LookupError, ArithmeticError, EOFError, BadZipFile, zlib.error),
    *(RecursionError, NotImplementedError),  # JSON that is nested too deep; a zip that is packed otherwise
)


@contextmanager
def readable(place: Place) -> Iterator[None]:
    """Say of what does not read that the records are damaged: a file of records is anybody's."""
    try:
        yield
    except _UNREADABLE as error:
        raise RecordsError(
            f"{place.shown}: is damaged, or was changed by another program: something in it does not read "
            f"({error}). Put it aside and bring back a copy"
        ) from error


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
    said = " ".join(str(error).split()).rstrip(".")  # on one line: the host, the user and what is wrong
    return said if state else f"{said}. Check the address and that the server runs. {ELSEWHERE}"
