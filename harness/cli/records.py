"""`switchwalk units` and `switchwalk show`: what the records hold.

The keys that `--json` prints are promised in harness/records/export.py.
"""

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.lines import say
from harness.cli.wear import wear_lines, wear_of
from harness.errors import UsageError
from harness.records.run import BY_HAND, Ended

if TYPE_CHECKING:
    from rich.console import Console

    from harness.reading import Reading
    from harness.records.run import RunRecord, UnitSummary

RecordsPlace = Annotated[
    str | None,
    typer.Option(
        "--records",
        metavar="PLACE",
        help="A SQLite file or a database URL  [default: switchwalk-records/records.sqlite]",
        show_default=False,
    ),
]
TOLD = ("resumed", "bench fault", "retest", "override", *BY_HAND, "test")
"""Events that `show` prints."""

AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for another program.")]


def units(
    serial: Annotated[
        str | None,
        typer.Argument(
            metavar="[SERIAL]", help="One unit alone, and what its relays did.", show_default=False
        ),
    ] = None,
    records: RecordsPlace = None,
    as_json: AsJson = False,
) -> None:
    """List every unit in the records with its latest run; of one, how often each relay was operated."""
    from harness.records.export import unit_to_json
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records

    with open_records(records or DEFAULT_RECORDS, read_only=True) as store:
        found = [unit for unit in store.units() if serial in (None, unit.serial)]
        told = as_json or serial is not None
        operations = store.operations(serial=serial) if told else {}
        if serial is not None and not found:
            raise UsageError(f"{store.place}: no unit {serial!r}; `switchwalk units` lists what there is")
    counts = [operations.get((unit.part, unit.serial, unit.simulated), Counter()) for unit in found]
    if as_json:
        _print_json([unit_to_json(unit, each) for unit, each in zip(found, counts, strict=True)])
        return
    _print_units(found)
    for unit, each in zip(found, counts, strict=True) if serial is not None else ():
        which = f"{unit.part}{', simulated' if unit.simulated else ''}"
        said = ", ".join(f"{relay} {count}" for relay, count in each.items())
        say(printable(f"relays operated, in all runs of {which}: {said or 'not counted'}"))


def show(
    run: Annotated[int, typer.Argument(metavar="RUN", help="The run's number.", show_default=False)],
    records: RecordsPlace = None,
    as_json: AsJson = False,
    every: Annotated[bool, typer.Option("--all", help="Show the readings that passed as well.")] = False,
    budget: Annotated[
        bool, typer.Option("--budget", help="Show what each reading's uncertainty is made of.")
    ] = False,
) -> None:
    """Show one run: what it was, its verdict, and the readings that did not pass."""
    from harness.records.export import reading_to_json, run_to_json
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records

    with open_records(records or DEFAULT_RECORDS, read_only=True) as store:
        record, readings, events = store.run(run), store.readings(run), store.events(run)
        wear = wear_of(store, record, readings, events)
    if as_json:
        by_hand = [
            {"at": event.at.isoformat(), "said": event.text} for event in events if event.kind in BY_HAND
        ]
        made = {"by_hand": by_hand, "readings": [reading_to_json(reading) for reading in readings]}
        _print_json(run_to_json(record) | {"relays": wear} | made)
        return
    console = _console()
    _print_run(console, record)
    for event in events:
        if event.kind in TOLD or (event.kind == "ended" and event is not events[-1]):
            outcome = event.event.outcome if isinstance(event.event, Ended) else ""
            console.print(printable(f"{event.at:%H:%M:%S} {event.kind} {outcome} {event.text}"))
    for line in wear_lines(wear) if wear else ():
        say(printable(line))
    _print_readings(console, readings, every=every, budget=budget)


def _print_json(content: Any) -> None:
    typer.echo(json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False))


def _console() -> "Console":
    from rich.console import Console

    return Console(markup=False, highlight=False, emoji=False)


def printable(text: str) -> str:
    """Keep a name from the records from steering the terminal."""
    return "".join(
        character if character.isprintable() else "\N{REPLACEMENT CHARACTER}" for character in text
    )


_COLUMNS = ("Serial", "Part", "Verdict", "Run", "Runs", "Started (UTC)", "")
_GAP = 3


def _print_units(found: "Sequence[UnitSummary]") -> None:
    """A line a unit, without a table's care for each cell: there may be ten thousand."""
    if not found:
        typer.echo("No unit has been run yet.")
        return
    rows = [_COLUMNS, *map(_unit_row, found)]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    # What is left of the screen is for the names, which go on in the next line where they are longer.
    left = _console().width - sum(widths[2:]) - _GAP * (len(widths) - 1)
    widths[1] = max(min(widths[1], left - min(widths[0], left // 2)), 1)
    widths[0] = max(min(widths[0], left - widths[1]), 1)
    for number, row in enumerate(rows):
        typer.echo("\n".join(_folded(row, widths)))
        if number == 0:
            typer.echo("─" * (sum(widths) + _GAP * (len(widths) - 1)))


def _unit_row(unit: "UnitSummary") -> tuple[str, ...]:
    return (
        printable(unit.serial),
        printable(f"{unit.part} {unit.revision}"),
        unit.latest_outcome.upper(),
        str(unit.latest_run),
        str(unit.runs),
        f"{unit.latest_started:%Y-%m-%d %H:%M}",
        _remark(unit),
    )


def _remark(unit: "UnitSummary") -> str:
    """Simulated or not, and what for, where that was no test of the unit; short, for the last column."""
    if unit.purpose:
        return f"{unit.purpose}, sim." if unit.simulated else unit.purpose
    return "simulated" if unit.simulated else ""


def _folded(row: Sequence[str], widths: Sequence[int]) -> Iterator[str]:
    lines = max(1, *(-(-len(cell) // width) for cell, width in zip(row, widths, strict=True) if width))
    for line in range(lines):
        parts = [
            cell[line * width : (line + 1) * width].ljust(width)
            for cell, width in zip(row, widths, strict=True)
        ]
        yield (" " * _GAP).join(parts).rstrip()


def _print_run(console: "Console", record: "RunRecord") -> None:
    from harness.report.words import OUTCOME_MEANS, VERDICT_ORDER

    header = record.header
    simulated = "   SIMULATED" if header.simulated else ""
    console.print(
        printable(f"Run {record.run_id}: {header.module_name}, {header.part} {header.revision}{simulated}")
    )
    console.print(printable(f"Serial {header.serial}: {record.outcome.upper()}"), style="bold")
    console.print(printable(record.reason or OUTCOME_MEANS[record.outcome]))
    counts = ", ".join(f"{record.verdicts[name]} {name}" for name in VERDICT_ORDER if name in record.verdicts)
    console.print(f"{record.readings} of {header.planned_readings} readings: {counts or 'none'}")
    ended = f" to {record.ended:%H:%M:%S}" if record.ended else ""
    by = f" by {header.operator}" if header.operator else ""
    batch = f", batch {header.batch}" if header.batch else ""
    when = f"{header.started:%Y-%m-%d %H:%M:%S}{ended} UTC{by}{batch}, switchwalk {header.software_version}"
    console.print(printable(when))
    console.print(printable(f"{header.sequence_name} on {header.bench_name}"))
    if header.purpose:
        console.print(printable(f"No test of the unit as a whole: {header.purpose}"))
    for identity in header.instruments:
        say(printable(f"{identity.role}: {identity.text} at {identity.address}"), indent=2)
    if header.notes:
        console.print(printable(header.notes))


def _print_readings(console: "Console", readings: "Sequence[Reading]", *, every: bool, budget: bool) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    from harness.report.words import describe, worst_first

    chosen = worst_first(reading for reading in readings if every or reading.verdict != "pass")
    if not chosen:
        if readings:
            console.print("\nEvery reading passed; --all lists them.")
        return
    table = Table(box=SIMPLE_HEAD, pad_edge=False, show_lines=budget)
    for heading in ("Verdict", "Reading", "Value", "Limit"):
        table.add_column(heading, overflow="fold")
    for reading in chosen:
        words = describe(reading)
        measurand = reading.key.measurand
        place = " ".join(part for part in (measurand.state, measurand.where, words.tone) if part)
        about = [f"{reading.key.check}: {place}", reading.reason]
        found = reading.estimate
        if budget and found is not None:
            size = 100.0 if reading.unit == "%" else 1.0  # kept as a fraction
            about += [f"  {size * part.standard:.3g} {reading.unit}  {part.name}" for part in found.budget]
        table.add_row(
            reading.verdict.upper(),
            "\n".join(printable(line) for line in about if line),
            words.value,
            words.limit,
        )
    console.print(table)
