"""`switchwalk certificate`: one page about a unit, for whoever gets it."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.records import RecordsPlace
from harness.errors import RecordsError
from harness.workbench.report import page_beside

if TYPE_CHECKING:
    from harness.records.run import RunRecord
    from harness.records.store import RunStore


def certificate(
    run: Annotated[int, typer.Argument(metavar="RUN", help="The run's number.", show_default=False)],
    records: RecordsPlace = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FILE",
            help="The page  [default: certificates/… beside the records]",
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
    from harness.report.certificate import Standing, render_certificate
    from harness.report.paper import print_page

    place = records or DEFAULT_RECORDS
    with open_records(place, read_only=True) as store:
        record = store.run(run)
        standing = Standing(seal=store.seal(run), later=_later(store, record))
        text = render_certificate(record, store.readings(run), standing)
        _check_ledger(store, run)
    page = out or page_beside(place, "certificates", run, record.header.serial)
    _write(page, text)
    typer.echo(page)
    if pdf:
        paper = page.with_suffix(".pdf")
        print_page(page, paper)
        typer.echo(paper)


def _check_ledger(store: "RunStore", run: int) -> None:
    found = store.verify(run)
    if found.findings:
        raise RecordsError(
            f"{store.place}: run {run} is not as it was recorded: {found.findings[0].what}. Nothing is "
            "certified. `switchwalk verify` tells more; bring back a copy of the records"
        )


def _later(store: "RunStore", record: "RunRecord") -> "RunRecord | None":
    """The unit's latest run after this one that tested it and has a verdict."""
    from harness.statistics.yields import tests_of_units

    header = record.header
    lines = store.lines(part=header.part, serial=header.serial, simulated=header.simulated)
    after = [line for line in tests_of_units(lines) if line.run_id > record.run_id]
    return store.run(after[-1].run_id) if after else None


def _write(page: Path, text: str) -> None:
    unfinished = page.with_name(f".{page.name}.part")
    try:
        page.parent.mkdir(parents=True, exist_ok=True)
        unfinished.write_text(text, encoding="utf-8")
        unfinished.replace(page)
    except OSError as error:
        raise RecordsError(
            f"{page}: cannot be written: {error.strerror or error}. Give another --out"
        ) from error
