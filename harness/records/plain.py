"""Plain values: dataclasses to JSON and back, and rows that are checked before they are believed.

A file of records is anybody's: SQLite holds any type in any column, and another program, or a hand, may have
put it there.
"""

import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from types import UnionType
from typing import Any, Literal, TypeVar, get_args, get_origin, get_type_hints

from sqlalchemy import Boolean, Double, Integer, LargeBinary, Table
from sqlalchemy.types import TypeEngine

from harness.reading import Verdict
from harness.records.run import OUTCOMES

T = TypeVar("T")


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
        return {name: to_json(each) for name, each in value.items()}
    if isinstance(value, tuple):
        return [to_json(each) for each in value]
    return number_to_json(value) if isinstance(value, float) else value


def from_json(kind: type[T], content: Any) -> T:
    """The value that `to_json` was given, of a type that is known. Raises ValueError for anything else."""
    result: T = _from_json(kind, content)
    return result


@cache
def _hints(kind: Any) -> dict[str, Any]:
    return get_type_hints(kind)


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


_WORDS: Mapping[tuple[str, str], tuple[str | None, ...]] = {
    ("runs", "outcome"): (None, *OUTCOMES),
    ("runs", "decision"): ("guarded", "simple"),
    ("run_events", "outcome"): (None, *OUTCOMES),
    ("readings", "verdict"): get_args(Verdict),
}


_ABSENT = object()


def checked(table: Table, row: Mapping[str, Any]) -> Mapping[str, Any]:
    """Give a row back whose values are what its columns hold. Raises ValueError for any other."""
    for name, kinds, words in _columns(table):
        value = row.get(name, _ABSENT)
        if value is _ABSENT:
            continue
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
            (*_kinds(column.type), *((type(None),) if column.nullable else ())),
            _WORDS.get((table.name, column.name)),
        )
        for column in table.columns
    )


def _kinds(kind: TypeEngine[Any]) -> tuple[type, ...]:
    if isinstance(kind, Boolean):
        return (bool,)
    if isinstance(kind, Double):
        return (float, int)
    if isinstance(kind, Integer):
        return (int,)
    if isinstance(kind, LargeBinary):
        return (bytes, memoryview)
    return (str,)
