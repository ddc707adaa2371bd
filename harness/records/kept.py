"""Through references that are kept beside the runs: a bench's calibration for the next few hours."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Column, Connection, Double, Integer, Table, Text, insert, inspect, select

from harness.records.rows import time_to_text
from harness.records.tables import metadata

# Records that were made before this table get it with their first reference; nothing else changes for them.
kept_references = Table(
    "kept_references",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("taken", Text, nullable=False),
    Column("bench", Text, nullable=False),
    Column("temperature_c", Double, nullable=True),
    Column("simulated", Integer, nullable=False),
    Column("content", Text, nullable=False),
)


@dataclass(frozen=True, kw_only=True)
class KeptReference:
    """One reference as `Reference.to_dict` gives it: when and on which bench it was taken."""

    taken: datetime
    bench: str
    temperature_c: float | None
    simulated: bool
    content: Mapping[str, Any]


def keep(connection: Connection, reference: KeptReference) -> None:
    """Add a reference, and the table where there is none yet."""
    kept_references.create(connection, checkfirst=True)
    connection.execute(
        insert(kept_references).values(
            taken=time_to_text(reference.taken),
            bench=reference.bench,
            temperature_c=reference.temperature_c,
            simulated=int(reference.simulated),
            content=json.dumps(reference.content, ensure_ascii=False, allow_nan=False),
        )
    )


def latest(connection: Connection, bench: str, *, simulated: bool) -> KeptReference | None:
    """The last reference of a bench; None where there is none."""
    if not inspect(connection).has_table(kept_references.name):
        return None
    query = (
        select(kept_references)
        .where(kept_references.c.bench == bench, kept_references.c.simulated == int(simulated))
        .order_by(kept_references.c.id.desc())
        .limit(1)
    )
    row = connection.execute(query).mappings().first()
    if row is None:
        return None
    return KeptReference(
        taken=datetime.fromisoformat(row["taken"]),
        bench=row["bench"],
        temperature_c=row["temperature_c"],
        simulated=bool(row["simulated"]),
        content=json.loads(row["content"]),
    )
