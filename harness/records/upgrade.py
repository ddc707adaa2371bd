"""Brings records of an older version to this one: adds what is new, changes nothing that was recorded.

One step for each version, from it to the next, all within the transaction that holds the write lock: it is
done whole or not at all. A SQLite file is copied first.
"""

import shutil
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path

from sqlalchemy import Connection, select, text, update

from harness.errors import RecordsError
from harness.records import ledger, tables
from harness.records.place import Place


def bring_up(connection: Connection, place: Place, version: int) -> None:
    """Bring records of an older version to this one, and keep a copy of a file. Raises RecordsError."""
    if place.file is not None:
        keep_copy(place.file, version)
    for older in range(version, tables.SCHEMA_VERSION):
        STEPS[older](connection)
    connection.execute(update(tables.schema).values(version=tables.SCHEMA_VERSION))


def keep_copy(file: Path, version: int) -> Path:
    """Copy a SQLite file with what is in its log, beside it, and give the copy: `records.sqlite.version-2`.

    A copy that is there already stays, and this one gets a number. Raises RecordsError for want of room.
    """
    size, free = file.stat().st_size, shutil.disk_usage(file.resolve().parent).free
    if free < 2 * size:  # the copy, and what grows meanwhile
        raise RecordsError(
            f"{file}: the disk has {free / 1e6:.0f} MB free, and to bring up these records takes "
            f"{2 * size / 1e6:.0f} MB. Free some space. Nothing was changed"
        )
    copy = file.with_name(f"{file.name}.version-{version}")
    number = 1
    while copy.exists():
        number += 1
        copy = file.with_name(f"{file.name}.version-{version}-{number}")
    part = file.with_name(f"{file.name}.version-{version}.part")
    part.unlink(missing_ok=True)  # of one that was killed
    with closing(sqlite3.connect(file)) as source, closing(sqlite3.connect(part)) as target:
        source.backup(target)
    return part.replace(copy)


def _add_batch_and_purpose(connection: Connection) -> None:
    """Version 2 had no batch and no purpose of a run; its ledger knows nothing of them where they are ""."""
    for name in ("batch", "purpose"):
        connection.execute(text(f"ALTER TABLE runs ADD COLUMN {name} TEXT NOT NULL DEFAULT ''"))


def _enter_kept_references(connection: Connection) -> None:
    """Version 2 kept references of benches outside the ledger; what befell them there is not known."""
    tables.kept_references.create(connection, checkfirst=True)
    rows = connection.execute(select(tables.kept_references).order_by(tables.kept_references.c.id)).mappings()
    ledger.enter(connection, tables.kept_references, [dict(row) for row in rows.all()])


def _from_version_2(connection: Connection) -> None:
    _add_batch_and_purpose(connection)
    _enter_kept_references(connection)


STEPS: Mapping[int, Callable[[Connection], None]] = {2: _from_version_2}
"""What brings a version to the next. Version 1 was never released, and none is brought up from it."""
