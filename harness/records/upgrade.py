"""Brings records of an older version to this one: adds what is new, changes nothing that was recorded.

Version 1 had no ledger and no events. Its rows get their entries now, marked as sealed later: what befell
them before is not known. Version 2 had no batch and no purpose of a run.
"""

from sqlalchemy import Connection, insert, inspect, select, text, update

from harness.records import ledger, tables

UPGRADABLE = (1, 2)
ADDED_TO_RUNS = ("job_folder", "bench_file", "batch", "purpose")


def upgrade(connection: Connection) -> None:
    """Bring an older version to this one, within one transaction that holds the write lock."""
    version = connection.execute(select(tables.schema.c.version)).scalar_one()
    tables.metadata.create_all(connection)
    there = {column["name"] for column in inspect(connection).get_columns("runs")}
    for name in ADDED_TO_RUNS:
        if name not in there:
            connection.execute(text(f"ALTER TABLE runs ADD COLUMN {name} TEXT NOT NULL DEFAULT ''"))
    if version == 1:
        _begin_ledger(connection)
    connection.execute(update(tables.schema).values(version=tables.SCHEMA_VERSION))


def _begin_ledger(connection: Connection) -> None:
    runs = tables.runs.c
    ended = select(runs.id, runs.outcome, runs.reason, runs.ended).where(runs.outcome.is_not(None))
    for row in connection.execute(ended).mappings().all():
        event = {"run_id": row["id"], "kind": "ended", "at": row["ended"], "outcome": row["outcome"]}
        connection.execute(insert(tables.run_events).values(**event, text=row["reason"]))
    ledger.seal_existing(connection)
