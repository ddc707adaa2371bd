"""`switchwalk wiring`: what whoever solders the fixture needs."""

import dataclasses
import json
from pathlib import Path
from typing import Annotated

import typer

from harness.cli.options import BenchPath, JobFolder
from harness.cli.wrapping import WIDTH, say
from harness.errors import UsageError


def wiring(
    job: JobFolder,
    bench: BenchPath = None,
    html: Annotated[
        Path | None,
        typer.Option("--html", metavar="FILE", help="Write it as a page with drawings.", show_default=False),
    ] = None,
    hookups: Annotated[bool, typer.Option("--hookups", help="Draw every hookup's leads too.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for another program.")] = False,
) -> None:
    """Print the fixture's pin lists, its loop plugs with the resistors to buy, and the bill of materials."""
    from harness.cli.hookup_text import drawing
    from harness.wiring.document import wiring_of
    from harness.workbench.job_files import read_job

    described = read_job(job, bench)
    document = wiring_of(described)
    drawn = [drawing(described, hookup) for hookup in described.fixture.hookups]
    if html is not None:
        from harness.wiring.page import render_page

        try:
            html.write_text(render_page(document, drawn), encoding="utf-8")
        except OSError as error:
            raise UsageError(
                f"{html}: cannot be written: {error.strerror or error}; choose another file"
            ) from None
        say(f"wiring: {html}", err=True)
        return
    if as_json:
        typer.echo(json.dumps(dataclasses.asdict(document), indent=2, ensure_ascii=False))
        return
    from harness.wiring.text import wiring_lines

    leads = [line for each in drawn for line in ("", *each.splitlines())] if hookups else []
    for line in (*wiring_lines(document), *leads):
        if len(line) <= WIDTH:
            typer.echo(line)
        else:
            say(line.lstrip(), indent=len(line) - len(line.lstrip()), hang=4)
