"""Many runs at once: one line for a run, one series for a reading through the runs.

For questions about batches, where a `RunRecord` with its files and a `Reading` with its budget would be too
much to load a million times.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, select

from harness.quantities import format_value
from harness.reading import Verdict
from harness.records import tables
from harness.records.run import INTERRUPTED, Outcome, Purpose

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
        tone = "" if self.frequency_hz is None else format_value(self.frequency_hz, "Hz")
        return f"{self.check}: {' '.join(part for part in (self.state, self.where, tone) if part)}"


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


def read_series(connection: Connection, run_ids: Iterable[int]) -> list[Series]:
    """Give every reading of these runs as a series, runs in the order they were begun."""
    found: dict[tuple[Any, ...], tuple[list[Any], ...]] = {}
    columns = [tables.readings.c[name] for name in (*_KEY_COLUMNS, *_VALUE_COLUMNS)]
    ids = sorted(run_ids)
    for start in range(0, len(ids), _RUNS_A_QUERY):
        query = select(*columns).where(tables.readings.c.run_id.in_(ids[start : start + _RUNS_A_QUERY]))
        # In the order of the index, so that the database has nothing to sort.
        for row in connection.execute(query.order_by(tables.readings.c.run_id, tables.readings.c.id)):
            key = row[: len(_KEY_COLUMNS)]
            lists = found.get(key)
            if lists is None:
                lists = found[key] = tuple([] for _ in _VALUE_COLUMNS)
            for content, value in zip(lists, row[len(_KEY_COLUMNS) :], strict=True):
                content.append(value)
    return [_series(key, lists) for key, lists in found.items()]


_LINE_COLUMNS = (
    "id", "serial", "part", "revision", "sequence_name", "bench_name", "operator", "simulated", "started",
    "outcome", "batch", "purpose",
)  # fmt: skip
_KEY_COLUMNS = ("check_name", "quantity", "state", "channel", "port", "hookup", "frequency_hz", "unit")
_VALUE_COLUMNS = ("run_id", "value", "floor", "standard", "limit_low", "limit_high", "verdict")


def _line(row: Any) -> RunLine:
    content = dict(row)
    return RunLine(
        run_id=content.pop("id"),
        started=datetime.fromisoformat(content.pop("started")),
        outcome=content.pop("outcome") or INTERRUPTED,
        **content,
    )


def _series(key: tuple[Any, ...], lists: Sequence[list[Any]]) -> Series:
    run_ids, values, floor, standard, low, high, verdicts = lists
    check, *rest = key
    return Series(
        key=ReadingKey(check=check, **dict(zip(_KEY_COLUMNS[1:], rest, strict=True))),
        run_ids=np.array(run_ids, dtype=np.int64),
        values=_numbers(values, np.nan),
        floor=np.array(floor, dtype=np.bool_),
        standard=_numbers(standard, np.nan),
        limit_low=_numbers(low, -np.inf),
        limit_high=_numbers(high, np.inf),
        verdicts=tuple(verdicts),
    )


def _numbers(values: Iterable[float | None], absent: float) -> NDArray[np.float64]:
    return np.array([absent if value is None else value for value in values], dtype=np.float64)
