"""Rows out of many: as the driver gives them and some at a time, or the first of few."""

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Column, ColumnElement, Connection, Select

_ROWS_AT_ONCE = 2000


def fetched(connection: Connection, query: Select[Any]) -> Iterator[list[tuple[Any, ...]]]:
    """Give the rows of a query, some at a time: a million are many to make anything else of.

    Those that become something else soon are gone before Python looks through all there are for what may go.
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
