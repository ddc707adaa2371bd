"""Files of records that somebody else has had in hand: refused in one clear line, whatever is in them."""

import io
import sqlite3
import zipfile
from contextlib import closing
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.errors import RecordsError
from harness.records.rows import LARGEST_WAVEFORM_BYTES
from harness.records.run import RelaysOperated
from harness.records.store import RunStore, open_records
from tests.records.outside_broadcast import ACQUISITION, ENDED, HEADER, READING, capture


@pytest.fixture
def place(tmp_path: Path) -> Path:
    path = tmp_path / "records.sqlite"
    with open_records(path) as store:
        run = store.begin(HEADER)
        store.add_readings(run, [READING])
        store.add_waveform(run, store.add_acquisition(run, ACQUISITION), capture(seed=1, samples=100))
        store.add_event(run, RelaysOperated(operations={"K1": 2}, read_back=True))
        store.finish(run, "pass", "", ENDED)
    return path


def change(place: Path, *statements: tuple[Any, ...]) -> None:
    with closing(sqlite3.connect(place)) as plain:
        for statement, *values in statements:
            plain.execute(statement, values)
        plain.commit()


ENDLESS = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT i AS id FROM n"


@pytest.mark.parametrize(
    ("statements", "message"),
    [
        ((("DROP TABLE readings",), (f"CREATE VIEW readings AS {ENDLESS}",)), "the view 'readings'"),
        (
            (
                ("DROP TABLE readings",),
                ("CREATE VIRTUAL TABLE readings USING fts5(run_id)",),
            ),
            "the table 'readings'",
        ),
        (
            (("CREATE TRIGGER gone AFTER INSERT ON readings BEGIN DELETE FROM readings; END",),),
            "the trigger 'gone'",
        ),
        (
            (("ALTER TABLE runs ADD COLUMN more TEXT AS (hex(serial))",),),
            "the generated column 'runs.more'",
        ),
    ],
)
@pytest.mark.parametrize("read_only", [True, False])
def test_what_does_something_where_a_table_only_holds_is_refused(
    place: Path, statements: tuple[tuple[str], ...], message: str, read_only: bool
) -> None:
    """As https://www.sqlite.org/security.html has it: a database file can run SQL of its author."""
    change(place, *statements)
    with pytest.raises(RecordsError, match="changed by another program") as caught:
        open_records(place, read_only=read_only)
    assert message in str(caught.value)


def test_a_view_of_somebodys_own_is_theirs(place: Path) -> None:
    change(place, ("CREATE VIEW passes AS SELECT serial FROM runs WHERE outcome = 'pass'",))
    with open_records(place, read_only=True) as store:
        assert len(store.units()) == 1


def npz(*, shape: tuple[int, int], content: bytes, declared: int | None = None) -> bytes:
    """An archive as numpy writes it, with a header and a size that may be lies."""
    header = io.BytesIO()
    description = {"descr": "<f8", "fortran_order": False, "shape": shape}
    np.lib.format.write_array_header_1_0(header, description)
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("volts.npy", header.getvalue() + content)
    data = made.getvalue()
    if declared is not None:
        size = (len(header.getvalue()) + len(content)).to_bytes(4, "little")
        assert data.count(size) == 2  # beside the member, and in the directory at the end
        data = data.replace(size, declared.to_bytes(4, "little"))
    return data


@pytest.mark.parametrize(
    "content",
    [
        npz(shape=(4, 10**12), content=bytes(64)),  # says that it is 32 TB
        npz(
            shape=(1, LARGEST_WAVEFORM_BYTES // 8 + 1), content=bytes(LARGEST_WAVEFORM_BYTES + 8)
        ),  # is large
        npz(shape=(4, 100), content=bytes(50_000_000), declared=3328),  # says that it is small
        npz(shape=(4, 100), content=bytes(3200 - 8)),
        b"PK\x03\x04" + bytes(100),
        b"",
    ],
    ids=["vast", "bomb", "hidden bomb", "short", "no archive", "nothing"],
)
def test_a_waveform_that_unpacks_to_something_else_is_refused_before_it_is_unpacked(
    place: Path, content: bytes
) -> None:
    import tracemalloc

    change(place, ("UPDATE waveforms SET volts_npz = ?, sha256 = ?", content, sha256(content).hexdigest()))
    tracemalloc.start()
    with open_records(place, read_only=True) as store, pytest.raises(RecordsError, match="does not read"):
        store.waveforms(1)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 2_000_000


def test_a_quantity_that_nobody_knows_is_named(place: Path) -> None:
    change(place, ("UPDATE readings SET quantity = 'splendour'",))
    with (
        open_records(place, read_only=True) as store,
        pytest.raises(RecordsError, match="'splendour', which this version of switchwalk does not know"),
    ):
        store.readings(1)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE readings SET value = 'loud'",
        "UPDATE readings SET low = x'00'",
        "UPDATE readings SET verdict = 'splendid'",
        "UPDATE readings SET budget = '[[7, 0.1]]'",
        "UPDATE readings SET high = NULL",
        "UPDATE readings SET options = '[[\"weighting\", 3]]'",
        "UPDATE readings SET facts = '[[\"splendid\", {}]]'",
        'UPDATE readings SET facts = \'[["lost to bench", {"instrument": 3}]]\'',
        "UPDATE run_events SET content = NULL",
        "UPDATE run_events SET kind = 'splendid'",
        "UPDATE acquisitions SET stimulus_kind = 'splendid'",
        "UPDATE readings SET budget = replace(hex(zeroblob(50000)), '0', '[')",
        "UPDATE runs SET outcome = 'splendid'",
        "UPDATE runs SET serial = x'ff'",
        "UPDATE runs SET started = 'yesterday'",
        "UPDATE instruments SET text = x'00ff'",
        'UPDATE acquisitions SET phasors = \'{"real": [[1e999]], "imag": [[0]]}\'',
        "UPDATE waveforms SET description = '{}'",
        'UPDATE run_events SET content = \'{"operations": {"K1": "many"}, "read_back": true}\' '
        "WHERE kind = 'relays'",
    ],
)
def test_a_value_that_is_not_what_its_column_holds_is_refused(place: Path, statement: str) -> None:
    change(place, (statement,))

    def read(store: RunStore) -> None:
        store.units()
        store.run(1)
        store.readings(1)
        store.acquisitions(1)
        store.waveforms(1)
        store.operations()
        store.events(1)

    with open_records(place, read_only=True) as store, pytest.raises(RecordsError, match="does not read"):
        read(store)
