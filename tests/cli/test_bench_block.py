"""Which checks of the bench let units be tested on it, and for how long."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from harness.errors import BenchError
from harness.job.job import Job, load_job
from harness.records.run import BenchCheck, CheckKind
from harness.records.store import RunStore, open_records
from harness.session.admission import check_bench_block
from tests.records.outside_broadcast import HEADER

ROOT = Path(__file__).parents[2]
HOUR_S = 3600.0


def job(golden_every_s: float | None) -> Job:
    loaded = load_job(ROOT / "sequences" / "two_loop_switcher")
    return replace(loaded, sequence=replace(loaded.sequence, golden_every_s=golden_every_s))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[RunStore]:
    with open_records(tmp_path / "records.sqlite") as store:
        yield store


def checked(store: RunStore, kind: CheckKind, *, good: bool, hours_ago: float, bench: str = "") -> None:
    bench_file = job(None).bench
    assert bench_file is not None
    run = store.begin(replace(HEADER, bench_name=bench or bench_file.name, purpose=kind, simulated=False))
    at = datetime.now(UTC) - timedelta(hours=hours_ago)
    store.add_event(run, BenchCheck(check=kind, good=good, why="as told"), at=at)


def block(store: RunStore, golden_every_s: float | None, *, override: str = "") -> str:
    who = "Grace" if override else None
    noted = check_bench_block(store, job(golden_every_s), simulated=False, override=override, who=who)
    return "".join(text for _, text in noted)


def test_a_good_check_lasts_as_long_as_the_sequence_says(store: RunStore) -> None:
    checked(store, "golden", good=True, hours_ago=11.5)
    assert block(store, 12 * HOUR_S) == ""
    with pytest.raises(BenchError, match=r"\(run 1\) is 11\.5 h old, and .* requires one every 8 h"):
        block(store, 8 * HOUR_S)


def test_without_a_word_in_the_sequence_a_good_check_lasts_for_ever(store: RunStore) -> None:
    assert block(store, None) == ""
    checked(store, "golden", good=True, hours_ago=1000)
    assert block(store, None) == ""


def test_a_bench_that_was_never_checked_is_refused_where_the_sequence_wants_it(store: RunStore) -> None:
    checked(store, "golden", good=True, hours_ago=1, bench="Another bench")
    checked(store, "known-bad", good=True, hours_ago=1)
    with pytest.raises(BenchError, match=r"never checked with a golden unit, and .* requires one every 12 h"):
        block(store, 12 * HOUR_S)


def test_a_bad_check_is_bad_however_old(store: RunStore) -> None:
    checked(store, "golden", good=False, hours_ago=100)
    for golden_every_s in (None, 12 * HOUR_S):
        with pytest.raises(BenchError, match=r"last check was bad: as told \(golden unit, run 1\)\. Units"):
            block(store, golden_every_s)


def test_who_goes_on_with_an_old_check_says_why(store: RunStore) -> None:
    checked(store, "golden", good=True, hours_ago=13)
    kept = block(store, 12 * HOUR_S, override="the golden unit is away")
    assert kept.startswith("Grace overrode the checks of the bench: the golden unit is away")
    assert "13.0 h old" in kept


def test_a_good_golden_check_clears_a_bad_one_by_known_faults_that_came_before(store: RunStore) -> None:
    checked(store, "golden", good=True, hours_ago=3)
    checked(store, "known-bad", good=False, hours_ago=2)
    with pytest.raises(BenchError, match=r"last check was bad: as told \(known-bad unit, run 2\)"):
        block(store, None)
    checked(store, "golden", good=True, hours_ago=1)
    assert block(store, 12 * HOUR_S) == ""
    checked(store, "known-bad", good=False, hours_ago=0.5)
    with pytest.raises(BenchError, match=r"last check was bad: as told \(known-bad unit, run 4\)"):
        block(store, None)


def test_known_faults_clear_no_bad_golden_check(store: RunStore) -> None:
    checked(store, "golden", good=False, hours_ago=2)
    checked(store, "known-bad", good=True, hours_ago=1)
    with pytest.raises(BenchError, match=r"golden unit, run 1"):
        block(store, None)
