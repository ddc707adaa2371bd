"""`switchwalk verify`: whether the records are as they were recorded."""

import json
from dataclasses import asdict
from typing import Annotated

import typer

from harness.cli.options import AsJson, RecordsPlace
from harness.cli.wrapping import printable
from harness.errors import EXIT_FAIL, EXIT_PASS
from harness.units import counted


def verify(
    run: Annotated[
        int | None, typer.Argument(metavar="[RUN]", help="One run alone.", show_default=False)
    ] = None,
    records: RecordsPlace = None,
    noted: Annotated[
        str,
        typer.Option(metavar="SHA256", help="A last digest noted before, which must be there still."),
    ] = "",
    upgrade: Annotated[
        bool, typer.Option("--upgrade", help="Bring records of an older version up to this one first.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Look for readings that were edited, removed, moved or put in since they were recorded."""
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records

    with open_records(records or DEFAULT_RECORDS, read_only=not upgrade, bring_up=upgrade) as store:
        found = store.verify(run, noted=noted)
    if as_json:
        typer.echo(json.dumps(asdict(found) | {"intact": not found.findings}, ensure_ascii=False))
    else:
        for finding in found.findings:
            place = f"run {finding.run_id}: " if finding.run_id else ""
            typer.echo(printable(place + finding.what))
        looked = f"run {run}" if run is not None else counted(found.runs, "run")
        entries = counted(found.entries, "entry", "entries")
        said = (
            f"not as recorded: {counted(len(found.findings), 'thing')}" if found.findings else "as recorded"
        )
        typer.echo(f"{looked}, {entries}: {said}")
        typer.echo(f"last digest: {found.head}")
    raise typer.Exit(EXIT_FAIL if found.findings else EXIT_PASS)
