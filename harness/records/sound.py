"""What a row must be before it is believed: a file of records is anybody's.

SQLite holds any type in any column, and another program, or a hand, may have put it there.
"""

import io
import math
import zipfile
from collections.abc import Mapping
from functools import cache
from typing import Any, get_args

import numpy as np
from sqlalchemy import Boolean, Double, Integer, LargeBinary, Table
from sqlalchemy.types import TypeEngine

from harness.reading import Verdict
from harness.records.run import OUTCOMES

_WORDS: Mapping[tuple[str, str], tuple[str | None, ...]] = {
    ("runs", "outcome"): (None, *OUTCOMES),
    ("runs", "decision"): ("guarded", "simple"),
    ("run_events", "outcome"): (None, *OUTCOMES),
    ("readings", "verdict"): get_args(Verdict),
}


def sound(table: Table, row: Mapping[str, Any]) -> Mapping[str, Any]:
    """Give a row back whose values are what its columns hold. Raises ValueError for any other."""
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


LARGEST_WAVEFORM_BYTES = 128_000_000
"""Unpacked: twice what four inputs of two million samples are, the longest that any profile here records."""


def unpacked(content: bytes) -> io.BytesIO:
    """Unpack the one array of an npz. Raises ValueError where it is not just what its header says, or vast.

    Looked at before any room is made for it: a kilobyte may say that it is a gigabyte, or become one.
    """
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        (member,) = archive.infolist()
        if member.file_size > LARGEST_WAVEFORM_BYTES:
            raise ValueError(f"a waveform of {member.file_size} bytes")
        with archive.open(member) as packed:
            file = io.BytesIO(packed.read(member.file_size))
    if np.lib.format.read_magic(file) != (1, 0):
        raise ValueError("a waveform that is no array of volts")
    shape, _, kind = np.lib.format.read_array_header_1_0(file)
    held = file.getbuffer().nbytes - file.tell()
    if kind != np.float64 or len(shape) != 2 or math.prod(shape) * kind.itemsize != held:
        raise ValueError(f"a waveform of {kind} and shape {shape} in {held} bytes")
    file.seek(0)
    return file
