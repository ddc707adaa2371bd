"""Commands on the records: their units, one run, its readings as a file, and whether they were changed.

The keys that `--json` prints are promised in harness/records/export.py.
"""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from harness.cli import options
from harness.cli.terminal import print_json, printable, say
from harness.errors import EXIT_BENCH, EXIT_PASS, UsageError
from harness.reading import Reading
from harness.records.export import FORMATS, reading_to_json, run_to_json, unit_to_json, write_run
from harness.records.in_part import in_part
from harness.records.run import (
    BY_HAND,
    CurrentsDrawn,
    Ended,
    Event,
    RelaysOperated,
    Remembered,
    RunEvent,
    RunRecord,
    UnitSummary,
)
from harness.records.store import RunStore, open_records
from harness.report.words import OUTCOME_MEANS, VERDICT_ORDER, budget_shown, describe, worst_first
from harness.units import counted, format_difference

TOLD = (
    "other files",
    "resumed",
    "bench fault",
    "supply trouble",
    "bench moved",
    "retest",
    "override",
    *BY_HAND,
    "test",
)
"""Events that `show` prints."""
SEEN = ("pass", "fail", "unproven")


def units(
    serial: Annotated[
        str | None,
        typer.Argument(metavar="[SERIAL]", help="Show this unit, with its relay operation counts."),
    ] = None,
    records: options.RecordsLocation = options.RECORDS,
    as_json: options.AsJson = False,
) -> None:
    """List recorded units with their latest runs, or one unit with its relay operation counts."""
    with open_records(records, read_only=True) as store:
        result = [unit for unit in store.units() if serial in (None, unit.serial)]
        told = as_json or serial is not None
        operations = store.operations(serial=serial) if told else {}
        if serial is not None and not result:
            raise UsageError(f"{store.location}: no unit {serial!r}; `switchwalk units` lists what there is")
    counts = [operations.get((unit.part, unit.serial, unit.simulated), Counter()) for unit in result]
    if as_json:
        print_json([unit_to_json(unit, each) for unit, each in zip(result, counts, strict=True)])
        return
    _print_units(result)
    for unit, each in zip(result, counts, strict=True) if serial is not None else ():
        which = f"{unit.part}{', simulated' if unit.simulated else ''}"
        message = ", ".join(f"{relay} {count}" for relay, count in each.items())
        say(printable(f"relay operations in all runs of {which}: {message or 'not counted'}"))


def show(
    run: options.RunNumber,
    records: options.RecordsLocation = options.RECORDS,
    as_json: options.AsJson = False,
    every: Annotated[bool, typer.Option("--all", help="Show the readings that passed as well.")] = False,
    budget: Annotated[
        bool, typer.Option("--budget", help="Show the uncertainty budget of each reading.")
    ] = False,
) -> None:
    """Show one run: its verdict and the readings that did not pass."""
    with open_records(records, read_only=True) as store:
        record, readings, events = store.run(run), store.readings(run), store.events(run)
        relay_operations = relay_operations_of(store, record, readings, events)
    if as_json:
        by_hand = [
            {"at": event.at.isoformat(), "said": event.text} for event in events if event.kind in BY_HAND
        ]
        left = in_part(events)
        made = {
            "by_hand": by_hand,
            "not_measured": [] if left is None else [asdict(each) for each in left.left_out],
            "readings": [reading_to_json(reading) for reading in readings],
        }
        print_json(run_to_json(record) | {"relays": relay_operations} | made)
        return
    console = _console()
    _print_run(console, record)
    for event in events:
        if event.kind in TOLD or (event.kind == "ended" and event is not events[-1]):
            outcome = event.event.outcome if isinstance(event.event, Ended) else ""
            console.print(printable(f"{event.at:%H:%M:%S} {event.kind} {outcome} {event.text}"))
    for line in relay_operation_lines(relay_operations) if relay_operations else ():
        say(printable(line))
    _print_readings(console, readings, every=every, budget=budget)


def _console() -> Console:
    return Console(markup=False, highlight=False, emoji=False)


_COLUMNS = ("Serial", "Part", "Verdict", "Run", "Runs", "Started (UTC)", "")
_GAP = 3


def _print_units(result: Sequence[UnitSummary]) -> None:
    """A line for each unit, without a rich table, which is slow for ten thousand units."""
    if not result:
        typer.echo("No unit has been tested yet.")
        return
    rows = [_COLUMNS, *map(_unit_row, result)]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    # The rest of the screen's width is for the names; longer ones go on in the next line.
    left = _console().width - sum(widths[2:]) - _GAP * (len(widths) - 1)
    widths[1] = max(min(widths[1], left - min(widths[0], left // 2)), 1)
    widths[0] = max(min(widths[0], left - widths[1]), 1)
    for number, row in enumerate(rows):
        typer.echo("\n".join(_folded(row, widths)))
        if number == 0:
            typer.echo("─" * (sum(widths) + _GAP * (len(widths) - 1)))


def _unit_row(unit: UnitSummary) -> tuple[str, ...]:
    return (
        printable(unit.serial),
        printable(f"{unit.part} {unit.revision}"),
        unit.latest_outcome.upper(),
        str(unit.latest_run),
        str(unit.runs),
        f"{unit.latest_started:%Y-%m-%d %H:%M}",
        _remark(unit),
    )


def _remark(unit: UnitSummary) -> str:
    """Whether it was simulated, and its purpose if it was no test of the unit, or how much it measured of its
    sequence if that was not all; short, for the last column.
    """
    about = unit.purpose or ("" if unit.extent == "whole" else unit.extent)
    if about:
        return f"{about}, sim." if unit.simulated else about
    return "simulated" if unit.simulated else ""


def _folded(row: Sequence[str], widths: Sequence[int]) -> Iterator[str]:
    lines = max(1, *(-(-len(cell) // width) for cell, width in zip(row, widths, strict=True) if width))
    for line in range(lines):
        parts = [
            cell[line * width : (line + 1) * width].ljust(width)
            for cell, width in zip(row, widths, strict=True)
        ]
        yield (" " * _GAP).join(parts).rstrip()


def _print_run(console: Console, record: RunRecord) -> None:
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
        console.print(printable(f"Not a test of the whole unit: {header.purpose}"))
    for identity in header.instruments:
        say(printable(f"{identity.role}: {identity.text} at {identity.address}"), indent=2)
    if header.notes:
        console.print(printable(header.notes))


def _print_readings(console: Console, readings: Sequence[Reading], *, every: bool, budget: bool) -> None:
    chosen = worst_first(reading for reading in readings if every or reading.verdict != "pass")
    if not chosen:
        if readings:
            console.print("\nEvery reading passed; --all lists them.")
        return
    if budget:
        for reading in chosen:
            _print_budget(reading)
        return
    table = Table(box=SIMPLE_HEAD, pad_edge=False)
    for heading in ("Verdict", "Reading", "Value", "Limit"):
        table.add_column(heading, overflow="fold")
    for reading in chosen:
        words = describe(reading)
        about = [_place_of(reading), reading.reason]
        table.add_row(
            reading.verdict.upper(),
            "\n".join(printable(line) for line in about if line),
            words.value,
            words.limit,
        )
    console.print(table)


def _place_of(reading: Reading) -> str:
    """`Route and gain: mute left.out 1 kHz`."""
    tone = describe(reading).tone
    measurand = reading.key.measurand
    return f"{reading.key.check}: {' '.join(filter(None, (measurand.state, measurand.where, tone)))}"


def _print_budget(reading: Reading) -> None:
    """A reading over the standard uncertainties that its own is made of, a line each."""
    words = describe(reading)
    typer.echo("")
    say(printable(f"{reading.verdict.upper():<8}  {_place_of(reading)}"), hang=10)
    say(f"{words.value}{f', {words.limit}' if words.limit else ''}", indent=10)
    if reading.reason:
        say(printable(reading.reason), indent=10)
    for part in budget_shown(reading.estimate) if reading.estimate else ():
        size = f"{format_difference(part.standard, reading.unit):>10}  "
        say(printable(size + part.name), indent=10, hang=len(size))


def relay_operations_of(
    store: RunStore,
    record: RunRecord,
    readings: Sequence[Reading],
    events: Sequence[RunEvent[Event | Remembered]],
) -> dict[str, Any] | None:
    """Keys: operations, unit_operations (by relay), read_back, control_currents_a (by state),
    contact_readings.

    unit_operations: in all runs of the unit that this run belongs to. control_currents_a: what each control
    line alone drew. contact_readings: how many levels were measured along a predicted route, by verdict. None
    for a run that came to the end of no setup, or before this was counted.
    """
    header = record.header
    own = [each.event for each in events if isinstance(each.event, RelaysOperated)]
    currents = [each.event.currents_a for each in events if isinstance(each.event, CurrentsDrawn)]
    if not own:
        return None
    unit = store.operations(serial=header.serial)[header.part, header.serial, header.simulated]
    return {
        "operations": dict(sum((Counter(event.operations) for event in own), Counter())),
        "unit_operations": dict(unit),
        "read_back": all(event.read_back for event in own),
        "control_currents_a": dict(currents[-1]) if currents else {},
        "contact_readings": Counter(
            reading.verdict for reading in readings if reading.route and reading.verdict in SEEN
        ),
    }


def relay_operation_lines(relay_operations: dict[str, Any]) -> list[str]:
    """The same in words."""
    unit = relay_operations["unit_operations"]
    counts = ", ".join(
        f"{name} {relay_operations['operations'].get(name, 0)} of {unit[name]}" for name in unit
    )
    currents = ", ".join(
        f"{state} {1e3 * amp:.1f} mA" for state, amp in relay_operations["control_currents_a"].items()
    )
    contacts = ", ".join(
        f"{count} {verdict}" for verdict, count in relay_operations["contact_readings"].items()
    )
    return [
        f"relay operations, this run of the unit's total: {counts or 'none'}",
        "read back: "
        + (
            "by the switchboard, after every change"
            if relay_operations["read_back"]
            else "no, this switchboard cannot"
        ),
        f"verified: coils by the current of each control line ({currents or 'not measured'}); contacts by "
        f"{contacts or 'no'} readings along a route",
    ]


def verify(
    run: Annotated[int | None, typer.Argument(metavar="[RUN]", help="One run alone.")] = None,
    records: options.RecordsLocation = options.RECORDS,
    expect: Annotated[
        str, typer.Option(metavar="SHA256", help="A digest noted earlier; the records must still have it.")
    ] = "",
    upgrade: Annotated[
        bool, typer.Option("--upgrade", help="First upgrade records of an older version.")
    ] = False,
    as_json: options.AsJson = False,
) -> None:
    """Check that no record was edited, removed, moved or added after it was written."""
    if expect and not re.fullmatch("[0-9a-f]{64}", expect):
        raise UsageError(
            f"--expect {expect}: expected a digest of 64 hexadecimal digits, as `verify` prints it"
        )
    with open_records(records, read_only=not upgrade, bring_up=upgrade) as store:
        result = store.verify(run, expected=expect)
    if as_json:
        print_json(asdict(result) | {"intact": not result.findings}, indent=None)
    else:
        for finding in result.findings:
            place = f"run {finding.run_id}: " if finding.run_id else ""
            typer.echo(printable(place + finding.what))
        looked = f"run {run}" if run is not None else counted(result.runs, "run")
        entries = counted(result.entries, "entry", "entries")
        message = (
            f"not as recorded: {counted(len(result.findings), 'thing')}" if result.findings else "as recorded"
        )
        typer.echo(f"{looked}, {entries}: {message}")
        typer.echo(f"last digest: {result.head}")
    raise typer.Exit(EXIT_BENCH if result.findings else EXIT_PASS)


def export(
    run: options.RunNumber,
    form: Annotated[
        str, typer.Option("--format", metavar="FORMAT", help="csv, json, parquet, junit, wav or npz.")
    ],
    out: Annotated[Path, typer.Option(metavar="PATH", help="The file; for wav a folder.")],
    records: options.RecordsLocation = options.RECORDS,
    replace: Annotated[bool, typer.Option("--replace", help="Overwrite an existing file.")] = False,
) -> None:
    """Write a run's readings or waveforms to a file: a table, a test report, or audio."""
    known = next((name for name in FORMATS if name == form), None)
    if known is None:
        raise UsageError(f"there is no format {form!r}; expected one of {', '.join(FORMATS)}")
    if str(out) == "-":
        raise UsageError(
            "--out -: - is no name for standard output here; give the name of a file, or on Linux /dev/stdout"
        )
    with open_records(records, read_only=True) as store:
        typer.echo(write_run(store, run, known, out, replace=replace))
