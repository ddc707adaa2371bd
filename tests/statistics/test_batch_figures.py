"""A batch's Pareto of diagnosed faults and its distributions, from plain values."""

from dataclasses import replace

import numpy as np
import pytest

from harness.reading import Verdict
from harness.records.history import RunLine, Series
from harness.records.run import Purpose
from harness.statistics.batch import MOST_BINS, UnitBatch, distribution, figures, proposal
from harness.statistics.compare import side_differences
from harness.statistics.yields import first_complete_runs, yields
from tests.records.outside_broadcast import HEADER
from tests.statistics.test_golden import KEY, series

LINE = RunLine(
    run_id=1,
    serial="OB-1",
    part="TLS-2",
    revision="B",
    sequence_name="Production test",
    bench_name="Van bench",
    operator="Ada",
    simulated=False,
    started=HEADER.started,
    outcome="fail",
)


def test_faults_are_counted_by_what_was_named_once_a_unit() -> None:
    firsts = tuple(replace(LINE, run_id=number, serial=f"OB-{number}") for number in range(1, 7))
    passed = replace(LINE, run_id=7, serial="OB-7", outcome="pass")
    named = {1: ["K1 coil open"], 2: ["K1 coil open"], 3: ["K2 coil open", "control line loop_a dead"], 4: []}
    batch = UnitBatch(lines=firsts, firsts=(*firsts, passed), series=(), diagnosed=named)
    assert [(line.label, line.count) for line in batch.diagnosed_faults] == [
        ("K1 coil open", 2),
        ("not diagnosed", 2),
        ("K2 coil open (or 1 not told apart)", 1),
        ("no listed fault", 1),
    ]


@pytest.mark.parametrize("purpose", ["gauge", "golden", "known-bad", "custom tests"])
def test_runs_that_test_the_bench_are_in_no_yield(purpose: Purpose) -> None:
    runs = [replace(LINE, purpose=purpose), replace(LINE, run_id=2, outcome="pass")]
    assert first_complete_runs(runs) == runs[1:]
    assert (yields(runs).first_pass.count, yields(runs).complete_runs) == (1, 1)


def test_a_distribution_holds_every_value_in_classes_of_one_width() -> None:
    values = np.random.default_rng(5).normal(-0.4, 0.01, 400)
    result = distribution(series(values[:-1], values[-1]))
    assert result is not None
    assert sum(result.counts) == 400
    assert np.ptp(np.diff(result.edges)) < 1e-12
    # Freedman and Diaconis (1981): twice the interquartile range over the cube root of n, from memory
    low, high = np.percentile(values, (25, 75))
    assert len(result.counts) == int(np.ceil(np.ptp(values) / (2 * (high - low) / np.cbrt(400))))
    far = distribution(series([*values, 10.0], -10.0))
    assert far is not None
    assert len(far.counts) == MOST_BINS  # one outlier unit does not fill the screen
    few = distribution(series([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0], 8.0))
    assert few is not None
    assert len(few.counts) == 2  # IQR 3.5, width 3.5, range 7


def test_what_lies_below_the_floor_is_said_to_be_left_out_and_proposes_nothing() -> None:
    some = replace(series(np.linspace(-102.0, -98.0, 39), -97.0), floor=np.arange(40) < 10)
    (caveat,) = [one for one in figures(some).caveats if one.kind == "in part"]
    assert "10 of 40 readings lie below the bench's floor" in caveat.sentence
    none = replace(some, floor=np.ones(40, dtype=np.bool_))
    (why,) = proposal(none).reasoning
    assert why == "in all 40 that passed, what there is lies below what the bench can see"


def test_values_that_are_all_equal_have_no_distribution() -> None:
    assert distribution(series([1.0, 1.0], 1.0)) is None


@pytest.mark.parametrize("count", [2, 3, 12, 27])
def test_values_that_are_all_equal_have_no_spread_of_rounding(count: int) -> None:
    result = figures(series([-0.087] * (count - 1), -0.087))
    assert (result.n, result.mean, result.sigma) == (count, -0.087, 0.0)


def test_a_stray_far_from_values_that_hardly_differ_asks_for_no_more_classes_than_there_may_be() -> None:
    result = distribution(series([1 + number * 2.3e-16 for number in range(9)], 100.0))
    assert result is not None
    assert len(result.counts) <= MOST_BINS
    assert sum(result.counts) == 10


FAIL: Verdict = "fail"


def of_source(channel: str, source: int, values: list[float]) -> Series:
    """Of a unit that selects one of several sources: what is driven tells them apart."""
    driven = f"{channel}.source_{source}"
    key = replace(KEY, measurand=replace(KEY.measurand, channel=channel, driven=driven))
    return replace(series(values[:-1], values[-1], key=key), verdicts=(FAIL,) * len(values))


def test_readings_that_differ_by_what_is_driven_alone_are_told_apart() -> None:
    read = (
        of_source("left", 1, [1.0, 2.0]),
        of_source("left", 2, [1.0, 2.0]),
        of_source("right", 1, [1.0, 2.0]),
    )
    batch = UnitBatch(lines=(), firsts=(), series=read)
    assert [batch.labels[one.key] for one in read] == [
        "Gain: idle left.out 1 kHz, left.source_1 driven",
        "Gain: idle left.out 1 kHz, left.source_2 driven",
        "Gain: idle right.out 1 kHz",
    ]
    assert [(line.label, line.count) for line in batch.failing_readings] == [
        ("Gain: idle left.out 1 kHz, left.source_1 driven", 2),
        ("Gain: idle left.out 1 kHz, left.source_2 driven", 2),
        ("Gain: idle right.out 1 kHz", 2),
    ]


def test_left_is_compared_with_right_of_the_same_source() -> None:
    left = [of_source("left", source, [source, source + 0.1, source]) for source in (1, 2, 3)]
    right = [of_source("right", source, [source, source, source + 0.2]) for source in (3, 1)]
    result = side_differences([*left, *right])
    assert {(one.key.measurand.driven, one.other.measurand.driven) for one in result} == {
        ("left.source_1", "right.source_1"),
        ("left.source_3", "right.source_3"),
    }
    assert max(abs(one.difference.mean) for one in result) < 0.1
    assert side_differences([of_source("left", 1, [1.0, 1.1]), of_source("right", 2, [1.0, 1.2])]) == []
