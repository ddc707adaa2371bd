"""Where tests keep records: in a file, and in a database of a server that is started for them."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.records.postgresql_server import INSTALL, PostgreSQL, find_program, postgresql_server


@pytest.fixture(scope="session")
def postgresql() -> Iterator[PostgreSQL]:
    """A running server, for the whole session."""
    if find_program("initdb") is None:
        if os.environ.get("CI"):
            pytest.fail(f"{INSTALL}, and CI must not go without it")
        pytest.skip(INSTALL)
    with postgresql_server() as server:
        yield server


@pytest.fixture(params=["sqlite", "postgresql"])
def empty(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where there are no records yet: a file, and a schema of a database."""
    if request.param == "sqlite":
        return str(tmp_path / "records.sqlite")
    return str(request.getfixturevalue("postgresql").new_place())
