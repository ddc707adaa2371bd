"""The run store: begin a run, add to it as it goes, finish it, read it back."""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self, TypeVar

from sqlalchemy import Connection, Select, Table, and_, case, func, select, update

from harness.errors import NoSuchRun, RecordsError
from harness.reading import Reading
from harness.records import ledger, rows, tables
from harness.records.database import (
    check_room,
    explained,
    find_location,
    open_engine,
    writing,
)
from harness.records.history import RecordsReader, extents_of, portions, verdicts_of
from harness.records.ledger import insert_rows
from harness.records.run import (
    INTERRUPTED,
    OUTCOMES,
    AcquisitionRecord,
    Ended,
    Event,
    Extent,
    Outcome,
    Remembered,
    Resumed,
    RunEvent,
    RunHeader,
    RunRecord,
    StoredReference,
    UnitSummary,
    check_time,
)
from harness.records.tables import checked, within_run
from harness.roles import Capture, Identity
from harness.toml_files.located import JobFile

T = TypeVar("T")
E = TypeVar("E", bound=Event)


def open_records(url_or_path: str | Path, *, read_only: bool = False, bring_up: bool = False) -> "RunStore":
    """Open the records, making them where there are none; `read_only` neither makes nor changes anything.

    url_or_path: a SQLite file, or the URL of a PostgreSQL database. Records of an older version are refused,
    unless `bring_up` says to make them this version's. Raises RecordsError with the location and the cure.
    """
    location = find_location(url_or_path)
    return RunStore(location, open_engine(location, read_only=read_only, bring_up=bring_up))


class RunStore(RecordsReader):
    """Open records. A context manager; every `add_…` is committed to disk before it returns.

    Every method raises RecordsError when the database or the disk refuses; what was committed before stays.
    """

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection. May be called again."""
        self._engine.dispose()

    # --- writing

    def begin(self, header: RunHeader) -> int:
        """Record the start of a run and give its number; refuses a disk that is nearly full."""
        check_room(self._location)
        with self._writing() as connection:
            run = _insert(connection, tables.runs, rows.header_to_row(header))
            for file in header.files:
                _insert(connection, tables.run_files, {"run_id": run, **vars(file)})
            for identity in header.instruments:
                _insert(connection, tables.instruments, {"run_id": run, **vars(identity)})
        return run

    def add_acquisition(self, run: int, acquisition: AcquisitionRecord) -> int:
        """Record an acquisition; gives its number in the records, which readings refer to."""
        row = rows.acquisition_to_row(acquisition)
        with self._writing() as connection:
            return _insert(connection, tables.acquisitions, {"run_id": run, **row})

    def add_readings(self, run: int, readings: Sequence[Reading]) -> None:
        """Record readings, all of them or none."""
        if not readings:
            return
        values = [{"run_id": run, **rows.reading_to_row(reading)} for reading in readings]
        with self._writing() as connection:
            insert_rows(connection, tables.readings, values)

    def add_waveform(self, run: int, acquisition: int, capture: Capture) -> None:
        """Keep the samples of an acquisition, compressed."""
        row = {"run_id": run, "acquisition_id": acquisition, **rows.capture_to_row(capture)}
        with self._writing() as connection:
            _insert(connection, tables.waveforms, row)

    def add_reference(self, run: int, reference: Mapping[str, object]) -> None:
        """Keep a through reference that the run used; anything that JSON can hold."""
        content = json.dumps(reference, ensure_ascii=False, allow_nan=False)
        with self._writing() as connection:
            _insert(connection, tables.through_references, {"run_id": run, "content": content})

    def keep_reference(self, reference: StoredReference) -> None:
        """Keep a through reference that belongs to no run, for those of the next hours."""
        with self._writing() as connection:
            _insert(connection, tables.kept_references, rows.reference_to_row(reference))

    def add_event(self, run: int, event: Event, text: str = "", *, at: datetime | None = None) -> None:
        """Record something that befell a run, with a text for people.

        How it ended is for `finish`, going on for `reopen`.
        """
        with self._writing() as connection:
            _event(connection, run, event, text, at or datetime.now(UTC))

    def finish(self, run: int, outcome: Outcome, reason: str, ended: datetime) -> None:
        """Record how a run ended. Raises RecordsError if there is no such run or it has ended before."""
        check_time("ended", ended)
        if outcome not in OUTCOMES:
            raise ValueError(f"outcome {outcome!r}: expected one of {', '.join(OUTCOMES)}")
        statement = (
            update(tables.runs)
            .where(tables.runs.c.id == run, tables.runs.c.outcome.is_(None))
            .values(outcome=outcome, reason=reason, ended=rows.time_to_text(ended))
        )
        with self._writing() as connection:
            if connection.execute(statement).rowcount != 1:
                raise RecordsError(
                    f"{self.location}: run {run} does not exist or has ended already; its end is not changed"
                )
            _event(connection, run, Ended(outcome=outcome), reason, ended)

    def reopen(self, run: int, event: Resumed, text: str, at: datetime) -> None:
        """Record that a run goes on that was interrupted or stopped. Raises RecordsError for any other."""
        check_time("at", at)
        outcome = tables.runs.c.outcome
        statement = (
            update(tables.runs)
            .where(tables.runs.c.id == run, outcome.is_(None) | (outcome == "stopped"))
            .values(outcome=None, reason="", ended=None)
        )
        with self._writing() as connection:
            if connection.execute(statement).rowcount != 1:
                raise NoSuchRun(f"{self.location}: there is no run {run} that was interrupted or stopped")
            _event(connection, run, event, text, at)

    # --- reading

    def run(self, run_id: int) -> RunRecord:
        """Return one run. Raises NoSuchRun if there is none of that number."""
        result = self._runs(select(tables.runs).where(tables.runs.c.id == run_id))
        if not result:
            raise NoSuchRun(
                f"{self.location}: there is no run {run_id}. `switchwalk units` lists what there is"
            )
        return result[0]

    def runs(self, *, serial: str | None = None) -> list[RunRecord]:
        """Return all runs, or those of one serial number, oldest first."""
        query = select(tables.runs).order_by(tables.runs.c.id)
        return self._runs(query if serial is None else query.where(tables.runs.c.serial == serial))

    def passed(self, serial: str, part: str, *, simulated: bool = False) -> RunRecord | None:
        """Return the run that a unit stands passed by: its latest run with a verdict, if that is a pass."""
        columns = tables.runs.c
        latest = self._runs(
            select(tables.runs)
            .where(columns.serial == serial, columns.part == part, columns.simulated.is_(simulated))
            .where(columns.outcome.in_(("pass", "fail", "unproven")), columns.purpose == "")
            .order_by(columns.id.desc())
            .limit(1)
        )
        return latest[0] if latest and latest[0].outcome == "pass" else None

    def readings(self, run_id: int) -> list[Reading]:
        """Return a run's readings in the order they were made, equal to what was stored."""
        return self._of_run(tables.readings, run_id, rows.row_to_reading)

    def acquisitions(self, run_id: int) -> dict[int, AcquisitionRecord]:
        """Return a run's acquisitions by their numbers in the records."""
        return dict(
            self._of_run(tables.acquisitions, run_id, lambda row: (row["id"], rows.row_to_acquisition(row)))
        )

    def waveforms(self, run_id: int) -> dict[int, Capture]:
        """Return a run's waveforms by the number of their acquisition."""
        return dict(
            self._of_run(
                tables.waveforms, run_id, lambda row: (row["acquisition_id"], rows.row_to_capture(row))
            )
        )

    def events(self, run_id: int) -> list[RunEvent[Event | Remembered]]:
        """Return what befell a run besides its readings, oldest first."""
        return self._of_run(tables.run_events, run_id, rows.row_to_event)

    def latest_events(self, kind: type[E], run_ids: Iterable[int] | None = None) -> dict[int, RunEvent[E]]:
        """Return the last event of a kind by run, of these runs or of all; runs without one are left out.

        So are events of an older version of which only the text is known.
        """
        columns = tables.run_events.c
        known = and_(columns.kind == kind.kind, columns.content.is_not(None))
        query = select(tables.run_events).where(known).order_by(columns.id)
        queries = [query]
        if run_ids is not None:  # some twenty events a run are of other kinds
            queries = [query.where(columns.run_id.in_(some)) for some in portions(run_ids)]
        result: dict[int, RunEvent[E]] = {}
        with self._reading() as connection:
            for row in (dict(row) for query in queries for row in connection.execute(query).mappings()):
                event = rows.row_to_event(row)
                if isinstance(event.event, kind):
                    result[row["run_id"]] = RunEvent(event=event.event, at=event.at, text=event.text)
        return result

    def verify(self, run_id: int | None = None, *, expected: str = "") -> ledger.Verification:
        """Compare the records with their ledger: all of them; or a run, with the chain from there to the end.

        noted: a digest that was written down elsewhere and must be in the chain.
        """
        if run_id is not None:
            self.run(run_id)
        with self._reading() as connection:
            return ledger.verify(connection, run_id, expected=expected)

    def refuse_edited(self, run_id: int, consequence: str) -> None:
        """Raise RecordsError, which names the consequence, for a run that is not as it was recorded."""
        findings = self.verify(run_id).findings
        if findings:
            raise RecordsError(
                f"{self.location}: run {run_id} is not as it was recorded: {findings[0].what}. "
                f"{consequence}. `switchwalk verify` says more; restore a copy of the records"
            )

    def references(self, run_id: int) -> list[dict[str, Any]]:
        """Return the through references that a run used."""
        return self._of_run(tables.through_references, run_id, lambda row: json.loads(row["content"]))

    def units(self) -> list[UnitSummary]:
        """Return every unit with the run that says how it stands, the latest first."""
        columns = tables.runs.c
        unit = (columns.part, columns.serial, columns.simulated)
        totals = (
            select(
                func.coalesce(
                    func.max(case((columns.purpose == "", columns.id))), func.max(columns.id)
                ).label("latest"),
                func.count().label("count"),
                func.sum(case((and_(columns.outcome == "pass", columns.purpose == ""), 1), else_=0)).label(
                    "passes"
                ),
            )
            .group_by(*unit)
            .subquery()
        )
        query = (
            select(tables.runs, totals.c.count, totals.c.passes)
            .join(totals, columns.id == totals.c.latest)
            .order_by(columns.id.desc())
        )
        with self._reading() as connection:
            rows_read = [checked(tables.runs, dict(row)) for row in connection.execute(query).mappings()]
            extents = extents_of(connection, [row["id"] for row in rows_read])
            return [_unit(row, extents.get(row["id"], "whole")) for row in rows_read]

    def seal(self, run_id: int) -> str:
        """Return the digest of the ledger's last entry of a run, which holds all of it in the chain."""
        self.run(run_id)
        columns = tables.ledger.c
        last = select(columns.sha256).where(columns.run_id == run_id).order_by(within_run(columns.id).desc())
        with self._reading() as connection:
            return str(connection.execute(last.limit(1)).scalar() or "")

    # --- within

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with explained(self._location), writing(self._engine) as connection:
            yield connection

    def _of_run(self, table: Table, run_id: int, make: Callable[[rows.Row], T]) -> list[T]:
        query = select(table).where(table.c.run_id == run_id).order_by(table.c.id)
        with self._reading() as connection:
            result = connection.execute(query)
            names = tuple(result.keys())
            return [make(dict(zip(names, row, strict=True))) for row in result]

    def _runs(self, query: Select[Any]) -> list[RunRecord]:
        with self._reading() as connection:
            return [_run_record(connection, dict(row)) for row in connection.execute(query).mappings().all()]


def _insert(connection: Connection, table: Table, row: rows.Row) -> int:
    return insert_rows(connection, table, [row])[0]


def _event(connection: Connection, run: int, event: Event, text: str, at: datetime) -> None:
    _insert(connection, tables.run_events, {"run_id": run, **rows.event_to_row(event, text, at)})


def _run_record(connection: Connection, row: rows.Row) -> RunRecord:
    run_id = row["id"]
    files, instruments = (
        connection.execute(select(table).where(table.c.run_id == run_id).order_by(table.c.id)).all()
        for table in (tables.run_files, tables.instruments)
    )
    acquisitions = connection.execute(
        select(func.count()).where(tables.acquisitions.c.run_id == run_id)
    ).scalar_one()
    return RunRecord(
        run_id=run_id,
        header=rows.row_to_header(
            row,
            files=tuple(JobFile(name=file.name, sha256=file.sha256, text=file.text) for file in files),
            instruments=tuple(
                Identity(
                    role=identity.role, address=identity.address, profile=identity.profile, text=identity.text
                )
                for identity in instruments
            ),
        ),
        outcome=row["outcome"] or INTERRUPTED,
        reason=row["reason"],
        ended=None if row["ended"] is None else datetime.fromisoformat(row["ended"]),
        verdicts=verdicts_of(connection, [run_id]).get(run_id, {}),
        acquisitions=acquisitions,
        upgraded=row["recorded"] is not None,
    )


def _unit(row: rows.Row, extent: Extent) -> UnitSummary:
    as_is = ("serial", "part", "module_name", "revision", "simulated", "passes", "purpose")
    return UnitSummary(
        extent=extent,
        runs=row["count"],
        latest_run=row["id"],
        latest_outcome=row["outcome"] or INTERRUPTED,
        latest_started=datetime.fromisoformat(row["started"]),
        **{name: row[name] for name in as_is},
    )
