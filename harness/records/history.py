"""Many runs at once: one line for a run, one series for a reading through the runs.

For questions about batches, where a `RunRecord` with its files and a `Reading` with its budget would be too
much to load a million times.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, Connection, select, tuple_

from harness.quantities.registry import QUANTITIES
from harness.reading import Measurand, ReadingKey, Verdict
from harness.records import tables
from harness.records.rows import KEY_COLUMNS, columns_of_key, key_of_columns
from harness.records.run import INTERRUPTED, Outcome, Purpose
from harness.records.tables import fetched
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
    told = dict(words)
    for text, keys in alike.items():
        details = [_details(key.measurand) for key in keys] if len(keys) > 1 else []
        names = dict.fromkeys(name for each in details for name in each)
        differing = [name for name in names if len({each.get(name) for each in details}) > 1]
        for key, each in zip(keys, details, strict=False):
            told[key] = ", ".join([text, *(each[name] for name in differing if name in each)])
    return told


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

    values: NaN where missing, and the level it lies below where `floor`. standard: NaN where unknown.
    limit_low, limit_high: minus and plus infinity where open.
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


def read_lines(
    connection: Connection, *, part: str | None, serial: str | None, simulated: bool | None
) -> list[RunLine]:
    """Give runs in the order they were begun; of one part, of one unit, simulated or real, where asked."""
    columns = tables.runs.c
    query = select(*(columns[name] for name in _LINE_COLUMNS)).order_by(columns.id)
    for column, wanted in ((columns.part, part), (columns.serial, serial)):
        if wanted is not None:
            query = query.where(column == wanted)
    if simulated is not None:
        query = query.where(columns.simulated.is_(simulated))
    return [_line(row) for row in connection.execute(query).mappings()]


def read_keys(connection: Connection, run_ids: Iterable[int]) -> list[ReadingKey]:
    """Give what these runs read, without the values, in no order worth a name."""
    columns = [tables.readings.c[name] for name in KEY_COLUMNS]
    found: dict[_Key, None] = {}
    for some in portions(run_ids):
        query = select(*columns).where(tables.readings.c.run_id.in_(some)).distinct()
        for rows in fetched(connection, query):
            found |= dict.fromkeys(rows)
    return [key_of_columns(one) for one in found]


def read_series(
    connection: Connection, run_ids: Iterable[int], *, keys: Collection[ReadingKey] | None = None
) -> list[Series]:
    """Give every reading of these runs as a series, or those asked for; runs in the order they were begun."""
    columns = [tables.readings.c[name] for name in (*KEY_COLUMNS, *_VALUE_COLUMNS)]
    wanted = None if keys is None else {columns_of_key(key) for key in keys}
    numbers = _Numbers()
    parts = []
    for some in portions(run_ids):
        query = select(*columns).where(tables.readings.c.run_id.in_(some), *_narrowed(keys))
        # In the order of the index, so that the database has nothing to sort.
        for found in fetched(connection, query.order_by(tables.readings.c.run_id, tables.readings.c.id)):
            if wanted is not None:
                found = [row for row in found if row[: len(KEY_COLUMNS)] in wanted]
            if found:
                parts.append(_arrays(found, numbers))
    if not parts:
        return []
    number, *values = (np.concatenate(some) for some in zip(*parts, strict=True))
    order = np.argsort(number, kind="stable")  # reading by reading, each in the order of the runs
    ends = np.cumsum(np.bincount(number))[:-1]
    split = zip(*(np.split(array[order], ends) for array in values), strict=True)
    return [_series(key, *arrays) for key, arrays in zip(numbers, split, strict=True)]


def read_table(
    connection: Connection, run_ids: Iterable[int]
) -> tuple[tuple[str, ...], list[tuple[Any, ...]]]:
    """Give the readings of these runs as plain rows in the order they were made: names, and rows."""
    names = ("run_id", *KEY_COLUMNS, "setup", "unit", *_JUDGED_COLUMNS)
    columns = [tables.readings.c[name] for name in names]
    found: list[tuple[Any, ...]] = []
    for some in portions(run_ids):
        query = select(*columns).where(tables.readings.c.run_id.in_(some))
        for rows in fetched(connection, query.order_by(tables.readings.c.run_id, tables.readings.c.id)):
            found += rows
    return names, found


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
_JUDGED_COLUMNS = (
    "value", "standard", "low", "high", "coverage_factor", "floor", "expected", "expected_standard",
    "limit_low", "limit_high", "verdict", "reason",
)  # fmt: skip
_VERDICT_OF = np.array(get_args(Verdict), dtype=np.object_)
_VERDICTS = {verdict: number for number, verdict in enumerate(get_args(Verdict))}
_VALUE_COLUMNS = ("run_id", "value", "floor", "standard", "limit_low", "limit_high", "verdict")


def _line(row: Any) -> RunLine:
    content = dict(row)
    return RunLine(
        run_id=content.pop("id"),
        started=datetime.fromisoformat(content.pop("started")),
        outcome=content.pop("outcome") or INTERRUPTED,
        **content,
    )


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


def _arrays(found: Sequence[tuple[Any, ...]], numbers: _Numbers) -> tuple[NDArray[Any], ...]:
    """Rows to columns: each row's number of its key, new ones added, and the columns of `_VALUE_COLUMNS`."""
    columns = list(zip(*found, strict=True))
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


def _series(
    key: _Key,
    run_ids: NDArray[np.int64],
    values: NDArray[np.float64],
    floor: NDArray[np.bool_],
    standard: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    verdicts: NDArray[np.int8],
) -> Series:
    reading = key_of_columns(key)
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
    found = np.array(values, dtype=np.float64)
    found[np.isnan(found)] = absent
    return found
