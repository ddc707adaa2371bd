"""`switchwalk trends`: what the records say of a batch.

The keys that `--json` prints are promised in harness/statistics/batch.py.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from typing import Annotated, Any

import typer

from harness.cli import options
from harness.cli.studies import trends_text as text
from harness.cli.terminal import print_json, print_lines
from harness.errors import UsageError
from harness.records.history import RunLine, Series, labels
from harness.records.store import RunStore, open_records
from harness.statistics import batch as figures
from harness.statistics.batch import UnitBatch, diagnosed_faults, latest_units
from harness.statistics.compare import compare, side_differences
from harness.statistics.drift import golden_drift
from harness.statistics.yields import COMPLETE, NOT_WHOLE, first_complete_runs, tests_of_units

LATEST_UNITS = 100


def trends(
    records: options.RecordsLocation = options.RECORDS,
    part: Annotated[
        str | None, typer.Option(metavar="P", help="The part, where the records hold several.")
    ] = None,
    reading: Annotated[
        str | None,
        typer.Option(
            metavar="TEXT", help="Only readings whose name contains this text; a single one is charted."
        ),
    ] = None,
    serials: Annotated[
        str,
        typer.Option(
            "--serial-pattern",
            metavar="PATTERN",
            help="Only units whose serial number matches, such as 'OB-1*'.",
        ),
    ] = "*",
    batch: Annotated[str | None, typer.Option(metavar="NAME", help="Only units of this batch.")] = None,
    against: Annotated[
        str | None, typer.Option(metavar="PATTERN", help="Compare with these units as well.")
    ] = None,
    against_batch: Annotated[
        str | None, typer.Option(metavar="NAME", help="Compare with this batch as well.")
    ] = None,
    golden: Annotated[
        str | None,
        typer.Option(
            metavar="SERIAL", help="Show the drift of this golden unit, which is not part of the batch."
        ),
    ] = None,
    last: Annotated[
        int, typer.Option(min=1, metavar="COUNT", help="Number of units, the latest ones.")
    ] = LATEST_UNITS,
    passed: Annotated[
        bool,
        typer.Option("--passed", help="Only figures of units that passed their first run, without outliers."),
    ] = False,
    simulated: Annotated[bool, typer.Option("--simulated", help="Use simulated runs (no hardware).")] = False,
    as_json: options.AsJson = False,
) -> None:
    """Show the yields of a batch, what fails, and how far every reading stays from its limits."""
    with open_records(records, read_only=True) as store:
        lines = _lines_of_part(store, part, simulated=simulated)
        units = _Units(last=last, reading=reading, passed=passed, without=frozenset({golden}))
        golden_batch = None if golden is None else _golden(store, lines, golden, reading)
        second = None
        if against is not None or against_batch is not None:
            second = _batch(store, lines, units, against or "*", against_batch)
            units = replace(units, without=units.without | {run.serial for run in second.firsts})
        alone = golden_batch is not None and batch is None and serials == "*" and not tests_of_units(lines)
        first = None if alone else _batch(store, lines, units, serials, batch)
    if as_json:
        print_json(_to_json(first, second, golden_batch, each=reading is not None))
    else:
        print_lines(_lines(first, second, golden_batch))


def _lines_of_part(store: RunStore, part: str | None, *, simulated: bool) -> list[RunLine]:
    """The runs of one part, real or simulated; of the only part if none is named."""
    lines = store.lines()
    kind = [line for line in lines if line.simulated == simulated]
    if lines and not kind:
        result = "real" if simulated else "simulated"
        hint = "Omit --simulated to see those" if simulated else "Give --simulated to see those"
        raise UsageError(f"{store.location}: there are only {result} runs. {hint}")
    parts = sorted({line.part for line in kind})
    if part is None and len(parts) > 1:
        raise UsageError(f"{store.location}: there are runs of {', '.join(parts)}. Say which with --part")
    if part is not None and part not in parts:
        raise UsageError(
            f"{store.location}: there is no run of part {part}. There are: {', '.join(parts) or 'none'}"
        )
    return [line for line in kind if part is None or line.part == part]


@dataclass(frozen=True, kw_only=True)
class _Units:
    """Which units and readings are selected: the latest units, and readings whose name contains a text.

    without: units to leave out: the golden unit, and those of the batch that this one is compared with.
    """

    last: int
    reading: str | None
    passed: bool
    without: frozenset[str | None]


def _batch(
    store: RunStore, lines: Sequence[RunLine], units: _Units, serials: str, name: str | None
) -> UnitBatch:
    # A unit that was tested in another batch before has its first run there.
    firsts_of_all = {run.serial: run for run in first_complete_runs(lines)}
    meant = [
        line
        for line in lines
        if fnmatchcase(line.serial, serials)
        and (name is None or firsts_of_all.get(line.serial, line).batch == name)
    ]
    like = [line for line in meant if line.serial not in units.without]
    chosen = latest_units(like, units.last)
    firsts = first_complete_runs(chosen)
    if not firsts:
        raise UsageError(_no_units(store, lines, meant, serials, name))
    read = [run for run in firsts if run.outcome == "pass"] if units.passed else firsts
    if not read:
        raise UsageError(f"{store.location}: no unit passed its first run; omit --passed")
    return UnitBatch(
        units_in_all=len(first_complete_runs(like)),
        only_passed=units.passed,
        lines=tuple(chosen),
        firsts=tuple(firsts),
        series=_series(store, read, units.reading),
        diagnosed=diagnosed_faults(store, firsts),
    )


def _no_units(
    store: RunStore, lines: Sequence[RunLine], meant: Sequence[RunLine], serials: str, name: str | None
) -> str:
    """Why no unit is left; meant: the runs that were asked for, of every kind."""
    names = sorted({line.batch for line in lines} - {""})
    if name is not None and name not in names:
        return f"{store.location}: there is no batch {name}. There are: {', '.join(names) or 'none'}"
    like = "" if serials == "*" else f" like {serials}"
    of = "" if name is None else f" of batch {name}"
    if tests_of_units(meant):
        return (
            f"{store.location}: no unit{like}{of} is left on this side: the golden unit is none of the "
            "batch, and none is counted on both sides of a comparison"
        )
    kinds = Counter(line.purpose or line.outcome for line in meant)
    text = ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items()))
    return (
        f"{store.location}: no unit{like}{of} has a complete run of its own. Runs: {text or 'none'}; of "
        "golden units, gauge studies and custom tests none is counted"
    )


def _golden(store: RunStore, lines: Sequence[RunLine], serial: str, reading: str | None) -> UnitBatch:
    """Every complete run of one unit on the bench that had it last."""
    of_unit = [line for line in lines if line.serial == serial and line.outcome in COMPLETE]
    whole = [line for line in of_unit if line.purpose not in NOT_WHOLE]
    if not whole:
        raise UsageError(f"{store.location}: the golden unit {serial} has no complete run yet")
    # What differs from bench to bench is no drift.
    runs = tuple(line for line in whole if line.bench_name == whole[-1].bench_name)
    return UnitBatch(lines=runs, firsts=runs, series=_series(store, runs, reading))


def _series(store: RunStore, runs: Sequence[RunLine], reading: str | None) -> tuple[Series, ...]:
    """Every reading through these runs; or those with this name, or with this in their name."""
    run_ids = [run.run_id for run in runs]
    if reading is None:
        return tuple(store.series(run_ids))
    told = labels(store.reading_keys(run_ids))
    exact = [key for key, label in told.items() if label == reading]
    like = exact or [key for key, label in told.items() if reading.casefold() in label.casefold()]
    if not like:
        raise UsageError(f"no reading has {reading!r} in its name; `switchwalk trends` lists them")
    return tuple(store.series(run_ids, keys=like))


def _to_json(
    batch: UnitBatch | None, second: UnitBatch | None, golden: UnitBatch | None, *, each: bool
) -> dict[str, Any]:
    """Keys: part, simulated, those of `batch_to_json`, sides; and, where asked for, charted (of the readings
    asked for), compared, drifts. Where nothing but the golden unit was ever run: part, simulated, drifts.
    """
    any_run = next(units.firsts[0] for units in (batch, golden) if units is not None)
    content: dict[str, Any] = {"part": any_run.part, "simulated": any_run.simulated}
    if batch is not None:
        content |= figures.batch_to_json(batch, [figures.figures(series) for series in batch.series])
        content["sides"] = figures.plain(side_differences(batch.series))
    if batch is not None and each:
        content["charted"] = [figures.reading_to_json(batch, series) for series in batch.series]
    if batch is not None and second is not None:
        content["compared"] = figures.comparison_to_json(compare(batch.series, second.series), batch.series)
    if golden is not None:
        content["drifts"] = figures.plain(golden_drift(golden.lines, golden.series))
    return content


def _lines(batch: UnitBatch | None, second: UnitBatch | None, golden: UnitBatch | None) -> Iterator[str]:
    if batch is not None:
        yield from text.batch_lines(batch)
        if len(batch.series) == 1:
            yield from text.reading_lines(batch, batch.series[0])
        else:
            yield from text.readings_lines(batch)
            yield from text.side_lines(batch)
        if second is not None:
            yield from text.comparison_lines(batch, second)
    if golden is not None:
        yield from text.drift_lines(golden)
