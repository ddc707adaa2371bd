"""`switchwalk export`: a run as a file for another program."""

from pathlib import Path
from typing import Annotated

import typer

from harness.cli.records import RecordsPlace
from harness.errors import UsageError


def export(
    run: Annotated[int, typer.Argument(metavar="RUN", help="The run's number.", show_default=False)],
    form: Annotated[
        str, typer.Option("--format", metavar="FORMAT", help="csv, json, parquet, junit, wav or npz.")
    ],
    out: Annotated[
        Path,
        typer.Option("--out", metavar="PATH", help="The file; for wav a folder.", show_default=False),
    ],
    records: RecordsPlace = None,
) -> None:
    """Write a run's readings or waveforms to a file: a table, a test report, or sound."""
    from harness.records.export import FORMATS, write_run
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records

    known = next((one for one in FORMATS if one == form), None)
    if known is None:
        raise UsageError(f"there is no format {form!r}; expected one of {', '.join(FORMATS)}")
    with open_records(records or DEFAULT_RECORDS, read_only=True) as store:
        typer.echo(write_run(store, run, known, out))
