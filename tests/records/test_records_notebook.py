"""The notebook and the page on records are run as they stand, so that they stay true."""

import os
import re
import warnings
from dataclasses import replace
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

from harness.job.job import load_job
from harness.records.export import readings_frame
from harness.records.store import RunStore, open_records
from tests.records.outside_broadcast import HEADER, READING

DOCS = Path(__file__).resolve().parents[2] / "docs"
SHIPPED = load_job(DOCS.parent / "sequences" / "two_loop_switcher")


@pytest.mark.timeout(300)
def test_the_notebook_runs_from_its_first_cell_to_its_last() -> None:
    notebook = nbformat.read(DOCS / "records.ipynb", as_version=4)  # type: ignore[no-untyped-call]
    client = NotebookClient(
        notebook, kernel_name="python3", timeout=240, resources={"metadata": {"path": str(DOCS)}}
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the notebook's machinery, none of ours
        client.execute(env={**os.environ, "PYTHONPATH": str(DOCS.parent)})
    message = "".join(
        output.get("text", "") for cell in notebook.cells for output in cell.get("outputs", ()) if cell
    )
    assert "of 2 injected faults 2 failed their unit" in message
    assert "first-pass yield 6 of 8" in message
    assert "8 runs, " in message
    assert ", 0 findings" in message


def test_the_page_names_only_what_a_store_has() -> None:
    page = (DOCS / "records.md").read_text(encoding="utf-8")
    table = page[page.index("A store, opened with") :]
    named = re.findall(r"`([a-z_]+)\(", table)
    assert {"units", "series", "verify"} <= set(named)
    assert [name for name in named if name != "open_records" and not hasattr(RunStore, name)] == []


def test_the_pages_example_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with open_records("switchwalk-records/records.sqlite") as store:
        store.add_readings(store.begin(replace(HEADER, part=SHIPPED.module.part)), [READING])
    page = (DOCS / "records.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```python\n(.*?)```", page, re.DOTALL)
    names: dict[str, object] = {}
    exec(compile(example, "records.md", "exec"), names)
    assert len(names["readings"]) == 1  # type: ignore[arg-type]


def test_a_frame_of_no_readings_has_the_same_columns(tmp_path: Path) -> None:
    with open_records(tmp_path / "records.sqlite") as store:
        run = store.begin(HEADER)
        none = readings_frame(store, [run])
        store.add_readings(run, [READING])
        one = readings_frame(store)
    assert len(none) == 0
    assert list(none.columns) == list(one.columns)
