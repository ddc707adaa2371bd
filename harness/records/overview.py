"""What a list of runs or the page of a unit wants to know, for many runs at once and in few queries."""

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Table, func, select

from harness.reading import Reading, Verdict
from harness.records import rows, tables
from harness.records.history import portions
from harness.records.plain import checked, from_json
from harness.records.run import BESIDE_READINGS, KIND_OF, KeptReference, RelaysOperated
from harness.records.tables import within_run


@dataclass(frozen=True, kw_only=True)
class RunDetail:
    """How far a run came. `last_sign` is when its last acquisition was begun, or the run itself."""

    module_name: str
    planned_readings: int
    reason: str
    notes: str
    ended: datetime | None
    last_sign: datetime
    verdicts: dict[Verdict, int]  # only verdicts that occur

    @property
    def readings(self) -> int:
        """How many readings the run made so far."""
        return sum(self.verdicts.values())

    @property
    def not_passed(self) -> int:
        """How many of them did not pass."""
        return self.readings - self.verdicts.get("pass", 0)


def read_details(connection: Connection, run_ids: Iterable[int]) -> dict[int, RunDetail]:
    """Give how far these runs came, by their numbers."""
    found: dict[int, RunDetail] = {}
    for some in portions(run_ids):
        verdicts = _verdicts(connection, some)
        signs = _last_signs(connection, some)
        query = select(*(tables.runs.c[name] for name in _DETAIL_COLUMNS)).where(tables.runs.c.id.in_(some))
        for row in connection.execute(query).mappings():
            content = dict(row)
            run = content.pop("id")
            ended, started = content.pop("ended"), content.pop("started")
            found[run] = RunDetail(
                ended=None if ended is None else datetime.fromisoformat(ended),
                last_sign=datetime.fromisoformat(signs.get(run, started)),
                verdicts=verdicts.get(run, {}),
                **content,
            )
    return found


def read_not_passed(connection: Connection, run_ids: Iterable[int]) -> dict[int, list[Reading]]:
    """Give the readings that did not pass of each of these runs that has any, in the order they were made."""
    found: dict[int, list[Reading]] = {}
    table = tables.readings
    for some in portions(run_ids):
        query = (
            select(table)
            .where(table.c.run_id.in_(some), table.c.verdict != "pass")
            .order_by(table.c.run_id, table.c.id)
        )
        for row in connection.execute(query).mappings():
            found.setdefault(row["run_id"], []).append(rows.row_to_reading(dict(row)))
    return found


Unit = tuple[str, str, bool]
"""Part, serial number, and whether it is simulated."""


def read_operations(connection: Connection, *, serial: str | None = None) -> dict[Unit, Counter[str]]:
    """Give how often each relay of every unit was operated in all of its runs, or of those of one serial."""
    runs, events = tables.runs.c, tables.run_events.c
    query = (
        select(runs.part, runs.serial, runs.simulated, events.content)
        .join(tables.runs, runs.id == events.run_id)
        .where(events.kind == KIND_OF[RelaysOperated], events.content.is_not(None))
    )
    if serial is not None:
        query = query.where(runs.serial == serial)
    found: dict[Unit, Counter[str]] = {}
    for row in connection.execute(query).mappings():
        one = checked(tables.run_events, checked(tables.runs, dict(row)))
        unit = found.setdefault((one["part"], one["serial"], one["simulated"]), Counter())
        unit.update(from_json(RelaysOperated, json.loads(one["content"])).operations)
    return found


def read_latest_reference(connection: Connection, bench: str, *, simulated: bool) -> KeptReference | None:
    """Give the last through reference that is kept of a bench; None where there is none."""
    columns = tables.kept_references.c
    query = (
        select(tables.kept_references)
        .where(columns.bench == bench, columns.simulated == int(simulated))
        .order_by(columns.id.desc())
        .limit(1)
    )
    row = connection.execute(query).mappings().first()
    return None if row is None else rows.row_to_reference(dict(row))


def read_state(connection: Connection) -> tuple[int, ...]:
    """Give what changes whenever anything is recorded, cheaply: the last number of each table that grows.

    Of events the last that may change what is said of a run: those that only come along with its readings,
    some twenty a run, are left out.
    """
    events = tables.run_events.c
    telling = select(events.id).where(events.kind.not_in(_ALONG)).order_by(events.id.desc()).limit(1)
    query = select(*(_last(table) for table in _GROWING), telling.scalar_subquery())
    return tuple(int(number or 0) for number in connection.execute(query).one())


def read_seal(connection: Connection, run_id: int) -> str:
    """Give the digest of a run's last entry in the ledger; "" where it has none."""
    columns = tables.ledger.c
    last = select(columns.sha256).where(columns.run_id == run_id).order_by(within_run(columns.id).desc())
    return str(connection.execute(last.limit(1)).scalar() or "")


def read_seals(connection: Connection) -> dict[int, str]:
    """Give the seals of all runs that have one, by their numbers."""
    columns = tables.ledger.c
    last = select(func.max(columns.id).label("id")).group_by(columns.run_id).subquery()
    query = select(columns.run_id, columns.sha256).join(last, columns.id == last.c.id)
    return {run: seal for run, seal in connection.execute(query)}  # noqa: C416  (a Result is not a Mapping)


_GROWING = (tables.runs, tables.acquisitions, tables.readings)
_ALONG = tuple(KIND_OF[event] for event in BESIDE_READINGS)
_DETAIL_COLUMNS = ("id", "module_name", "planned_readings", "reason", "notes", "started", "ended")


def _last(table: Table) -> ColumnElement[Any]:
    return select(func.max(table.c.id)).scalar_subquery()


def _last_signs(connection: Connection, some: Sequence[int]) -> dict[int, str]:
    columns = tables.acquisitions.c
    query = (
        select(columns.run_id, func.max(columns.started))
        .where(columns.run_id.in_(some))
        .group_by(columns.run_id)
    )
    return {run: last for run, last in connection.execute(query)}  # noqa: C416  (a Result is not a Mapping)


def _verdicts(connection: Connection, some: Sequence[int]) -> dict[int, dict[Verdict, int]]:
    columns = tables.readings.c
    query = (
        select(columns.run_id, columns.verdict, func.count())
        .where(columns.run_id.in_(some))
        .group_by(columns.run_id, columns.verdict)
    )
    found: dict[int, dict[Verdict, int]] = {}
    for run, verdict, count in connection.execute(query):
        found.setdefault(run, {})[verdict] = count
    return found
