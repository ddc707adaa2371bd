"""Through references that are kept beside the runs: a bench's calibration for the next few hours."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select

from harness.records.rows import Row, time_to_text
from harness.records.tables import kept_references


@dataclass(frozen=True, kw_only=True)
class KeptReference:
    """One reference as `Reference.to_dict` gives it: when and on which bench it was taken."""

    taken: datetime
    bench: str
    temperature_c: float | None
    simulated: bool
    content: Mapping[str, Any]


def reference_to_row(reference: KeptReference) -> Row:
    """Make the row of `kept_references`."""
    return {
        "taken": time_to_text(reference.taken),
        "bench": reference.bench,
        "temperature_c": reference.temperature_c,
        "simulated": int(reference.simulated),
        "content": json.dumps(reference.content, ensure_ascii=False, allow_nan=False),
    }


def latest(connection: Connection, bench: str, *, simulated: bool) -> KeptReference | None:
    """The last reference of a bench; None where there is none."""
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
