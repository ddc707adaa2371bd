"""`switchwalk trends`: what the records say of a batch.

The keys that `--json` prints are promised in harness/statistics/export.py.
"""

import json
from collections.abc import Sequence
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.records import AsJson, RecordsPlace
from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.records.history import RunLine
    from harness.records.store import RunStore
    from harness.statistics.batch import Batch

LATEST_UNITS = 100


def trends(
    records: RecordsPlace = None,
    part: Annotated[
        str | None,
        typer.Option(
            "--part", metavar="P", help="The part, where the records hold several.", show_default=False
        ),
    ] = None,
    reading: Annotated[
        str | None,
        typer.Option(
            "--reading",
            metavar="TEXT",
            help="Only readings whose name has this text in it; charts the reading where there is one.",
            show_default=False,
        ),
    ] = None,
    serials: Annotated[
        str, typer.Option("--serials", metavar="PATTERN", help="Only units like this, such as 'OB-1*'.")
    ] = "*",
    against: Annotated[
        str | None,
        typer.Option(
            "--against", metavar="PATTERN", help="Compare with these units as well.", show_default=False
        ),
    ] = None,
    golden: Annotated[
        str | None,
        typer.Option(
            "--golden",
            metavar="SERIAL",
            help="Show how this unit drifts from run to run; it is no unit of the batch.",
            show_default=False,
        ),
    ] = None,
    last: Annotated[int, typer.Option("--last", min=1, help="How many units, the latest.")] = LATEST_UNITS,
    simulated: Annotated[
        bool, typer.Option("--simulated", help="Use simulated runs, which prove no board.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Show a batch: yields, what fails, and how well every reading keeps its limits."""
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records

    with open_records(records or DEFAULT_RECORDS, read_only=True) as store:
        lines = _lines_of_part(store, part, simulated=simulated)
        batch = _batch(store, lines, serials, last, reading, without=golden)
        second = None if against is None else _batch(store, lines, against, last, reading, without=golden)
        golden_batch = None if golden is None else _golden(store, lines, golden, reading)
    if as_json:
        typer.echo(json.dumps(_to_json(batch, second, golden_batch), indent=2, ensure_ascii=False))
        return
    _print(batch, second, golden_batch)


def _lines_of_part(store: "RunStore", part: str | None, *, simulated: bool) -> "list[RunLine]":
    """The runs of one part, real or simulated; the only one where none is named."""
    lines = store.lines()
    kind = [line for line in lines if line.simulated == simulated]
    if lines and not kind:
        found = "real" if simulated else "simulated"
        hint = "Leave --simulated away to see those" if simulated else "Give --simulated to see those"
        raise UsageError(f"{store.place}: there are only {found} runs. {hint}")
    parts = sorted({line.part for line in kind})
    if part is None and len(parts) > 1:
        raise UsageError(f"{store.place}: there are runs of {', '.join(parts)}. Say which with --part")
    if part is not None and part not in parts:
        raise UsageError(
            f"{store.place}: there is no run of part {part}. There are: {', '.join(parts) or 'none'}"
        )
    return [line for line in kind if part is None or line.part == part]


def _batch(
    store: "RunStore",
    lines: "Sequence[RunLine]",
    serials: str,
    last: int,
    reading: str | None,
    *,
    without: str | None,
) -> "Batch":
    from harness.statistics.batch import Batch, latest_units
    from harness.statistics.yields import first_complete_runs

    like = [line for line in lines if fnmatchcase(line.serial, serials) and line.serial != without]
    chosen = latest_units(like, last)
    firsts = first_complete_runs(chosen)
    if not firsts:
        raise UsageError(f"{store.place}: no unit like {serials} has a complete run yet")
    return Batch(lines=tuple(chosen), firsts=tuple(firsts), series=_series(store, firsts, reading))


def _golden(store: "RunStore", lines: "Sequence[RunLine]", serial: str, reading: str | None) -> "Batch":
    """Every complete run of one unit."""
    from harness.statistics.batch import Batch
    from harness.statistics.yields import COMPLETE

    runs = tuple(line for line in lines if line.serial == serial and line.outcome in COMPLETE)
    if not runs:
        raise UsageError(f"{store.place}: the golden unit {serial} has no complete run yet")
    return Batch(lines=runs, firsts=runs, series=_series(store, runs, reading))


def _series(store: "RunStore", runs: "Sequence[RunLine]", reading: str | None) -> Any:
    found = store.series(run.run_id for run in runs)
    if reading is None:
        return tuple(found)
    exact = [one for one in found if one.key.label == reading]
    like = exact or [one for one in found if reading.casefold() in one.key.label.casefold()]
    if not like:
        raise UsageError(f"no reading has {reading!r} in its name; `switchwalk trends` lists them")
    return tuple(like)


def _to_json(batch: "Batch", second: "Batch | None", golden: "Batch | None") -> dict[str, Any]:
    """Keys: part, simulated, those of `batch_to_json`, sides; and compared, drifts where asked for."""
    from harness.statistics import batch as figures
    from harness.statistics import export

    content = {"part": batch.firsts[0].part, "simulated": batch.firsts[0].simulated}
    content |= export.batch_to_json(batch, [figures.figures(one) for one in batch.series])
    content["sides"] = export.sides_to_json(figures.side_differences(batch.series))
    if second is not None:
        content["compared"] = export.comparison_to_json(figures.compare(batch.series, second.series))
    if golden is not None:
        content["drifts"] = export.drifts_to_json(figures.golden_drift(golden.lines, golden.series))
    return content


def _print(batch: "Batch", second: "Batch | None", golden: "Batch | None") -> None:
    from harness.cli import trends_text as text

    for line in text.batch_lines(batch):
        typer.echo(line)
    if len(batch.series) == 1:
        for line in text.reading_lines(batch, batch.series[0]):
            typer.echo(line)
    else:
        for line in (*text.readings_lines(batch), *text.side_lines(batch)):
            typer.echo(line)
    if second is not None:
        for line in text.comparison_lines(batch, second):
            typer.echo(line)
    if golden is not None:
        for line in text.drift_lines(golden):
            typer.echo(line)
