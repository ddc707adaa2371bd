"""`switchwalk report`: a run's page, written again from the records."""

from pathlib import Path
from typing import Annotated

import typer

from harness.cli.options import RecordsPlace
from harness.workbench.held import refuse_held
from harness.workbench.report import write_report_again


def report(
    run: Annotated[int, typer.Argument(metavar="RUN", help="The run's number.", show_default=False)],
    records: RecordsPlace = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FILE",
            help="The page  [default: reports/… beside the records]",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Write the page of a run again, as its end does: on another computer, or where it was lost.

    What would explain a failed run is told as it was found at the run's end.
    """
    from harness.workbench.beside import Beside

    with Beside() as beside:  # first: it loads what pictures take while this process reads the records
        beside.prepare_to_draw()
        from harness.records.run import DEFAULT_RECORDS
        from harness.records.store import open_records

        place = records or DEFAULT_RECORDS
        with open_records(place, read_only=True) as store:
            store.run(run)
            refuse_held(store, run)
            typer.echo(write_report_again(store, run, place, beside=beside, page=out))
