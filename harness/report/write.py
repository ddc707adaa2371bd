"""Write the report of a run: one HTML file that needs no network, no script and nothing beside it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf
from pathlib import Path

from harness.errors import RecordsError
from harness.quantities.registry import QUANTITIES
from harness.reading import Reading, Verdict
from harness.records.in_part import InPart
from harness.records.run import Explanation, RunRecord
from harness.report import words
from harness.report.coverage import CoverageFigure
from harness.report.page_files import templates_in, write_whole
from harness.report.setup_picture import SetupFigure
from harness.report.waveforms import response_plots, waveform_pictures
from harness.report.words import describe, worst_verdict
from harness.roles import Capture
from harness.units import format_value

FEW_READINGS = 400
"""Up to this many readings every table is open, and printed; with more, tables that passed are collapsed."""
_FIRST_LOOK = 12


@dataclass(frozen=True, kw_only=True)
class Cell:
    """One port in one state: its worst verdict, one value, and what else did not pass there.

    `anchor` is the index of the reading to go to, None where all passed.
    """

    verdict: Verdict
    value: str
    others: tuple[str, ...]
    anchor: int | None


@dataclass(frozen=True, kw_only=True)
class Matrix:
    """`columns[channel]` are ports; cells go by (state, channel, port). Channel "" is the whole unit."""

    states: tuple[str, ...]
    columns: Mapping[str, tuple[str, ...]]
    cells: Mapping[tuple[str, str, str], Cell]


def make_matrix(readings: Sequence[Reading]) -> Matrix:
    """Gather readings into cells, in the readings' order; a reading of one leg counts for its pair.

    Ports have the same order in every channel, whichever setup showed one of them first.
    """
    groups: dict[tuple[str, str, str], list[int]] = {}
    columns: dict[str, dict[str, None]] = {}
    for index, reading in enumerate(readings):
        port = _port(reading)
        measurand = reading.key.measurand
        columns.setdefault(measurand.channel, {})[port] = None
        groups.setdefault((measurand.state, measurand.channel, port), []).append(index)
    if "" in columns:
        columns[""] = columns.pop("")  # last
    order = dict.fromkeys(map(_port, readings))
    return Matrix(
        states=tuple(dict.fromkeys(reading.key.measurand.state for reading in readings)),
        columns={
            channel: tuple(port for port in order if port in ports) for channel, ports in columns.items()
        },
        cells={cell: _cell(readings, indices) for cell, indices in groups.items()},
    )


def _port(reading: Reading) -> str:
    return reading.key.measurand.net or reading.key.measurand.quantity.replace("_", " ")


def _cell(readings: Sequence[Reading], indices: Sequence[int]) -> Cell:
    group = [readings[index] for index in indices]
    verdict = worst_verdict(group)
    main = min(group, key=_rank)
    others = dict.fromkeys(
        reading.key.measurand.quantity.replace("_", " ")
        for reading in group
        if reading.verdict != "pass" and reading.key.measurand.quantity != main.key.measurand.quantity
    )
    worst = next(index for index in indices if readings[index].verdict == verdict)
    return Cell(
        verdict=verdict, value=_short(main), others=tuple(others), anchor=None if verdict == "pass" else worst
    )


def _rank(reading: Reading) -> tuple[float, int]:
    quantity = QUANTITIES.get(reading.key.measurand.quantity)
    rank = inf if quantity is None or quantity.matrix_rank is None else quantity.matrix_rank
    order: tuple[Verdict, ...] = ("fail", "unproven", "missing", "pass")
    return rank, order.index(reading.verdict)


def _short(reading: Reading) -> str:
    """Write a value in few characters; decibels without their unit, which is in the caption."""
    result = reading.estimate
    if result is None:
        return "missing"
    if reading.unit == "dB":
        bound = "> " if result.is_least else "< " if result.floor else ""
        return f"{bound}{result.value:.2f}"
    return (
        describe(reading).value if reading.unit == "" else format_value(result.value, reading.unit, digits=3)
    )


@dataclass(frozen=True, kw_only=True)
class Row:
    """A reading with its words and its place in the run."""

    index: int
    reading: Reading
    words: words.Words


@dataclass(frozen=True, kw_only=True)
class Beside:
    """What a page shows beside the run's own readings.

    explanation: of a run that failed, what would explain it. faults_seen: what its sequence would see of
    every fault. by_hand: the setups that hands made; found_by_hand: what was found of their leads.
    custom_tests: how a person's custom test functions ended. in_part: what the run did not measure of its
    sequence; None if it measured all.
    """

    explanation: Explanation | None = None
    faults_seen: CoverageFigure | None = None
    by_hand: Sequence[SetupFigure] = ()
    found_by_hand: Sequence[str] = ()
    custom_tests: Sequence[str] = ()
    in_part: InPart | None = None


NOTHING_BESIDE = Beside()


def write_report(
    run: RunRecord,
    readings: Sequence[Reading],
    waveforms: Mapping[int, Capture],
    path: Path,
    beside: Beside = NOTHING_BESIDE,
) -> None:
    """Write a run's report; the file is whole or not there. Raises RecordsError if it can't be written.

    waveforms: kept captures by the number of their acquisition, as the records have them.
    """
    text = render_report(run, readings, waveforms, beside)
    try:
        write_whole(path, text.encode("utf-8"))
    except OSError as error:
        raise RecordsError(
            f"{path}: the report can't be written: {error.strerror or error}. The run is safe in the "
            "records; check the disk or the folder"
        ) from error


def render_report(
    run: RunRecord,
    readings: Sequence[Reading],
    waveforms: Mapping[int, Capture],
    beside: Beside = NOTHING_BESIDE,
) -> str:
    """Make the report's HTML."""
    folder = Path(__file__).parent
    rows = [
        Row(index=index, reading=reading, words=words.describe(reading))
        for index, reading in enumerate(readings)
    ]
    by_identity = {id(row.reading): row for row in rows}
    concerns = [by_identity[id(reading)] for reading in words.worst_first(readings)]
    not_passed = sum(reading.verdict != "pass" for reading in readings)
    checks: dict[str, list[Row]] = {}
    for row in rows:
        checks.setdefault(row.reading.key.check, []).append(row)
    return (
        templates_in(folder)
        .get_template("report.html")
        .render(
            vars(beside),
            style=(folder / "report.css").read_text(encoding="utf-8"),
            run=run,
            header=run.header,
            symbols=words.SYMBOLS,
            verdict_order=words.VERDICT_ORDER,
            meaning=words.OUTCOME_MEANS[run.outcome],
            matrix=make_matrix(readings),
            first_look=concerns[: max(_FIRST_LOOK, min(not_passed, 4 * _FIRST_LOOK))],
            not_passed=not_passed,
            checks=checks,
            everything_open=len(readings) <= FEW_READINGS,
            coverage=words.coverage_factors(readings),
            pictures=[
                (picture, [by_identity[id(reading)] for reading in picture.readings])
                for picture in waveform_pictures([row.reading for row in concerns], waveforms)
            ],
            responses=response_plots(readings),
            kept_waveforms=len(waveforms),
            routes=_routes(readings),
            decision=words.DECISIONS[run.header.decision],
            cautions=words.CAUTIONS,
            not_claimed=words.not_claimed(
                run.header, (reading.key.measurand.quantity for reading in readings)
            ),
        )
    )


def _routes(readings: Sequence[Reading]) -> dict[str, list[tuple[str, str]]]:
    """Routes in words by state, each with the places that it leads to."""
    routes: dict[str, dict[tuple[str, str], None]] = {}
    for reading in readings:
        measurand = reading.key.measurand
        if reading.route:
            routes.setdefault(measurand.state, {})[measurand.pair, reading.route] = None
    return {state: list(places) for state, places in routes.items()}
