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


def readings_frame(store: RunStore, run_ids: Iterable[int] | None = None) -> "pd.DataFrame":
    """Give a row for every reading of these runs, or of all: runs as they were begun, readings as made.

    Columns: run_id, and those of `reading_to_row`. Missing numbers are NaN. Raises UsageError where pandas is
    not installed, NoSuchRun where there is no such run.
    """
    need("pandas")
    import pandas as pd

    there = [line.run_id for line in store.lines()]
    wanted = there if run_ids is None else [int(run_id) for run_id in run_ids]
    for absent in set(wanted).difference(there):
        store.run(absent)  # says that there is none
    names, rows = store.table(set(wanted))
    frame = pd.DataFrame.from_records(
        rows, columns=["check" if one == "check_name" else one for one in names]
    )
    where = frame["port"].where(frame["channel"] == "", frame["channel"] + "." + frame["port"])
    frame.insert(1, "where", where)
    kinds = dict.fromkeys(NUMBERS, "float64") | {"run_id": "int64", "floor": "bool"}
    with store.readable():
        return frame.astype({name: kind for name, kind in kinds.items() if name in frame.columns})


def need(*modules: str) -> None:
    """Say what is not installed, and how to. Raises UsageError."""
    from importlib.util import find_spec

    missing = [name for name in modules if find_spec(name) is None]
    if missing:
        raise UsageError(
            f"{' and '.join(missing)} is not installed. Install it with: pip install 'switchwalk[data]'"
        )
