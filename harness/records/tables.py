"""The tables of the records, the JSON in their columns, and rows checked before they are believed.

Plain SQL types only, so that SQLite and PostgreSQL hold the same. A file of records is anybody's: SQLite
holds any type in any column, and another program, or a hand, may have put it there.

Times are ISO 8601 in UTC with microseconds, as text that sorts. Lists and budgets are JSON text; a number
that JSON has no word for is the string "inf" or "-inf" in it. Rows are added and never changed, but for how
a run stands (outcome, reason, ended), which repeats its last event. Every row but the ledger's own has an
entry in the ledger. A zero's sign is not kept in a number column.

`recorded` is empty in every row that this version wrote. In a row of an older version it holds, as JSON, what
that version wrote wherever this one shows another word: the ledger's digests are of that.
"""

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from types import UnionType
from typing import Any, Literal, TypeVar, get_args, get_origin, get_type_hints

from sqlalchemy import (
    Boolean,
    Column,
    ColumnElement,
    Connection,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Select,
    Table,
    Text,
)

from harness.reading import Verdict
from harness.records.run import OUTCOMES

T = TypeVar("T")

SCHEMA_VERSION = 4

metadata = MetaData()


def _id() -> Column[int]:
    """Given by who adds the row, who writes alone: gapless, and the same in any database."""
    return Column("id", Integer, primary_key=True, autoincrement=False)


def _of_run() -> Column[int]:
    return Column("run_id", Integer, ForeignKey("runs.id"), nullable=False, index=True)


def _texts(*names: str) -> list[Column[str]]:
    return [Column(name, Text, nullable=False) for name in names]


def _added_text(name: str, default: str = "") -> Column[str]:
    """A column that earlier versions of the records did not have."""
    return Column(name, Text, nullable=False, server_default=default)


def _optional_numbers(*names: str) -> list[Column[float]]:
    return [Column(name, Double, nullable=True) for name in names]


def _recorded() -> Column[str]:
    return Column("recorded", Text, nullable=True)


schema = Table(
    "switchwalk_schema", metadata, Column("version", Integer, primary_key=True, autoincrement=False)
)

runs = Table(
    "runs",
    metadata,
    _id(),
    *_texts("serial", "module_name", "part", "revision", "sequence_name", "decision", "bench_name"),
    Column("operator", Text, nullable=True),
    *_texts("started", "software_version"),
    Column("simulated", Boolean, nullable=False),
    *_texts("notes"),
    _added_text("job_folder"),
    _added_text("bench_file"),
    _added_text("batch"),
    _added_text("purpose"),
    _added_text("simulated_faults", "[]"),
    _recorded(),
    Column("planned_readings", Integer, nullable=False),
    Column("outcome", Text, nullable=True),
    *_texts("reason"),
    Column("ended", Text, nullable=True),
    Index("runs_of_unit", "part", "serial"),
)

run_files = Table("run_files", metadata, _id(), _of_run(), *_texts("name", "sha256", "text"))

instruments = Table("instruments", metadata, _id(), _of_run(), *_texts("role", "address", "profile", "text"))

through_references = Table("through_references", metadata, _id(), _of_run(), *_texts("content"))

acquisitions = Table(
    "acquisitions",
    metadata,
    _id(),
    _of_run(),
    Column("number", Integer, nullable=False),
    *_texts("setup", "state", "stimulus"),
    _added_text("purpose"),
    _added_text("stimulus_kind", "silence"),
    Column("stimulus_hz", Double, nullable=False, server_default="0"),
    Column("stimulus_vrms", Double, nullable=False, server_default="0"),
    _recorded(),
    *_texts("frequencies_hz", "setting", "phasors", "residuals_vrms", "started"),
    Column("duration_s", Double, nullable=False),
)

readings = Table(
    "readings",
    metadata,
    _id(),
    _of_run(),
    *_texts("check_name", "quantity"),
    _added_text("options", "[]"),
    *_texts("state", "channel", "port"),
    _added_text("driven"),
    *_optional_numbers("frequency_hz"),
    *_texts("setup", "unit"),
    *_optional_numbers("value", "standard", "low", "high", "coverage_factor"),
    Column("floor", Boolean, nullable=False),
    *_optional_numbers("expected", "expected_standard", "limit_low", "limit_high"),
    *_texts("verdict", "reason"),
    _added_text("facts", "[]"),
    *_texts("budget", "acquisitions", "route"),
    _recorded(),
)

waveforms = Table(
    "waveforms",
    metadata,
    _id(),
    _of_run(),
    Column("acquisition_id", Integer, ForeignKey("acquisitions.id"), nullable=False, unique=True),
    *_texts("description", "sha256"),
    Column("volts_npz", LargeBinary, nullable=False),
)

run_events = Table(
    "run_events",
    metadata,
    _id(),
    _of_run(),
    *_texts("kind", "at"),
    Column("outcome", Text, nullable=True),
    Column("content", Text, nullable=True),
    *_texts("text"),
    _recorded(),
)

# Of a bench and of no run: its entries in the ledger have 0 for their run.
kept_references = Table(
    "kept_references",
    metadata,
    _id(),
    *_texts("taken", "bench"),
    *_optional_numbers("temperature_c"),
    Column("simulated", Integer, nullable=False),
    *_texts("content"),
)

ledger = Table(
    "ledger",
    metadata,
    _id(),
    Column("run_id", Integer, nullable=False, index=True),
    *_texts("kind"),
    Column("row", Integer, nullable=False),
    *_texts("content"),
    Column("previous", Text, nullable=False, unique=True),
    Column("sha256", Text, nullable=False, unique=True),
)


_ROWS_AT_ONCE = 2000


def fetched(connection: Connection, query: Select[Any]) -> Iterator[list[tuple[Any, ...]]]:
    """Yield the rows of a query, some at a time, since a million of them take much memory.

    Rows that are soon made into something else are freed before Python's collector has looked through all.
    """
    with connection.execute(query) as result:
        while result.cursor is not None and (rows := result.cursor.fetchmany(_ROWS_AT_ONCE)):
            yield list(rows)


def within_run(number: Column[int]) -> ColumnElement[int]:
    """Order by a row's number, for the first or the last row of one run.

    By the bare number PostgreSQL goes through every run's rows in their order until one of this run comes:
    three seconds in the ledger of a million readings.
    """
    return number + 0


def number_to_json(value: float | None) -> float | str | None:
    """Make a number that JSON can hold: an infinity becomes "inf" or "-inf"."""
    return value if value is None or math.isfinite(value) else repr(value)


def dump(value: object) -> str:
    """Write JSON without spaces. Raises ValueError for a number that JSON has no word for."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def to_json(value: Any) -> Any:
    """A dataclass of plain values, or a value of one, as what JSON has."""
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: to_json(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {name: to_json(item) for name, item in value.items()}
    if isinstance(value, tuple):
        return [to_json(item) for item in value]
    return number_to_json(value) if isinstance(value, float) else value


def from_json(kind: type[T], content: Any) -> T:
    """The value that `to_json` was given, of a type that is known. Raises ValueError for anything else."""
    result: T = _from_json(kind, content)
    return result


_hints = cache(get_type_hints)


def _from_json(kind: Any, content: Any) -> Any:
    origin, arguments = get_origin(kind), get_args(kind)
    if origin is Literal and content in arguments:
        return content
    if origin is UnionType:  # with None, and nothing else
        return None if content is None else _from_json(arguments[0], content)
    if origin is tuple and isinstance(content, list):
        if arguments[1:] == (...,):
            return tuple(_from_json(arguments[0], each) for each in content)
        return tuple(_from_json(each, part) for each, part in zip(arguments, content, strict=True))
    if origin is Mapping and isinstance(content, dict):
        return {name: _from_json(arguments[1], each) for name, each in content.items()}
    if isinstance(content, dict) and is_dataclass(kind):
        make: Any = kind
        hints = _hints(make)
        return make(**{name: _from_json(hints[name], each) for name, each in content.items()})
    if kind is float and (type(content) in (int, float) or content in ("inf", "-inf")):
        return float(content)
    if kind in (str, int, bool) and type(content) is kind:
        return content
    raise ValueError(f"{content!r:.80} for {kind}")


def text_of(value: object) -> str:
    """A text. Raises ValueError for anything else."""
    if not isinstance(value, str):
        raise ValueError(f"{value!r} for a name")
    return value


_KINDS: Mapping[type, tuple[type, ...]] = {
    Boolean: (bool,),
    Double: (float, int),
    Integer: (int,),
    LargeBinary: (bytes, memoryview),
    Text: (str,),
}
_WORDS: Mapping[tuple[str, str], tuple[str | None, ...]] = {
    ("runs", "outcome"): (None, *OUTCOMES),
    ("runs", "decision"): ("guarded", "simple"),
    ("run_events", "outcome"): (None, *OUTCOMES),
    ("readings", "verdict"): get_args(Verdict),
}


def checked(table: Table, row: Mapping[str, Any]) -> Mapping[str, Any]:
    """The row itself, if its values are what its columns hold. Raises ValueError for any other."""
    for name, kinds, words in _columns(table):
        if name not in row:
            continue
        value = row[name]
        if type(value) not in kinds:
            raise ValueError(f"{table.name}.{name}: {type(value).__name__}")
        if words is not None and value not in words:
            raise ValueError(f"{table.name}.{name}: {value!r}")
    return row


@cache
def _columns(table: Table) -> tuple[tuple[str, tuple[type, ...], tuple[str | None, ...] | None], ...]:
    """By column: its name, the types of its values, and the words that it knows."""
    return tuple(
        (
            column.name,
            (*_KINDS[type(column.type)], *((type(None),) if column.nullable else ())),
            _WORDS.get((table.name, column.name)),
        )
        for column in table.columns
    )
