"""What a check of the bench prints, from plain values."""

import re
from collections.abc import Iterable

import numpy as np

from harness.cli.studies.gauge_text import StudyResult, golden_lines, study_lines
from harness.reading import Measurand, ReadingKey
from harness.records.run import BenchCheck
from harness.session.admission import Golden
from harness.statistics.drift import Shift
from harness.statistics.gauge import Crossing, ReadingStudy, gauge_anova

KEY = ReadingKey(
    check="Gain",
    measurand=Measurand(
        quantity="gain", state="loop_a", channel="left", port="out", driven="left.in", frequency_hz=1000.0
    ),
)


def said(outcome: str, *, good: bool) -> str:
    result = Golden(
        serial="OB-9001",
        bench="Van bench",
        run_id=1,
        outcome=outcome,
        history=(),
        shifts=(),
        check=BenchCheck(check="golden", good=good, why=f"OB-9001 ended in {outcome.upper()}"),
    )
    return " ".join(" ".join(golden_lines(result)).split())


def test_a_golden_unit_that_does_not_pass_begins_no_history_and_has_not_moved() -> None:
    assert "With this run its history begins." in said("pass", good=True)
    unproven = said("unproven", good=False)
    assert unproven.startswith("BENCH NOT OK bench 'Van bench' by golden unit OB-9001, run 1")
    assert "history begins." not in unproven
    assert "Runs and batches are refused on this bench" in unproven


def ends_of_columns(lines: Iterable[str], *headings: str) -> tuple[list[int], list[list[int]]]:
    """Where these headings end, and where the figures below them do, line by line."""
    shown = list(lines)
    head = next(line for line in shown if headings[0] in line)
    below = [line for line in shown if "dB" in line]
    figures = [
        [result.end() for result in re.finditer(r"-?\S+ dB\b", line)][-len(headings) :] for line in below
    ]
    return [head.index(heading) + len(heading) for heading in headings], figures


def test_figures_end_below_their_headings_however_small_they_are() -> None:
    moved = tuple(
        Shift(
            key=KEY,
            unit="dB",
            n=3,
            value=-3.9,
            mean=-3.85,
            sigma=0.001,
            expanded=expanded,
            p=0.003,
            moved=True,
        )
        for expanded in (0.0059, 0.00696, 0.000107)
    )
    golden = Golden(
        serial="OB-9001", bench="Van bench", run_id=4, outcome="pass", history=(1, 2, 3), shifts=moved,
        check=BenchCheck(check="golden", good=False, why="3 of 9 moved"),
    )  # fmt: skip
    headings, figures = ends_of_columns(golden_lines(golden), "moved by", "from its mean", "claimed")
    assert figures == [headings] * 3
    draw = np.random.default_rng(1)
    studied = [
        ReadingStudy(
            key=KEY,
            unit="dB",
            study=gauge_anova(draw.normal(0.0, sigma, (3, 2, 3)), tolerance=0.4),
            reason="",
        )
        for sigma in (0.02, 0.000107)
    ]
    crossing = Crossing(
        units=("OB-1", "OB-2", "OB-3"), appraisers=("Ivo", "Mara"), trials=3, runs=(), left_out=0
    )
    result = StudyResult(
        part="TLS-2", simulated=True, name="", by="operator", crossing=crossing, readings=studied
    )
    lines = list(study_lines(result))
    headings, figures = ends_of_columns(lines, "repeat.", "reproduc.")
    assert figures == [headings] * 2
    assert max(map(len, lines)) <= 80
