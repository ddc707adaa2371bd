"""Adds rows with their numbers and their entries in the ledger, within a transaction that writes alone."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Table, func, insert, select

from harness.records import ledger


def insert_rows(connection: Connection, table: Table, new: Sequence[Mapping[str, Any]]) -> list[int]:
    """Add rows and their entries in the ledger; gives their ids, in the rows' order.

    The ids go on from the last one, without gaps, whichever database it is: who writes, writes alone.
    """
    first = next_id(connection, table)
    numbered = [{**row, "id": first + number} for number, row in enumerate(new)]
    if numbered:
        connection.execute(insert(table), numbered)
        ledger.enter(connection, table, numbered)
    return [row["id"] for row in numbered]


def next_id(connection: Connection, table: Table) -> int:
    """The number after the last one of a table."""
    last = connection.execute(select(func.max(table.c.id))).scalar()
    return 1 if last is None else int(last) + 1
