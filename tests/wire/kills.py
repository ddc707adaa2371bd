"""Stories of runs that are killed: no reading lost, none doubled, no records damaged, the bench made safe.

The bench is a simulator of its own process, which stays on as it was left when a run dies. A story kills one
process after another, at moments drawn from its seed, until it has killed as many as it is to. The tests tell
short ones; benchmarks/soak/kills.py tells them at length.
"""

import random
import re
import time
from collections import Counter
from dataclasses import dataclass

from drivers.bench import open_bench
from harness.bench_file import load_bench
from harness.reading import ReadingKey
from tests.wire.standing_bench import Bench, Kept, key, look

LEFT_ON = "the bench was not left safe by"


@dataclass(frozen=True, kw_only=True)
class Told:
    """What happened in a story."""

    kills: int
    left_on: int
    whole: int  # runs that came to their end
    readings: int


def shown(message: str) -> int:
    """How many readings a process had shown as made."""
    return sum(int(count) for count in re.findall(r"\d of (\d+)\s+readings?\s+pass", message))


def whole(bench: Bench) -> tuple[Counter[ReadingKey], float]:
    """What an uninterrupted run makes, and how long it takes."""
    begun = time.monotonic()
    code, message = bench.nursery.run(*bench.run_arguments("WHOLE"))
    assert code == 0, message
    return Counter(map(key, look(bench, "WHOLE").readings)), time.monotonic() - begun


def check_whole(result: Kept, expected: Counter[ReadingKey]) -> None:
    """A run that came to its end has every reading once, and its verdict."""
    assert Counter(map(key, result.readings)) == expected
    assert result.outcome == "pass"


def make_safe_by_opening(bench: Bench) -> None:
    """What the next start does first, without a run after it."""
    messages: list[str] = []
    with open_bench(load_bench(bench.standing.bench_file), folder=bench.folder, tell=messages.append):
        assert bench.standing.left_on() == []
    assert LEFT_ON in messages[0]


def go_on(bench: Bench, serial: str, run: int) -> tuple[str, ...]:
    """The command line of the next life: a run begins, or goes on where there is one."""
    return bench.resume_arguments(run, serial) if run else bench.run_arguments(serial)


def check_after_a_life(before: Kept, after: Kept, message: str) -> None:
    """Nothing that was there or was shown is lost, and nothing is there twice."""
    assert after.readings[: len(before.readings)] == before.readings
    assert len(after.readings) >= len(before.readings) + shown(message), "a reading that was shown is lost"
    assert max(Counter(map(key, after.readings)).values(), default=0) <= 1, "a reading is doubled"


def killed_at_any_moment(bench: Bench, seed: int, kills_wanted: int) -> Told:
    """Kill run after run until so many died; each goes on and ends whole."""
    chance = random.Random(seed)
    expected, whole_s = whole(bench)
    kills = left_on = completed = 0
    on: list[str] = []
    before = Kept()
    while kills < kills_wanted:
        serial = f"OB-{completed:04d}"
        life = bench.nursery.begin(*go_on(bench, serial, before.run))
        time.sleep(chance.uniform(0.0, whole_s))
        life.kill()
        code, message = life.ended(), life.message()
        assert code in (0, -9), message
        after = look(bench, serial)
        check_after_a_life(before, after, message)
        assert not on or "through reference" not in message or LEFT_ON in message
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
    code, message = bench.nursery.run(*go_on(bench, serial, before.run))
    assert code == 0, message
    check_whole(look(bench, serial), expected)
    assert bench.standing.left_on() == []
    return Told(kills=kills, left_on=left_on, whole=completed + 1, readings=(completed + 1) * len(expected))


def killed_at_each_commit(bench: Bench, when: str, *, every: int = 1) -> Told:
    """Kill a run "killed before" or "killed after" its nth commit, for every n of it; each goes on."""
    expected, _ = whole(bench)
    nth, code, kills, left_on = 1 - every, -9, 0, 0
    while code == -9:
        nth += every
        serial = f"OB-{nth:04d}"
        code, message = bench.nursery.run(*bench.run_arguments(serial), befalls=(nth, when))
        kills += code == -9
        result = look(bench, serial)
        check_after_a_life(Kept(), result, message)
        on = bench.standing.left_on()
        left_on += bool(on)
        if result.outcome in ("", "interrupted"):
            ended, message = bench.nursery.run(*go_on(bench, serial, result.run))
            assert ended == 0, message
        else:
            check_report_written_later(bench, result, killed=code == -9)
            if on:
                make_safe_by_opening(bench)
        check_whole(look(bench, serial), expected)
        assert bench.standing.left_on() == []
    return Told(kills=kills, left_on=left_on, whole=kills + 1, readings=(kills + 1) * len(expected))


def check_report_written_later(bench: Bench, result: Kept, *, killed: bool) -> None:
    """Killed between its verdict and its report, a run has its page as soon as it is resumed."""
    pages = bench.folder / "reports"
    if killed:
        assert not list(pages.glob(f"run-{result.run:05d}-*")), "the verdict is committed before the page"
        code, message = bench.nursery.run("resume", str(result.run), "--records", str(bench.records))
        assert code == 0, message
    (page,) = pages.glob(f"run-{result.run:05d}-*")
    assert "</html>" in page.read_text("utf-8")
