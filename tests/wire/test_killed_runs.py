"""Runs that are killed at any moment: no reading lost, none doubled, no records damaged, the bench made safe.

The bench is a simulator of its own process, which stays on as it was left when a run dies. Every story kills
one process after another, at moments drawn from its seed, until it has killed as many as it is to.
"""

import random
import re
import time
from collections import Counter
from pathlib import Path

import pytest

from drivers.bench import open_bench
from harness.descriptions.load import load_bench
from tests.wire.standing_bench import Bench, Kept, key, look

KILLS_A_STORY = 26
STORIES = range(8)
LEFT_ON = "the bench was not left safe by"


def shown(said: str) -> int:
    """How many readings a process had shown as made."""
    return sum(int(count) for count in re.findall(r"\d of (\d+) readings pass", said))


def whole(bench: Bench) -> tuple[Counter[tuple[object, ...]], float]:
    """What an uninterrupted run makes, and how long it takes."""
    begun = time.monotonic()
    code, said = bench.nursery.run(*bench.run_arguments("WHOLE"))
    assert code == 0, said
    return Counter(map(key, look(bench, "WHOLE").readings)), time.monotonic() - begun


def check_whole(found: Kept, expected: Counter[tuple[object, ...]]) -> None:
    """A run that came to its end has every reading once, and its verdict."""
    assert Counter(map(key, found.readings)) == expected
    assert found.outcome == "pass"


def make_safe_by_opening(bench: Bench) -> None:
    """What the next start does first, without a run after it."""
    told: list[str] = []
    with open_bench(load_bench(bench.standing.bench_file), folder=bench.folder, tell=told.append):
        assert bench.standing.left_on() == []
    assert LEFT_ON in told[0]


def go_on(bench: Bench, serial: str, run: int) -> tuple[str, ...]:
    """The command line of the next life: a run begins, or goes on where there is one."""
    return bench.resume_arguments(run, serial) if run else bench.run_arguments(serial)


def check_after_a_life(before: Kept, after: Kept, said: str) -> None:
    """Nothing that was there or was shown is lost, and nothing is there twice."""
    assert after.readings[: len(before.readings)] == before.readings
    assert len(after.readings) >= len(before.readings) + shown(said), "a reading that was shown is lost"
    assert max(Counter(map(key, after.readings)).values(), default=0) <= 1, "a reading is doubled"


@pytest.mark.timeout(900)
@pytest.mark.parametrize("seed", STORIES)
def test_a_run_killed_at_any_moment_goes_on_and_loses_nothing(
    lasting_bench: Bench, tmp_path: Path, seed: int
) -> None:
    bench = lasting_bench.with_records_in(tmp_path)
    chance = random.Random(seed)
    expected, whole_s = whole(bench)
    kills = left_on = completed = 0
    on: list[str] = []
    before = Kept()
    while kills < KILLS_A_STORY:
        serial = f"OB-{completed:04d}"
        life = bench.nursery.begin(*go_on(bench, serial, before.run))
        time.sleep(chance.uniform(0.0, whole_s))
        life.kill()
        code, said = life.ended(), life.said()
        assert code in (0, -9), said
        after = look(bench, serial)
        check_after_a_life(before, after, said)
        assert not on or "through reference" not in said or LEFT_ON in said
        kills += code == -9
        on = bench.standing.left_on()
        left_on += bool(on)
        assert not (on and code == 0), on
        if on and chance.random() < 0.5:
            make_safe_by_opening(bench)
            on = []
        before = after
        if after.outcome not in ("", "interrupted"):  # perhaps killed before it had made the bench safe
            check_whole(after, expected)
            completed += 1
            before = Kept()
    serial = f"OB-{completed:04d}"
    code, said = bench.nursery.run(*go_on(bench, serial, before.run))
    assert code == 0, said
    check_whole(look(bench, serial), expected)
    assert bench.standing.left_on() == []
    print(f"seed {seed}: {kills} kills, {left_on} left the bench on, {completed + 1} runs came to their end")


@pytest.mark.timeout(900)
@pytest.mark.parametrize("when", ["killed before", "killed after"])
def test_a_run_killed_at_each_commit_goes_on_and_loses_nothing(
    lasting_bench: Bench, tmp_path: Path, when: str
) -> None:
    bench = lasting_bench.with_records_in(tmp_path)
    expected, _ = whole(bench)
    nth, code = 0, -9
    while code == -9:
        nth += 1
        serial = f"OB-{nth:04d}"
        code, said = bench.nursery.run(*bench.run_arguments(serial), befalls=(nth, when))
        found = look(bench, serial)
        check_after_a_life(Kept(), found, said)
        if found.outcome in ("", "interrupted"):
            ended, said = bench.nursery.run(*go_on(bench, serial, found.run))
            assert ended == 0, said
        elif bench.standing.left_on():
            make_safe_by_opening(bench)
        check_whole(look(bench, serial), expected)
        assert bench.standing.left_on() == []
    assert nth > len(expected), "every commit had its turn"
    print(f"{when} each of {nth - 1} commits")
