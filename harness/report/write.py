"""Write the report of a run: one HTML file that needs no network, no script and nothing beside it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.errors import RecordsError
from harness.reading import Reading
from harness.records.run import RunRecord
from harness.report import notes, words
from harness.report.coverage_picture import CoverageFigure
from harness.report.explanation import Explanation
from harness.report.hookup_picture import HookupFigure
from harness.report.matrix import make_matrix
from harness.report.response_plot import response_plots
from harness.report.run_pictures import NOT_DRAWN, Drawn, Picture, choose_pictures, make_picture
from harness.report.templates import templates_in
from harness.report.whole import write_whole
from harness.roles import Capture

FEW_READINGS = 400
"""Up to here every table of readings stands open, and is printed; with more, those that passed are folded."""

_FIRST_LOOK = 12

SYMBOLS = {
    "pass": "✓",
    "fail": "✕",
    "unproven": "?",
    "missing": "∅",
    "stopped": "■",
    "interrupted": "■",
}


@dataclass(frozen=True, kw_only=True)
class Row:
    """A reading with its words and its place in the run."""

    index: int
    reading: Reading
    words: words.Words


def write_report(
    run: RunRecord,
    readings: Sequence[Reading],
    waveforms: Mapping[int, Capture],
    path: Path,
    explanation: Explanation | None = None,
    coverage: CoverageFigure | None = None,
    by_hand: Sequence[HookupFigure] = (),
    found_by_hand: Sequence[str] = (),
    own_tests: Sequence[str] = (),
    drawn: Drawn = NOT_DRAWN,
) -> None:
    """Write a run's report; the file is whole or not there. Raises RecordsError where it can't be written.

    waveforms: kept captures by the number of their acquisition, as the records give them. explanation: of a
    run that failed, what would explain it. coverage: what its sequence would see of every fault. by_hand: the
    hookups that hands made; found_by_hand: what was found of their leads. own_tests: how a person's own test
    functions ended. drawn: pictures that need not be drawn any more.
    """
    text = render_report(
        run, readings, waveforms, explanation, coverage, by_hand, found_by_hand, own_tests, drawn
    )
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
    explanation: Explanation | None = None,
    coverage: CoverageFigure | None = None,
    by_hand: Sequence[HookupFigure] = (),
    found_by_hand: Sequence[str] = (),
    own_tests: Sequence[str] = (),
    drawn: Drawn = NOT_DRAWN,
) -> str:
    """Make the report's HTML."""
    here = Path(__file__).parent
    environment = templates_in(here)
    rows = [
        Row(index=index, reading=reading, words=words.describe(reading))
        for index, reading in enumerate(readings)
    ]
    by_identity = {id(row.reading): row for row in rows}
    concerns = [by_identity[id(reading)] for reading in words.worst_first(readings)]
    not_passed = sum(reading.verdict != "pass" for reading in readings)
    return environment.get_template("report.html").render(
        style=(here / "report.css").read_text(encoding="utf-8"),
        run=run,
        header=run.header,
        symbols=SYMBOLS,
        verdict_order=words.VERDICT_ORDER,
        meaning=words.OUTCOME_MEANS[run.outcome],
        matrix=make_matrix(readings),
        first_look=concerns[: max(_FIRST_LOOK, min(not_passed, 4 * _FIRST_LOOK))],
        not_passed=not_passed,
        explanation=explanation,
        faults_seen=coverage,
        by_hand=by_hand,
        found_by_hand=found_by_hand,
        own_tests=own_tests,
        checks=_by_check(rows),
        everything_open=len(readings) <= FEW_READINGS,
        coverage=sorted({f"{reading.coverage_factor:g}" for reading in readings}),
        pictures=_pictures(concerns, waveforms, drawn),
        responses=response_plots(readings) if drawn.responses is None else drawn.responses,
        kept_waveforms=len(waveforms),
        routes=_routes(readings),
        decision=notes.DECISIONS[run.header.decision],
        cautions=notes.CAUTIONS,
        not_claimed=notes.not_claimed(run.header, (reading.quantity for reading in readings)),
    )


def _by_check(rows: Sequence[Row]) -> dict[str, list[Row]]:
    checks: dict[str, list[Row]] = {}
    for row in rows:
        checks.setdefault(row.reading.check, []).append(row)
    return checks


def _routes(readings: Sequence[Reading]) -> dict[str, list[tuple[str, str]]]:
    """Routes in words by state, each with the places that it leads to."""
    routes: dict[str, dict[tuple[str, str], None]] = {}
    for reading in readings:
        if reading.route:
            pair = f"{reading.channel}.{reading.port.partition('.')[0]}"
            routes.setdefault(reading.state, {})[pair, reading.route] = None
    return {state: list(places) for state, places in routes.items()}


def _pictures(
    concerns: Sequence[Row], waveforms: Mapping[int, Capture], drawn: Drawn
) -> list[tuple[Picture, list[Row]]]:
    """Pictures of the worst, each with the rows that it belongs to."""
    by_identity = {id(row.reading): row for row in concerns}
    return [
        (
            make_picture(shown, waveforms[shown.acquisition], drawn),
            [by_identity[id(reading)] for reading in shown.readings],
        )
        for shown in choose_pictures([row.reading for row in concerns], waveforms)
    ]
