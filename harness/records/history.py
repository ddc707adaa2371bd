"""Many runs at once: one line for a run, one series for a reading through the runs, how far each run came.

For questions about batches, where a `RunRecord` with its files and a `Reading` with its budget would be too
much to load a million times; few queries, however many runs.
"""

import json
import math
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, Connection, Engine, func, select, tuple_

from harness.quantities.registry import QUANTITIES
from harness.reading import Measurand, Reading, ReadingKey, Verdict
from harness.records import rows, tables
from harness.records.database import Location, explained, readable, reading
from harness.records.rows import KEY_COLUMNS, VALUE_COLUMNS, columns_of_key, key_of_columns
from harness.records.run import (
    BESIDE_READINGS,
    EXTENTS,
    INTERRUPTED,
    Extent,
    Outcome,
    Purpose,
    RelaysOperated,
    StoredReference,
)
from harness.records.tables import checked, fetched, from_json
from harness.units import format_value

_RUNS_A_QUERY = 100  # well below the bound values that any database allows


@dataclass(frozen=True, kw_only=True)
class RunLine:
    """One run in a line of a list."""

    run_id: int
    serial: str
    part: str
    revision: str
    sequence_name: str
    bench_name: str
    operator: str | None
    simulated: bool
    started: datetime
    outcome: Outcome | Literal["interrupted"]
    batch: str = ""
    purpose: Purpose = ""
    extent: Extent = "whole"


def label_of(key: ReadingKey) -> str:
    """A reading in words: `Route and gain: loop_a left.out 1 kHz`."""
    measurand = key.measurand
    parts = (measurand.state, measurand.where, _tone(measurand.frequency_hz))
    return f"{key.check}: {' '.join(part for part in parts if part)}"


def labels(keys: Iterable[ReadingKey]) -> dict[ReadingKey, str]:
    """Each reading in words, with what tells it from others that have the same words else."""
    return told_apart({key: label_of(key) for key in keys})


def told_apart(words: Mapping[ReadingKey, str]) -> dict[ReadingKey, str]:
    """Words for readings; those of the same words get what they differ in: `…, left.aux driven`."""
    alike: dict[str, list[ReadingKey]] = {}
    for key, text in words.items():
        alike.setdefault(text, []).append(key)
    result = dict(words)
    for text, keys in alike.items():
        details = [_details(key.measurand) for key in keys] if len(keys) > 1 else []
        names = dict.fromkeys(name for detail in details for name in detail)
        differing = [name for name in names if len({detail.get(name) for detail in details}) > 1]
        for key, detail in zip(keys, details, strict=False):
            result[key] = ", ".join([text, *(detail[name] for name in differing if name in detail)])
    return result


def _details(measurand: Measurand) -> dict[str, str]:
    """What a label leaves out, in words."""
    driven = {"driven": f"{measurand.driven} driven"} if measurand.driven else {}
    options = {name: f"{name} {value}" for name, value in measurand.options}
    return {"quantity": measurand.quantity.replace("_", " "), **driven, **options}


@cache
def _tone(frequency_hz: float | None) -> str:
    """In words; a thousand readings share a few frequencies."""
    return "" if frequency_hz is None else format_value(frequency_hz, "Hz")


@dataclass(frozen=True, kw_only=True, eq=False)
class Series:
    """One reading through the runs, in the order they were made; every array of shape (n,).

    values: NaN where missing, and the bound where `floor`, mostly the level it lies below. standard: NaN if
    unknown. limit_low, limit_high: minus and plus infinity where open.
    """

    key: ReadingKey
    unit: str
    run_ids: NDArray[np.int64]
    values: NDArray[np.float64]
    floor: NDArray[np.bool_]
    standard: NDArray[np.float64]
    limit_low: NDArray[np.float64]
    limit_high: NDArray[np.float64]
    verdicts: tuple[Verdict, ...]

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Where there is a value, neither missing nor a mere floor."""
        return np.isfinite(self.values) & ~self.floor

    def limits(self, index: int = -1) -> tuple[float | None, float | None]:
        """Low and high limit in one of the runs, the latest by default; None where open."""
        low, high = float(self.limit_low[index]), float(self.limit_high[index])
        return low if math.isfinite(low) else None, high if math.isfinite(high) else None


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


Unit = tuple[str, str, bool]
"""Part, serial number, and whether it is simulated."""


class RecordsReader:
    """What open records say of many runs at once.

    Every method raises RecordsError when the database or the disk refuses.
    """

    def __init__(self, location: Location, engine: Engine) -> None:
        self._location = location
        self._engine = engine

    @property
    def location(self) -> str:
        """Where the records are, without any password."""
        return self._location.shown

    def readable(self) -> AbstractContextManager[None]:
        """Whatever does not read of what these records returned is theirs: a RecordsError says so."""
        return readable(self._location)

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with explained(self._location), readable(self._location), reading(self._engine) as connection:
            yield connection

    def lines(
        self, *, part: str | None = None, serial: str | None = None, simulated: bool | None = None
    ) -> list[RunLine]:
        """One line for every run, oldest first: of all, or of one part or unit, real or simulated."""
        columns = tables.runs.c
        query = select(*(columns[name] for name in _LINE_COLUMNS)).order_by(columns.id)
        for column, wanted in ((columns.part, part), (columns.serial, serial)):
            if wanted is not None:
                query = query.where(column == wanted)
        if simulated is not None:
            query = query.where(columns.simulated.is_(simulated))
        with self._reading() as connection:
            rows_read = connection.execute(query).mappings().all()
            extents = extents_of(connection, [row["id"] for row in rows_read])
            return [_line(row, extents.get(row["id"], "whole")) for row in rows_read]

    def reading_keys(self, run_ids: Iterable[int]) -> list[ReadingKey]:
        """What these runs read, without the values, in no order worth a name: for choosing a `series`."""
        columns = [tables.readings.c[name] for name in KEY_COLUMNS]
        result: dict[_Key, None] = {}
        with self._reading() as connection:
            for some in portions(run_ids):
                query = select(*columns).where(tables.readings.c.run_id.in_(some)).distinct()
                for part in fetched(connection, query):
                    result |= dict.fromkeys(part)
            return [key_of_columns(key) for key in result]

    def series(self, run_ids: Iterable[int], *, keys: Collection[ReadingKey] | None = None) -> list[Series]:
        """Every reading of these runs as a series, or those asked for; runs in the order they were begun."""
        columns = [tables.readings.c[name] for name in (*KEY_COLUMNS, *_SERIES_COLUMNS)]
        wanted = None if keys is None else {columns_of_key(key) for key in keys}
        numbers = _Numbers()
        parts = []
        with self._reading() as connection:
            for some in portions(run_ids):
                for rows_read in _readings_of(connection, columns, some, *_narrowed(keys)):
                    if wanted is not None:
                        rows_read = [row for row in rows_read if row[: len(KEY_COLUMNS)] in wanted]
                    if rows_read:
                        parts.append(_arrays(rows_read, numbers))
            if not parts:
                return []
            number, *values = (np.concatenate(some) for some in zip(*parts, strict=True))
            order = np.argsort(number, kind="stable")  # reading by reading, each in the order of the runs
            ends = np.cumsum(np.bincount(number))[:-1]
            split = zip(*(np.split(array[order], ends) for array in values), strict=True)
            return [_series(key, *arrays) for key, arrays in zip(numbers, split, strict=True)]

    def table(self, run_ids: Iterable[int]) -> tuple[tuple[str, ...], list[tuple[Any, ...]]]:
        """The readings of these runs as plain rows in SI in the order they were made: names, and rows."""
        names = ("run_id", *KEY_COLUMNS, "setup", "unit", *VALUE_COLUMNS, "verdict", "reason")
        columns = [tables.readings.c[name] for name in names]
        with self._reading() as connection:
            return names, [
                row
                for some in portions(run_ids)
                for part in _readings_of(connection, columns, some)
                for row in part
            ]

    def details(self, run_ids: Iterable[int]) -> dict[int, RunDetail]:
        """How far these runs came, by their numbers."""
        result: dict[int, RunDetail] = {}
        with self._reading() as connection:
            for some in portions(run_ids):
                verdicts = verdicts_of(connection, some)
                signs = _last_signs(connection, some)
                columns = [tables.runs.c[name] for name in _DETAIL_COLUMNS]
                for row in connection.execute(select(*columns).where(tables.runs.c.id.in_(some))).mappings():
                    content = dict(row)
                    run = content.pop("id")
                    ended, started = content.pop("ended"), content.pop("started")
                    result[run] = RunDetail(
                        ended=None if ended is None else datetime.fromisoformat(ended),
                        last_sign=datetime.fromisoformat(signs.get(run, started)),
                        verdicts=verdicts.get(run, {}),
                        **content,
                    )
        return result

    def not_passed(self, run_ids: Iterable[int]) -> dict[int, list[Reading]]:
        """The readings that did not pass of each of these runs that has any, in the order they were made."""
        result: dict[int, list[Reading]] = {}
        columns = tables.readings.c
        failing = (
            select(tables.readings).where(columns.verdict != "pass").order_by(columns.run_id, columns.id)
        )
        with self._reading() as connection:
            for some in portions(run_ids):
                for row in connection.execute(failing.where(columns.run_id.in_(some))).mappings():
                    result.setdefault(row["run_id"], []).append(rows.row_to_reading(dict(row)))
        return result

    def operations(self, *, serial: str | None = None) -> dict[Unit, Counter[str]]:
        """How often each relay of every unit was operated in all of its runs, or of those of one serial."""
        runs, events = tables.runs.c, tables.run_events.c
        query = (
            select(runs.part, runs.serial, runs.simulated, events.content)
            .join(tables.runs, runs.id == events.run_id)
            .where(events.kind == RelaysOperated.kind, events.content.is_not(None))
        )
        if serial is not None:
            query = query.where(runs.serial == serial)
        result: dict[Unit, Counter[str]] = {}
        with self._reading() as connection:
            for row in map(dict, connection.execute(query).mappings()):
                checked(tables.run_events, checked(tables.runs, row))
                unit = result.setdefault((row["part"], row["serial"], row["simulated"]), Counter())
                unit.update(from_json(RelaysOperated, json.loads(row["content"])).operations)
        return result

    def latest_reference(self, bench: str, *, simulated: bool) -> StoredReference | None:
        """The last through reference that is kept of a bench, however old; None if there is none."""
        columns = tables.kept_references.c
        query = (
            select(tables.kept_references)
            .where(columns.bench == bench, columns.simulated == int(simulated))
            .order_by(columns.id.desc())
            .limit(1)
        )
        with self._reading() as connection:
            row = connection.execute(query).mappings().first()
            return None if row is None else rows.row_to_reference(dict(row))

    def state(self) -> tuple[int, ...]:
        """What changes whenever anything is recorded, cheaply: the last number of each table that grows.

        Of events the last that may change a run's pages: those that only come along with its readings, some
        twenty a run, are left out.
        """
        events = tables.run_events.c
        telling = select(events.id).where(events.kind.not_in(_ALONG)).order_by(events.id.desc()).limit(1)
        last = (select(func.max(table.c.id)).scalar_subquery() for table in _GROWING)
        with self._reading() as connection:
            numbers = connection.execute(select(*last, telling.scalar_subquery())).one()
        return tuple(int(number or 0) for number in numbers)

    def seals(self) -> dict[int, str]:
        """The seals of all runs that have one: any other means that something was recorded since."""
        columns = tables.ledger.c
        last = select(func.max(columns.id).label("id")).group_by(columns.run_id).subquery()
        query = select(columns.run_id, columns.sha256).join(last, columns.id == last.c.id)
        with self._reading() as connection:
            return dict(connection.execute(query).all())


def portions(run_ids: Iterable[int]) -> Iterator[Sequence[int]]:
    """So many runs at a time that no database has too many bound values, nor this program too many rows."""
    ids = sorted(run_ids)
    for start in range(0, len(ids), _RUNS_A_QUERY):
        yield ids[start : start + _RUNS_A_QUERY]


_Key = tuple[Any, ...]  # the columns of a key as they stand in a row
_LINE_COLUMNS = (
    "id", "serial", "part", "revision", "sequence_name", "bench_name", "operator", "simulated", "started",
    "outcome", "batch", "purpose",
)  # fmt: skip
_VERDICT_OF = np.array(get_args(Verdict), dtype=np.object_)
_VERDICTS = {verdict: number for number, verdict in enumerate(get_args(Verdict))}
_SERIES_COLUMNS = ("run_id", "value", "floor", "standard", "limit_low", "limit_high", "verdict")


def _line(row: Any, extent: Extent) -> RunLine:
    content = dict(row)
    return RunLine(
        extent=extent,
        run_id=content.pop("id"),
        started=datetime.fromisoformat(content.pop("started")),
        outcome=content.pop("outcome") or INTERRUPTED,
        **content,
    )


def _readings_of(
    connection: Connection,
    columns: Sequence[ColumnElement[Any]],
    run_ids: Sequence[int],
    *only: ColumnElement[bool],
) -> Iterator[list[tuple[Any, ...]]]:
    """Columns of the readings of runs in the order of the index, so that the database has nothing to sort."""
    table = tables.readings.c
    query = select(*columns).where(table.run_id.in_(run_ids), *only).order_by(table.run_id, table.id)
    return fetched(connection, query)


def _narrowed(keys: Collection[ReadingKey] | None) -> Iterator[ColumnElement[bool]]:
    """What a row with one of these keys has in common with it: enough to leave out most others."""
    if keys is not None:
        columns = tables.readings.c
        wanted = sorted({(key.measurand.state, key.check, key.measurand.channel) for key in keys})
        yield tuple_(columns.state, columns.check_name, columns.channel).in_(wanted)


class _Numbers(dict[_Key, int]):
    """A number for each key, by the order in which they are met."""

    def __missing__(self, key: _Key) -> int:
        number = self[key] = len(self)
        return number


def _arrays(result: Sequence[tuple[Any, ...]], numbers: _Numbers) -> tuple[NDArray[Any], ...]:
    """Rows to columns: each row's number of its key, new ones added, and the columns of `_SERIES_COLUMNS`."""
    columns = list(zip(*result, strict=True))
    keys = zip(*columns[: len(KEY_COLUMNS)], strict=True)
    run_ids, values, floor, standard, low, high, verdicts = columns[len(KEY_COLUMNS) :]
    return (
        np.array(list(map(numbers.__getitem__, keys)), dtype=np.int64),
        np.array(run_ids, dtype=np.int64),
        _numbers(values, np.nan),
        np.array(floor, dtype=np.bool_),
        _numbers(standard, np.nan),
        _numbers(low, -np.inf),
        _numbers(high, np.inf),
        np.array(list(map(_VERDICTS.__getitem__, verdicts)), dtype=np.int8),
    )


def _series(key: _Key, *arrays: NDArray[Any]) -> Series:
    """A series of one key and of the columns of `_SERIES_COLUMNS`."""
    reading = key_of_columns(key)
    run_ids, values, floor, standard, low, high, verdicts = arrays
    return Series(
        key=reading,
        unit=QUANTITIES[reading.measurand.quantity].unit,
        run_ids=run_ids,
        values=values,
        floor=floor,
        standard=standard,
        limit_low=low,
        limit_high=high,
        verdicts=tuple(_VERDICT_OF[verdicts].tolist()),
    )


def _numbers(values: Sequence[float | None], absent: float) -> NDArray[np.float64]:
    """What is not there is NaN to numpy; nothing else is, since no NaN is ever recorded."""
    result = np.array(values, dtype=np.float64)
    result[np.isnan(result)] = absent
    return result


_GROWING = (tables.runs, tables.acquisitions, tables.readings)
_ALONG = tuple(event.kind for event in BESIDE_READINGS)
_DETAIL_COLUMNS = ("id", "module_name", "planned_readings", "reason", "notes", "started", "ended")


def extents_of(connection: Connection, run_ids: Sequence[int]) -> dict[int, Extent]:
    """By run, how much of its sequence it measured; those that measured all of it are left out."""
    columns = tables.run_events.c
    query = select(columns.run_id, columns.kind).where(columns.kind.in_(EXTENTS)).order_by(columns.id)
    few = len(run_ids) <= _RUNS_A_QUERY  # else one query for all is quicker
    query = query.where(columns.run_id.in_(run_ids)) if few else query
    return {run: EXTENTS[kind] for run, kind in connection.execute(query)}


def _last_signs(connection: Connection, some: Sequence[int]) -> dict[int, str]:
    columns = tables.acquisitions.c
    query = (
        select(columns.run_id, func.max(columns.started))
        .where(columns.run_id.in_(some))
        .group_by(columns.run_id)
    )
    return dict(connection.execute(query).all())


def verdicts_of(connection: Connection, some: Sequence[int]) -> dict[int, dict[Verdict, int]]:
    """By run, how many readings have which verdict; only verdicts that occur."""
    columns = tables.readings.c
    query = (
        select(columns.run_id, columns.verdict, func.count())
        .where(columns.run_id.in_(some))
        .group_by(columns.run_id, columns.verdict)
    )
    result: dict[int, dict[Verdict, int]] = {}
    for run, verdict, count in connection.execute(query):
        result.setdefault(run, {})[verdict] = count
    return result
