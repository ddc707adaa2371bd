"""A golden unit's run against its history: what has moved, and what only scatters."""

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.reading import Measurand, ReadingKey, Verdict
from harness.records.history import Series
from harness.statistics.drift import golden_shifts

KEY = ReadingKey(
    check="Gain",
    measurand=Measurand(
        quantity="gain", state="idle", channel="left", port="out", driven="left.in", frequency_hz=1e3
    ),
)

PASS: Verdict = "pass"


def series(
    history: list[float] | NDArray[np.float64],
    now: float,
    *,
    standard: float = 0.001,
    key: ReadingKey = KEY,
    unit: str = "dB",
    floors: tuple[int, ...] = (),
) -> Series:
    """A reading through its history (runs 1, 2, …) and the run in question (run 100).

    floors: where in these it only lies below the value.
    """
    values = np.array([*history, now], dtype=np.float64)
    n = values.size
    return Series(
        key=key,
        unit=unit,
        run_ids=np.array([*range(1, n), 100]),
        values=values,
        floor=np.isin(np.arange(n), np.arange(n)[list(floors)]),
        standard=np.full(n, standard),
        limit_low=np.full(n, -np.inf),
        limit_high=np.full(n, np.inf),
        verdicts=(PASS,) * n,
    )


# Critical values of Student's t with n - 1 degrees of freedom, two-sided 5 %: 2.776 (4), 2.306 (8), 2.093
# (19), NIST/SEMATECH e-Handbook 1.3.6.7.2, from memory; in units of sigma sqrt(1 + 1/n).
@pytest.mark.parametrize(("n", "times", "p"), [(5, 2.776, 0.05), (9, 2.306, 0.05), (20, 2.093, 0.05)])
def test_the_p_of_a_single_value_is_students(n: int, times: float, p: float) -> None:
    history = np.linspace(-1.0, 1.0, n)
    reach = np.std(history, ddof=1) * np.sqrt(1 + 1 / n)
    (result,) = golden_shifts([series(history, times * reach)], 100)
    assert result.p == pytest.approx(p, abs=1e-4)
    assert result.n == n


def test_it_has_moved_beyond_scatter_and_beyond_what_the_reading_claims() -> None:
    history = [0.0000, 0.0002, -0.0002, 0.0001, -0.0001, 0.0002, -0.0002, 0.0]
    assert [golden_shift.moved for golden_shift in golden_shifts([series(history, 0.0100)], 100)] == [True]
    # sure, and so small that the reading itself does not claim to know it
    (small,) = golden_shifts([series(history, 0.0019)], 100)
    assert small.p is not None
    assert (small.moved, small.p < 0.001) == (False, True)
    # large, and no more than the history scatters
    scattered = [0.010, -0.012, 0.008, -0.009, 0.011, -0.010, 0.009, -0.007]
    assert not golden_shifts([series(scattered, 0.015)], 100)[0].moved


def test_with_one_or_two_earlier_runs_the_claims_of_both_decide() -> None:
    """2.576 (two-sided 1 % of a normal value, closed form) times 0.001 sqrt(1 + 1/n): 0.00364, 0.00315."""
    for history, still, moved in (([0.0], 0.0036, 0.0037), ([0.0, 0.0], 0.0031, 0.0032)):
        assert not golden_shifts([series(history, still)], 100)[0].moved
        assert golden_shifts([series(history, moved)], 100)[0].moved
    assert golden_shifts([series([1.0], -1.0, standard=np.nan, unit="")], 100)[0].moved
    assert not golden_shifts([series([1.0], 1.0, standard=np.nan, unit="")], 100)[0].moved


def test_a_reading_without_a_value_now_has_moved_and_one_without_a_history_is_left_out() -> None:
    (lost,) = golden_shifts([series([0.0, 0.1, 0.0], np.nan)], 100)
    assert (lost.moved, lost.shift) == (True, None)
    assert golden_shifts([series([], 0.0)], 100) == []


@pytest.mark.parametrize(("runs", "claimed"), [(10, 1e-6), (3, 1e-6), (2, 0.01), (1, 0.01)])
def test_a_bench_that_has_not_moved_is_seldom_stopped_however_short_its_history(
    runs: int, claimed: float
) -> None:
    """One false alarm in 100 checks at most (common practice, no source): 200 checks of 60 readings."""
    rng = np.random.default_rng(runs)
    stopped = 0
    for _ in range(200):
        readings = rng.normal(0, 0.01, size=(60, runs + 1))
        every = [series(row[:-1], row[-1], standard=claimed) for row in readings]
        stopped += any(golden_shift.moved for golden_shift in golden_shifts(every, 100))
    assert stopped <= 8  # more than 8 would come once in 4700 (binomial of 200 and 0.01, by scipy.stats)


@pytest.mark.parametrize(
    ("history", "now", "floors", "moved"),
    [
        ([-108.0], -104.0, (-1,), False),  # -108 dB and now "below -104 dB": the two agree
        ([-108.0, -107.0, -109.0, -108.5], -104.0, (-1,), False),
        ([-104.0], -108.0, (0,), False),  # the other way round
        ([-104.0, -110.0], -108.0, (0, 1), False),  # 2 dB above a bound that has 4.7 dB of uncertainty
        ([-104.0], -90.0, (-1, 0), False),  # two bounds say nothing of each other
        ([-104.0, -108.0], -112.0, (0,), False),
        ([-60.0], -104.0, (-1,), True),  # a signal that is gone
        ([-60.0, -60.5, -59.5, -60.2], -104.0, (-1,), True),
        ([-104.0], -60.0, (0,), True),  # and one that came
        ([-104.0, -104.0, -104.0], -60.0, (0, 1, 2), True),
        ([-104.0], np.nan, (0,), True),
    ],
)
def test_a_bound_is_compared_as_a_bound(
    history: list[float], now: float, floors: tuple[int, ...], moved: bool
) -> None:
    """Of a reading of -108 dB with an interval from -122 to -103 dB, a quarter of that is the sigma."""
    (result,) = golden_shifts([series(history, now, standard=4.75, floors=floors)], 100)
    assert result.moved == moved
    if not moved:
        assert result.shift is not None
        assert abs(result.shift) <= result.expanded
