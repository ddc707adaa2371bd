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
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Boolean, Connection, Double, LargeBinary, Table, insert, select

from harness.records import tables

GENESIS = "0" * 64
RUN_STANDS = ("outcome", "reason", "ended")  # columns of `runs` that repeat the run's last event
ADDED_LATER = ("batch", "purpose")  # columns of `runs` that entries of version 2 know nothing of: "" there
KEPT = (
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
    """What a look through the records found. `head` is the last digest, to be compared with one noted."""

    entries: int
    runs: int
    head: str
    findings: tuple[Finding, ...]
    sealed_later: int  # entries made when older records were brought to this version


def content_digest(table: Table, row: Mapping[str, Any]) -> str:
    """SHA-256 of a row, wherever it comes from: about to be inserted, or read back."""
    content = {
        column.name: _plain(column.type, row[column.name])
        for column in table.columns
        if not (table is tables.runs and _not_entered(column.name, row[column.name]))
    }
    return hashlib.sha256(
        json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    ).hexdigest()


def _not_entered(column: str, value: object) -> bool:
    return column in RUN_STANDS or (column in ADDED_LATER and value == "")


def _plain(kind: object, value: Any) -> Any:
    if value is None:
        return None
    if isinstance(kind, Boolean):
        return bool(value)
    if isinstance(kind, Double):
        number = float(value) + 0.0  # no negative zero: databases don't keep it
        return number if math.isfinite(number) else repr(number)
    if isinstance(kind, LargeBinary):
        return hashlib.sha256(value).hexdigest()
    return value


def chain_digest(previous: str, run_id: int, kind: str, row: int, content: str) -> str:
    """SHA-256 of an entry: what stands before it, and what it says."""
    return hashlib.sha256(f"{previous}\n{run_id}\n{kind}\n{row}\n{content}".encode()).hexdigest()


def enter(
    connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]], *, before: str = ""
) -> None:
    """Add the entries of rows that have their ids.

    Within the transaction that added the rows, which holds the write lock. before: what stands before the
    table's name in the entries' kind.
    """
    previous = head(connection)
    kind = before + table.name
    entries = []
    for row in rows:
        content = content_digest(table, row)
        run_id, key = int(row["id"] if table is tables.runs else row["run_id"]), int(row["id"])
        sha256 = chain_digest(previous, run_id, kind, key, content)
        entries.append(
            {
                "run_id": run_id,
                "kind": kind,
                "row": key,
                "content": content,
                "previous": previous,
                "sha256": sha256,
            }
        )
        previous = sha256
    if entries:
        connection.execute(insert(tables.ledger), entries)


def head(connection: Connection) -> str:
    """The last digest of the chain."""
    last = select(tables.ledger.c.sha256).order_by(tables.ledger.c.id.desc()).limit(1)
    return connection.execute(last).scalar() or GENESIS


SEALED_LATER = "sealed later: "
"""What stands before the table's name in entries for rows that are older than the ledger."""


def seal_existing(connection: Connection) -> None:
    """Enter every row of records that had no ledger, run by run."""
    for table in KEPT:
        rows = connection.execute(select(table).order_by(table.c.id)).mappings().all()
        enter(connection, table, [dict(row) for row in rows], before=SEALED_LATER)


def verify(connection: Connection, run_id: int | None = None, *, noted: str = "") -> Verification:
    """Compare the records with their ledger: the whole chain, and the rows of every run or of one."""
    findings: list[Finding] = []
    entries: dict[int, dict[tuple[str, int], str]] = {}
    previous, count, later, seen_noted = GENESIS, 0, 0, not noted
    for entry in connection.execute(select(tables.ledger).order_by(tables.ledger.c.id)).mappings():
        count += 1
        kind = entry["kind"].removeprefix(SEALED_LATER)
        later += kind != entry["kind"]
        expected = chain_digest(
            entry["previous"], entry["run_id"], entry["kind"], entry["row"], entry["content"]
        )
        if entry["previous"] != previous or entry["sha256"] != expected:
            what = (
                f"entry {entry['id']} of the ledger does not follow the one before it: entries were changed, "
                "removed or moved"
            )
            findings.append(Finding(run_id=entry["run_id"], what=what))
        previous = entry["sha256"]
        seen_noted = seen_noted or entry["sha256"] == noted
        if run_id in (None, entry["run_id"]):
            entries.setdefault(entry["run_id"], {})[kind, entry["row"]] = entry["content"]
    if not seen_noted:
        what = f"the chain has no entry {noted}, so that its end was cut off or it was made anew"
        findings.append(Finding(run_id=0, what=what))
    present = set(connection.execute(select(tables.runs.c.id)).scalars())
    wanted = sorted(present | entries.keys()) if run_id is None else [run_id]
    for run in wanted:
        findings += _verify_run(connection, run, entries.get(run, {}))
    return Verification(
        entries=count, runs=len(wanted), head=previous, findings=tuple(findings), sealed_later=later
    )


def _verify_run(
    connection: Connection, run: int, entries: Mapping[tuple[str, int], str]
) -> Iterator[Finding]:
    left = dict(entries)
    for table in KEPT:
        column = table.c.id if table is tables.runs else table.c.run_id
        for row in connection.execute(select(table).where(column == run).order_by(table.c.id)).mappings():
            name = _name(table, row)
            content = left.pop((table.name, row["id"]), None)
            if content is None:
                yield Finding(
                    run_id=run, what=f"{name} has no entry in the ledger: it was put in or moved here"
                )
            elif content != content_digest(table, dict(row)):
                yield Finding(run_id=run, what=f"{name} is not what was recorded: it was changed or moved")
    for table_name, key in left:
        yield Finding(run_id=run, what=f"{_SINGULAR[table_name]} {key} was recorded and is gone")
    yield from _verify_end(connection, run)


def _verify_end(connection: Connection, run: int) -> Iterator[Finding]:
    """How the run stands must be what its last event says."""
    row = connection.execute(select(tables.runs).where(tables.runs.c.id == run)).mappings().first()
    events = tables.run_events
    last = (
        connection.execute(
            select(events)
            .where(events.c.run_id == run, events.c.kind.in_(("ended", "resumed")))
            .order_by(events.c.id.desc())
            .limit(1)
        )
        .mappings()
        .first()
    )
    if row is None:
        return
    stands = (row["outcome"], row["reason"], row["ended"])
    ended = last is not None and last["kind"] == "ended"
    said = (last["outcome"], last["text"], last["at"]) if last is not None and ended else (None, "", None)
    if stands != said:
        yield Finding(run_id=run, what=f"the outcome reads {row['outcome']!r}, and {said[0]!r} was recorded")


_SINGULAR = {
    "runs": "the run itself",
    "run_files": "job file",
    "instruments": "instrument",
    "run_events": "event",
    "through_references": "through reference",
    "acquisitions": "acquisition",
    "readings": "reading",
    "waveforms": "waveform of acquisition",
}


def _name(table: Table, row: Any) -> str:
    if table is tables.runs:
        return "the run's header"
    if table is tables.readings:
        place = " ".join(filter(None, (row["state"], row["channel"], row["port"])))
        return f"reading {row['id']} ({row['check_name']}, {row['quantity']}, {place})"
    if table is tables.run_files:
        return f"job file {row['name']}"
    return f"{_SINGULAR[table.name]} {row['id']}"
