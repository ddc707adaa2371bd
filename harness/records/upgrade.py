"""Brings records of an older version to this one: adds what is new, changes nothing that was recorded.

Version 1 had no ledger and no events. Its rows get their entries now, marked as sealed later: what befell
them before is not known.
"""

from sqlalchemy import Connection, insert, inspect, select, text, update

from harness.records import ledger, tables

UPGRADABLE = (1,)


def upgrade(connection: Connection) -> None:
    """Bring version 1 to version 2, within one transaction that holds the write lock."""
    tables.metadata.create_all(connection)
    there = {column["name"] for column in inspect(connection).get_columns("runs")}
    for name in ("job_folder", "bench_file"):
        if name not in there:
            connection.execute(text(f"ALTER TABLE runs ADD COLUMN {name} TEXT NOT NULL DEFAULT ''"))
    runs = tables.runs.c
    ended = select(runs.id, runs.outcome, runs.reason, runs.ended).where(runs.outcome.is_not(None))
    for row in connection.execute(ended).mappings().all():
        event = {"run_id": row["id"], "kind": "ended", "at": row["ended"], "outcome": row["outcome"]}
        connection.execute(insert(tables.run_events).values(**event, text=row["reason"]))
    ledger.seal_existing(connection)
    connection.execute(update(tables.schema).values(version=tables.SCHEMA_VERSION))
