"""Records as version 3 wrote them, in a file or a database: what an upgrade begins with.

The rows were written by switchwalk 0.1.0 in November 2026. Runs 1 to 3 are invented ones with everything
that a run can have; run 4 is a real one on the simulated bench, of a unit with a stuck contact; run 5 has
every kind of event.
"""

import base64
import json
import lzma
from functools import cache
from pathlib import Path
from typing import Any

from sqlalchemy import (
    Boolean,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    create_engine,
)
from sqlalchemy.types import TypeEngine

from harness.records.database import find_location

RUNS = (1, 2, 3, 4, 5)
HEAD = "07305e366c8190eda1f72fbddc6801490e496a4e25eb9d356637370d65850e7d"
"""The last digest of the ledger, as version 3 gave it."""

NUMBERS = (
    "frequency_hz", "value", "standard", "low", "high", "expected", "expected_standard", "limit_low",
    "limit_high",
)  # fmt: skip


def column(
    name: str, kind: type[TypeEngine[Any]] = Text, *, null: bool = False, new: bool = False
) -> Column[Any]:
    return Column(name, kind, nullable=null, server_default="" if new else None)


def make_tables() -> MetaData:
    metadata = MetaData()

    def table(name: str, *columns: Any, of_run: bool = True) -> None:
        key = Column("id", Integer, primary_key=True, autoincrement=False)
        run = (
            (Column("run_id", Integer, ForeignKey("runs.id"), nullable=False, index=True),) if of_run else ()
        )
        Table(name, metadata, key, *run, *columns)

    Table("switchwalk_schema", metadata, Column("version", Integer, primary_key=True, autoincrement=False))
    table(
        "runs",
        *map(
            column, ("serial", "module_name", "part", "revision", "sequence_name", "decision", "bench_name")
        ),
        column("operator", null=True),
        *map(column, ("started", "software_version")),
        column("simulated", Boolean),
        column("notes"),
        *map(column, ("job_folder", "bench_file", "batch", "purpose")),
        column("planned_readings", Integer),
        column("outcome", null=True),
        column("reason"),
        column("ended", null=True),
        Index("runs_of_unit", "part", "serial"),
        of_run=False,
    )
    table("run_files", *map(column, ("name", "sha256", "text")))
    table("instruments", *map(column, ("role", "address", "profile", "text")))
    table("through_references", column("content"))
    table(
        "acquisitions",
        column("number", Integer),
        *map(column, ("hookup", "state", "stimulus", "frequencies_hz", "setting", "phasors")),
        *map(column, ("residuals_vrms", "started")),
        column("duration_s", Double),
    )
    table(
        "readings",
        *map(column, ("check_name", "quantity", "state", "channel", "port", "hookup", "unit")),
        *(column(name, Double, null=True) for name in NUMBERS),
        column("coverage_factor", Double),
        column("floor", Boolean),
        *map(column, ("verdict", "reason", "budget", "acquisitions", "route")),
    )
    table(
        "waveforms",
        Column("acquisition_id", Integer, ForeignKey("acquisitions.id"), nullable=False, unique=True),
        *map(column, ("description", "sha256")),
        column("volts_npz", LargeBinary),
    )
    table("run_events", *map(column, ("kind", "at", "text")), column("outcome", null=True))
    table(
        "kept_references",
        *map(column, ("taken", "bench", "content")),
        column("temperature_c", Double, null=True),
        column("simulated", Integer),
        of_run=False,
    )
    table(
        "ledger",
        Column("run_id", Integer, nullable=False, index=True),
        *map(column, ("kind", "content")),
        column("row", Integer),
        Column("previous", Text, nullable=False, unique=True),
        Column("sha256", Text, nullable=False, unique=True),
        of_run=False,
    )
    return metadata


@cache
def rows() -> dict[str, list[dict[str, Any]]]:
    """By table, the rows as version 3 wrote them."""
    packed = Path(__file__).with_name("version_3.json.xz").read_bytes()
    return {
        name: [dict(zip(content["columns"], map(_plain, row), strict=True)) for row in content["rows"]]
        for name, content in json.loads(lzma.decompress(packed)).items()
    }


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return base64.b64decode(value["base64"]) if "base64" in value else float(value["float"])
    return value


def write(place: str | Path) -> None:
    """Write these records to a place where there are none."""
    metadata, engine = make_tables(), create_engine(find_location(place).url)
    with engine.begin() as connection:
        metadata.create_all(connection)
        connection.execute(metadata.tables["switchwalk_schema"].insert().values(version=3))
        for name, content in rows().items():
            connection.execute(metadata.tables[name].insert(), content)
    engine.dispose()
