"""`switchwalk certificate`: one page about a unit, for whoever gets it."""

from pathlib import Path
from typing import Annotated

import typer

from harness.cli.options import RecordsPlace
from harness.errors import RecordsError
from harness.workbench.report import page_beside


def certificate(
    run: Annotated[int, typer.Argument(metavar="RUN", help="The run's number.", show_default=False)],
    records: RecordsPlace = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FILE",
            help="The page, or .pdf for both  [default: certificates/… beside the records]",
            show_default=False,
        ),
    ] = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="Print it to a PDF as well, with a browser.")] = False,
) -> None:
    """Write one page about a run: what was measured, how well, with what, and what that does not claim.

    A run that failed or is unproven gets a page that says so; one without a verdict gets none.
    """
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records
    from harness.report.certificate import certify
    from harness.report.paper import print_page

    if out is not None and out.suffix.lower() == ".pdf":
        out, pdf = out.with_suffix(".html"), True  # a browser prints it from the page
    place = records or DEFAULT_RECORDS
    with open_records(place, read_only=True) as store:
        text = certify(store, run)
        page = out or page_beside(place, "certificates", run, store.run(run).header.serial)
    _write(page, text)
    typer.echo(page)
    if pdf:
        paper = page.with_suffix(".pdf")
        print_page(page, paper)
        typer.echo(paper)


def _write(page: Path, text: str) -> None:
    from harness.report.whole import write_whole

    try:
        write_whole(page, text.encode("utf-8"))
    except OSError as error:
        raise RecordsError(
            f"{page}: cannot be written: {error.strerror or error}. Give another --out"
        ) from error
