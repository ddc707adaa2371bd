"""`switchwalk diagnose`: which fault would explain what a run measured, and where to probe next."""

import json
from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.lines import say
from harness.cli.records import AsJson, RecordsPlace
from harness.errors import EXIT_UNPROVEN
from harness.workbench.diagnosed import Diagnosed, read_recorded

if TYPE_CHECKING:
    from harness.records.run import Explanation, RunRecord


def diagnose(
    run: Annotated[int, typer.Argument(metavar="RUN", help="The run's number.", show_default=False)],
    records: RecordsPlace = None,
    as_json: AsJson = False,
    double: Annotated[
        bool, typer.Option("--double/--no-double", help="Try pairs of faults where no single one fits.")
    ] = True,
) -> None:
    """Name the faults that would explain a run, from the job files and phasors that it recorded."""
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records

    with open_records(records or DEFAULT_RECORDS, read_only=True) as store:
        record = store.run(run)
        recorded = None if record.outcome == "pass" else read_recorded(store, record)
    found = None if recorded is None else Diagnosed(recorded, double=double)
    title = f"{record.header.part} {record.header.serial}, run {run}: {record.outcome.upper()}"
    if as_json:
        _print_json(record, found)
    elif found is None:
        say(f"{title}. Every reading passed; there is nothing to explain.")
    else:
        say(title)
        _print(found.explanation)
    if found is not None and found.empty:
        raise typer.Exit(EXIT_UNPROVEN)


def _print(explanation: "Explanation") -> None:
    say(explanation.headline, hang=0)
    for number, group in enumerate(explanation.groups, start=1):
        typer.echo("")
        say(f"{number}. {group.likelihood} likely")
        for name, words in group.faults:
            say(name, indent=3)
            say(words, indent=5, hang=0)
        if group.others:
            say(f"and as well: {', '.join(group.others)}", indent=3)
    typer.echo("")
    if explanation.next_probe:
        say(f"next: {explanation.next_probe}; that would tell most")
    elif explanation.left_over:
        say("next: no view from outside would tell these apart; look at each")
    for remark in explanation.remarks:
        say(remark, hang=0)


def _print_json(record: "RunRecord", done: "Diagnosed | None") -> None:
    from harness.report.explanation import as_data

    content = {"run": record.run_id, "serial": record.header.serial, "outcome": record.outcome}
    if done is None:
        content |= {
            "explained": True,
            "healthy": 1.0,
            "something_else": 0.0,
            "groups": [],
            "next_probe": None,
        }
    else:
        content |= as_data(done.found, done.probe, done.job.module, done.job.fixture)
    typer.echo(json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False))
