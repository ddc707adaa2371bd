"""Records as pandas frames, for notebooks. pandas comes with the optional extra `data`.

from harness.records.store import open_records
from harness.records.frame import readings_frame, runs_frame

with open_records("switchwalk-records/records.sqlite", read_only=True) as store:
runs = runs_frame(store, part="TLS-2")
readings = readings_frame(store, runs.run_id)
"""

from collections.abc import Iterable
from dataclasses import asdict
from typing import TYPE_CHECKING

from harness.errors import UsageError
from harness.records.export import reading_to_row
from harness.records.rows import NUMBERS
from harness.records.store import RunStore

if TYPE_CHECKING:
    import pandas as pd


def runs_frame(store: RunStore, *, part: str | None = None, simulated: bool | None = None) -> "pd.DataFrame":
    """Give a row for every run, oldest first. Columns: the fields of `RunLine`; `started` in UTC.

    Raises UsageError where pandas is not installed.
    """
    need("pandas")
    import pandas as pd

    return pd.DataFrame([asdict(line) for line in store.lines(part=part, simulated=simulated)])


def readings_frame(store: RunStore, run_ids: Iterable[int]) -> "pd.DataFrame":
    """Give a row for every reading of these runs, in the order they were made.

    Columns: run_id, and those of `reading_to_row`. Missing numbers are NaN. Raises UsageError where pandas is
    not installed, RecordsError where there is no such run.
    """
    need("pandas")
    import pandas as pd

    rows = [
        {"run_id": int(run_id)} | reading_to_row(reading)
        for run_id in run_ids
        for reading in store.readings(store.run(int(run_id)).run_id)
    ]
    frame = pd.DataFrame(rows)
    numbers = [name for name in frame.columns if name in NUMBERS]
    return frame.astype(dict.fromkeys(numbers, "float64"))


def need(*modules: str) -> None:
    """Say what is not installed, and how to. Raises UsageError."""
    from importlib.util import find_spec

    missing = [name for name in modules if find_spec(name) is None]
    if missing:
        raise UsageError(
            f"{' and '.join(missing)} is not installed. Install it with: pip install 'switchwalk[data]'"
        )
