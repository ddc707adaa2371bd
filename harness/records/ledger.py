"""Tamper evidence: a chain of SHA-256 digests through every row, in the order in which rows were added.

An entry says which row of which table it stands for and the digest of that row's content (canonical JSON:
sorted keys, no spaces, shortest round-trip numbers). Its own digest covers that, its run and the entry before
it; so a row that was edited no longer fits its entry, and an entry that was removed, moved or put in no
longer fits its neighbours. Somebody who recomputes the whole chain after a change leaves it consistent: the
last digest, noted elsewhere, is what shows that.
"""

import hashlib
import json
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import Boolean, Connection, Double, LargeBinary, Table, func, insert, select

from harness.records import tables, upgrade
from harness.records.tables import fetched, within_run

GENESIS = "0" * 64
NO_RUN = 0  # the run of entries for what belongs to none
RUN_STANDS = ("outcome", "reason", "ended")  # columns of `runs` that repeat the run's last event
ADDED_LATER = ("batch", "purpose")  # columns of `runs` that entries of version 2 know nothing of: "" there
TABLES_OF_RUNS = (
    tables.runs,
    tables.run_files,
    tables.instruments,
    tables.run_events,
    tables.through_references,
    tables.acquisitions,
    tables.readings,
    tables.waveforms,
)


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Something that is not as it was recorded, and the run it belongs to."""

    run_id: int
    what: str


@dataclass(frozen=True, kw_only=True)
class Verification:
    """How the records agree with their ledger.

    entries: how many of the ledger were followed. head: the last digest, to be compared with one noted.
    """

    entries: int
    runs: int
    head: str
    findings: tuple[Finding, ...]


def content_digest(table: Table, row: Mapping[str, Any]) -> str:
    """SHA-256 of a row, wherever it comes from: about to be inserted, or read back.

    Of a row of an older version it is that of what that version wrote.
    """
    covered = _covered_by(table)
    if row.get("recorded") is not None:
        row = upgrade.as_recorded(table, row)
        names = ((name, upgrade.column_now(table, name)) for name in row)
        covered = {name: covered[now] for name, now in names if now in covered}
    content = {name: None if row[name] is None else plain(row[name]) for name, plain in covered.items()}
    if table is tables.runs:
        content = {name: value for name, value in content.items() if name not in ADDED_LATER or value != ""}
    return hashlib.sha256(_CANONICAL.encode(content).encode()).hexdigest()


_CANONICAL = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False)


@cache
def _covered_by(table: Table) -> Mapping[str, Callable[[Any], Any]]:
    """The columns that a digest covers, by name, each with what makes its value plain JSON."""
    return {
        column.name: _PLAIN.get(type(column.type), _as_it_is)
        for column in table.columns
        if column.name != "recorded" and not (table is tables.runs and column.name in RUN_STANDS)
    }


def _plain_number(value: float) -> float | str:
    number = float(value) + 0.0  # no negative zero: not every database keeps it
    return number if math.isfinite(number) else repr(number)


def _as_it_is(value: Any) -> Any:
    return value


_PLAIN: Mapping[type, Callable[[Any], Any]] = {
    Boolean: bool,
    Double: _plain_number,
    LargeBinary: lambda value: hashlib.sha256(value).hexdigest(),
}
"""By a column's type, what makes its values plain JSON; others are so already."""


def chain_digest(previous: str, run_id: int, kind: str, row: int, content: str) -> str:
    """SHA-256 of an entry: what stands before it, and what it says."""
    return hashlib.sha256(f"{previous}\n{run_id}\n{kind}\n{row}\n{content}".encode()).hexdigest()


def insert_rows(connection: Connection, table: Table, new: Sequence[Mapping[str, Any]]) -> list[int]:
    """Add rows and their entries, within a transaction that writes alone; returns their ids, in order.

    The ids go on from the last one, without gaps, whichever database it is: who writes, writes alone.
    """
    first = next_id(connection, table)
    numbered = [{**row, "id": first + number} for number, row in enumerate(new)]
    if numbered:
        connection.execute(insert(table), numbered)
        enter(connection, table, numbered)
    return [row["id"] for row in numbered]


def next_id(connection: Connection, table: Table) -> int:
    """The number after the last one of a table."""
    last = connection.execute(select(func.max(table.c.id))).scalar()
    return 1 if last is None else int(last) + 1


def enter(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add entries of rows that have their ids, within the transaction that added them, which writes alone."""
    last = connection.execute(_LAST).one_or_none()
    first, previous = (1, GENESIS) if last is None else (int(last.id) + 1, str(last.sha256))
    entries = []
    for number, row in enumerate(rows, start=first):
        content = content_digest(table, row)
        run_id, key = int(row["id"] if table is tables.runs else row.get("run_id", NO_RUN)), int(row["id"])
        sha256 = chain_digest(previous, run_id, table.name, key, content)
        entry = (number, previous, run_id, table.name, key, content, sha256)
        entries.append(dict(zip(_ENTRY, entry, strict=True)))
        previous = sha256
    if entries:
        connection.execute(insert(tables.ledger), entries)


_ENTRY = ("id", "previous", "run_id", "kind", "row", "content", "sha256")
_LAST = select(tables.ledger.c.id, tables.ledger.c.sha256).order_by(tables.ledger.c.id.desc()).limit(1)


def verify(connection: Connection, run_id: int | None = None, *, expected: str = "") -> Verification:
    """Compare the records with their ledger: the rows of every run or of one, and the chain.

    Of one run the chain is followed from the run's first entry to the end: what stands before it says nothing
    of the run, and nothing in it can be changed, removed or put in without the rest being made anew.
    """
    start = 1 if run_id is None else _start(connection, run_id, expected)
    count, head, findings, entered = _follow(connection, start, expected)
    present = set(connection.execute(select(tables.runs.c.id)).scalars())
    wanted = sorted((present | entered) - {NO_RUN}) if run_id is None else [run_id]
    for run in wanted:
        findings += _verify_rows(connection, run, TABLES_OF_RUNS)
        findings += _verify_end(connection, run)
    if run_id is None:
        findings += _verify_rows(connection, NO_RUN, (tables.kept_references,))
    return Verification(entries=count, runs=len(wanted), head=head, findings=tuple(findings))


def _start(connection: Connection, run_id: int, expected: str) -> int:
    """Where to begin for one run: with its first entry, or with the one that was noted where that is before.

    The first is that of the run itself; where another stands there, entries were moved, and all are followed.
    """
    columns = tables.ledger.c
    of_run = select(columns.id, columns.kind).where(columns.run_id == run_id)
    first = connection.execute(of_run.order_by(within_run(columns.id)).limit(1)).one_or_none()
    if first is None or first.kind != tables.runs.name:
        return 1
    known = (
        connection.execute(select(columns.id).where(columns.sha256 == expected)).scalar()
        if expected
        else None
    )
    return int(first.id if known is None else min(first.id, known))


def _follow(connection: Connection, start: int, expected: str) -> tuple[int, str, list[Finding], set[int]]:
    """Follow the chain from an entry to the end: how many, the last digest, what is wrong, their runs."""
    columns = tables.ledger.c
    query = select(*(columns[name] for name in _ENTRY)).where(columns.id >= start).order_by(columns.id)
    findings: list[Finding] = []
    entered: set[int] = set()
    last, count, seen = GENESIS if start == 1 else None, 0, not expected
    for entries in fetched(connection, query):
        for number, previous, run, kind, row, content, sha256 in entries:
            follows = previous == last or last is None
            if not follows or sha256 != chain_digest(previous, run, kind, row, content):
                what = (
                    f"entry {number} of the ledger does not follow the one before it: entries were changed, "
                    "removed or moved"
                )
                findings.append(Finding(run_id=run, what=what))
            last = sha256
            seen = seen or sha256 == expected
            entered.add(run)
        count += len(entries)
    if not seen:
        what = f"the chain has no entry {expected}, so its end was cut off, or it was made again"
        findings.append(Finding(run_id=0, what=what))
    return count, last or GENESIS, findings, entered


def _verify_rows(connection: Connection, run: int, of_tables: Sequence[Table]) -> Iterator[Finding]:
    columns = tables.ledger.c
    entries = select(columns.kind, columns.row, columns.content).where(columns.run_id == run)
    left = {(kind, row): content for kind, row, content in connection.execute(entries.order_by(columns.id))}
    job: upgrade.RecordedJob | None = None
    for table in of_tables:
        query = select(table).order_by(table.c.id)
        if run != NO_RUN:
            query = query.where((table.c.id if table is tables.runs else table.c.run_id) == run)
        for row in map(dict, connection.execute(query).mappings()):
            content = left.pop((table.name, row["id"]), None)
            if content is None:
                what = "has no entry in the ledger: it was put in or moved here"
            elif content != content_digest(table, row):
                what = "is not what was recorded: it was changed or moved"
            elif row.get("recorded") is not None:
                job = job or upgrade.recorded_job(text for _, text in upgrade.files_of(connection, run))
                if upgrade.upgraded(table, upgrade.as_recorded(table, row), job) == row:
                    continue
                what = "does not show what was recorded: it was changed"
            else:
                continue
            yield Finding(run_id=run, what=f"{_name(table, row)} {what}")
    for kind, key in left:
        yield Finding(run_id=run, what=f"{_SINGULAR.get(kind, kind)} {key} was recorded and is gone")


def _verify_end(connection: Connection, run: int) -> Iterator[Finding]:
    """How the run stands must be what its last event says."""
    row = connection.execute(
        select(*(tables.runs.c[name] for name in RUN_STANDS)).where(tables.runs.c.id == run)
    ).first()
    events = tables.run_events.c
    last = connection.execute(
        select(events.kind, events.outcome, events.text, events.at)
        .where(events.run_id == run, events.kind.in_(("ended", "resumed")))
        .order_by(events.id.desc())
        .limit(1)
    ).first()
    recorded = tuple(last[1:]) if last is not None and last.kind == "ended" else (None, "", None)
    if row is not None and tuple(row) != recorded:
        yield Finding(run_id=run, what=f"the outcome reads {row.outcome!r}, and {recorded[0]!r} was recorded")


_SINGULAR = {
    "runs": "the run itself",
    "run_files": "job file",
    "instruments": "instrument",
    "run_events": "event",
    "through_references": "through reference",
    "acquisitions": "acquisition",
    "readings": "reading",
    "waveforms": "waveform of acquisition",
    "kept_references": "kept reference",
}


def _name(table: Table, row: Any) -> str:
    if table is tables.runs:
        return "the run's header"
    if table is tables.readings:
        where = " ".join(filter(None, (row["state"], row["channel"], row["port"])))
        return f"reading {row['id']} ({row['check_name']}, {row['quantity']}, {where})"
    if table is tables.run_files:
        return f"job file {row['name']}"
    return f"{_SINGULAR[table.name]} {row['id']}"
