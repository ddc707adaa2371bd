"""Many rows, as the driver gives them and some at a time: a million are many to make anything else of."""

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, Select

_ROWS_AT_ONCE = 2000


def fetched(connection: Connection, query: Select[Any]) -> Iterator[list[tuple[Any, ...]]]:
    """Give the rows of a query, some at a time.

    Those that become something else soon are gone before Python looks through all there are for what may go.
    """
    with connection.execute(query) as result:
        while result.cursor is not None and (rows := result.cursor.fetchmany(_ROWS_AT_ONCE)):
            yield list(rows)
