"""Many runs at once: one line for a run, one series for a reading through the runs.

For questions about batches, where a `RunRecord` with its files and a `Reading` with its budget would be too
much to load a million times.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, Connection, select, tuple_

from harness.reading import Verdict
from harness.records import tables
from harness.records.fetch import fetched
from harness.records.run import INTERRUPTED, Outcome, Purpose
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


@dataclass(frozen=True, kw_only=True)
class ReadingKey:
    """What makes a reading the same reading in another run."""

    check: str
    quantity: str
    state: str
    channel: str
    port: str
    hookup: str
    frequency_hz: float | None
    unit: str

    @property
    def where(self) -> str:
        """`left.out`, or "" for a reading of the whole unit."""
        return f"{self.channel}.{self.port}" if self.channel else self.port

    @property
    def label(self) -> str:
        """The reading in words: `Route and gain: loop_a left.out 1 kHz`."""
        parts = (self.state, self.where, _tone(self.frequency_hz))
        return f"{self.check}: {' '.join(part for part in parts if part)}"


def labels(keys: Iterable[ReadingKey]) -> dict[ReadingKey, str]:
    """Each reading in words; with its hookup where another one has the same words else.

    What is driven may be one of several sources: that is said by the hookup alone.
    """
    in_words = {key: key.label for key in keys}
    times = Counter(in_words.values())
    return {key: label if times[label] == 1 else f"{label}, {key.hookup}" for key, label in in_words.items()}


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
    columns = [tables.readings.c[name] for name in _KEY_COLUMNS]
    found: dict[_Key, None] = {}
    for some in portions(run_ids):
        query = select(*columns).where(tables.readings.c.run_id.in_(some)).distinct()
        for rows in fetched(connection, query):
            found |= dict.fromkeys(rows)
    return [_key(one) for one in found]


def read_series(
    connection: Connection, run_ids: Iterable[int], *, keys: Collection[ReadingKey] | None = None
) -> list[Series]:
    """Give every reading of these runs as a series, or those asked for; runs in the order they were begun."""
    columns = [tables.readings.c[name] for name in (*_KEY_COLUMNS, *_VALUE_COLUMNS)]
    wanted = None if keys is None else {_columns_of(key) for key in keys}
    numbers = _Numbers()
    parts = []
    for some in portions(run_ids):
        query = select(*columns).where(tables.readings.c.run_id.in_(some), *_narrowed(keys))
        # In the order of the index, so that the database has nothing to sort.
        for found in fetched(connection, query.order_by(tables.readings.c.run_id, tables.readings.c.id)):
            if wanted is not None:
                found = [row for row in found if row[: len(_KEY_COLUMNS)] in wanted]
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
    names = ("run_id", *_KEY_COLUMNS, *_JUDGED_COLUMNS)
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


_Key = tuple[Any, ...]  # the key's columns as they stand in a row
_LINE_COLUMNS = (
    "id", "serial", "part", "revision", "sequence_name", "bench_name", "operator", "simulated", "started",
    "outcome", "batch", "purpose",
)  # fmt: skip
_KEY_COLUMNS = ("check_name", "quantity", "state", "channel", "port", "hookup", "frequency_hz", "unit")
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
        wanted = sorted({(key.state, key.check, key.channel) for key in keys})
        yield tuple_(columns.state, columns.check_name, columns.channel).in_(wanted)


class _Numbers(dict[_Key, int]):
    """A number for each key, by the order in which they are met."""

    def __missing__(self, key: _Key) -> int:
        number = self[key] = len(self)
        return number


def _arrays(found: Sequence[tuple[Any, ...]], numbers: _Numbers) -> tuple[NDArray[Any], ...]:
    """Rows to columns: each row's number of its key, new ones added, and the columns of `_VALUE_COLUMNS`."""
    columns = list(zip(*found, strict=True))
    keys = zip(*columns[: len(_KEY_COLUMNS)], strict=True)
    run_ids, values, floor, standard, low, high, verdicts = columns[len(_KEY_COLUMNS) :]
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
    return Series(
        key=_key(key),
        run_ids=run_ids,
        values=values,
        floor=floor,
        standard=standard,
        limit_low=low,
        limit_high=high,
        verdicts=tuple(_VERDICT_OF[verdicts].tolist()),
    )


def _key(columns: _Key) -> ReadingKey:
    check, *rest = columns
    return ReadingKey(check=check, **dict(zip(_KEY_COLUMNS[1:], rest, strict=True)))


def _columns_of(key: ReadingKey) -> _Key:
    return (key.check, *(getattr(key, name) for name in _KEY_COLUMNS[1:]))


def _numbers(values: Sequence[float | None], absent: float) -> NDArray[np.float64]:
    """What is not there is NaN to numpy; nothing else is, since no NaN is ever recorded."""
    found = np.array(values, dtype=np.float64)
    found[np.isnan(found)] = absent
    return found
