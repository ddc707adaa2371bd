"""`switchwalk site`: the records as a folder of pages."""

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from harness.cli.options import RecordsPlace
from harness.units import counted
from harness.workbench.report import page_beside


def site(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="Where to write; made if need be.", show_default=False)
    ],
    records: RecordsPlace = None,
) -> None:
    """Write the records as pages: all units with a search, a page a unit, a page a batch with charts."""
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records
    from harness.site.write import write_site

    place = records or DEFAULT_RECORDS
    with open_records(place, read_only=True) as store:
        written = write_site(store, folder, partial(page_beside, place))
    lacking = written.runs - written.reports
    without = f", {lacking} without a report beside the records" if lacking else ""
    typer.echo(
        f"{counted(written.units, 'unit')} in {counted(written.batches, 'batch', 'batches')}, "
        f"{counted(written.runs, 'run')}{without}; {written.changed} of {counted(written.pages, 'page')} "
        "new or changed",
        err=True,
    )
    typer.echo(written.index)
