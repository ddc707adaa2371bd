"""One trouble of the bench in each run, of every kind in turn: does a good unit fail, does a faulty one pass?

    python benchmarks/soak/one_trouble.py --runs 400 --lanes 2

Each run meets one trouble, at an answer drawn from the seed: on the wire, or inside an instrument whose
answers are as ever. Half the units have a fault. After a trouble that passes by, a run should end as one
without trouble does. Late relays are late by the wall clock. A line of JSON is printed for each run, and a
table at the end.

Two kinds count apart, since nothing at the unit's pins tells them from a fault: a channel of a control line
that does nothing, and a meter that reads too much. There a good unit may fail.
"""

import argparse
import json
import random
import shutil
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parent))

from lane import (  # type: ignore[import-not-found]  # beside this script
    FAULTS,
    INSTRUMENTS,
    ON_A_SERIAL_LINE,
    SEQUENCE,
    Lane,
    coarsen,
    share_job_and_leave_out_pages,
)

from harness.records.store import open_records
from tests.wire.standing_bench import ROOT, standing_bench

# Every control line and every fault of the list show in these states.
SHORT = SEQUENCE.replace('["all", "unpowered"]', '["idle", "loop_a+loop_b+swap", "unpowered"]')
BOARDS = ("route", "text", "modbus", "frame")
WIRE_KINDS = (
    *("late 300", "late 2500", "half", "half 800", "mute", "drop", "garble", "rubbish"),
    *("error -113", "error -222", "error -310"),
)
SLOW_MS = (50, 100, 150, 200, 300, 500, 1000, 2000)
SELECTORS, CONTROLS = (9, 10, 11, 13, 16), (1, 2, 3)  # channels of the two-loop switcher's fixture
PASSING_INSIDE = ("oscilloscope stale", "supply off", "switchboard misses")
LASTING = (
    *(f"oscilloscope {kind} {n}" for kind in ("dead", "inverted", "faint") for n in (1, 2, 3, 4)),
    *("generator weak", "generator silent 1", "generator silent 2", "generator detuned"),
    *("supply trips", "supply frozen"),
    *("oscilloscope turned", "generator turned", "supply turned"),
    *(f"switchboard open {n}" for n in SELECTORS),
    *(f"switchboard closed {n}" for n in (*SELECTORS, *CONTROLS)),
)
APART = (*(f"switchboard open {n}" for n in CONTROLS), "supply misreads 30")


@dataclass(frozen=True, kw_only=True)
class Ended:
    """One run: what was wrong with the unit and with the bench, and how it ended."""

    fault: str
    trouble: str
    after: int
    board: str
    outcome: str
    code: int
    reason: str
    seconds: float
    message: str


def wire_troubles(board: str) -> Iterator[str]:
    """Troubles that pass by on the wire; a serial board queues no errors and stays away once unplugged."""
    for who in INSTRUMENTS:
        serial = who == "switchboard" and board in ON_A_SERIAL_LINE
        if who == "switchboard" and board == "frame":
            continue  # it answers nothing
        for kind in WIRE_KINDS:
            if not (serial and (kind == "drop" or kind.startswith("error"))):
                yield f"{who} {kind}"
    yield "oscilloscope short"


def passing(board: str) -> list[str]:
    """All troubles that pass by."""
    return [*wire_troubles(board), *PASSING_INSIDE, *(f"switchboard slow {ms}" for ms in SLOW_MS)]


def run_share(folder: str, board: str, numbers: list[int], seed: int, only: list[str]) -> list[Ended]:
    """Carry out these runs on a bench of this process's own. only: kinds of trouble, all if empty."""
    place = Path(folder)
    job = place / "job"
    shutil.copytree(ROOT / "sequences" / "two_loop_switcher", job)
    (job / "sequence.toml").write_text(SHORT, encoding="utf-8")
    share_job_and_leave_out_pages()
    made = []
    with standing_bench(job, switchboard=board) as standing:
        coarsen(standing.bench_file)
        lane = Lane(place, job, standing, seed=seed, board=board)
        answers = lane.learn()
        kinds = only or [*passing(board), *LASTING, *APART]
        for number in numbers:
            chance = random.Random(f"{seed}/{number}")
            trouble = kinds[number % len(kinds)] if number < len(kinds) * 4 else chance.choice(kinds)
            fault = chance.choice(FAULTS) if chance.random() < 0.5 else ""
            who = trouble.split()[0]
            after = chance.randrange(answers.get(who) or 1)
            made.append(one(lane, f"T-{number:05d}", fault, trouble, after, board))
            print(json.dumps(asdict(made[-1])), flush=True)
    return made


def one(lane: Lane, serial: str, fault: str, trouble: str, after: int, board: str) -> Ended:
    """One run with one trouble after so many answers of its instrument."""
    begun_s = time.monotonic()
    code, message = lane.carry_out(serial, [fault] if fault else [], [f"{trouble} after {after}"])
    with open_records(lane.records, read_only=True) as store:
        found = store.runs(serial=serial)
    return Ended(
        fault=fault,
        trouble=trouble,
        after=after,
        board=board,
        outcome=found[0].outcome if found else "not begun",
        code=code,
        reason=found[0].reason if found else "",
        seconds=round(time.monotonic() - begun_s, 2),
        message=message[-600:] if code not in (0, 1) else "",
    )


def is_wrong(run: Ended) -> bool:
    """Whether a good unit failed or a faulty one passed, or the exit code says what did not happen."""
    if "Traceback" in run.message:
        return True
    if run.fault:
        return run.outcome == "pass" or run.code == 0
    return (run.outcome == "fail" or run.code == 1) and run.trouble not in APART


def table(runs: list[Ended]) -> str:
    """How the runs ended by kind of trouble, and in all."""
    heads = ("good: pass fail unproven stopped", "faulty: pass fail unproven stopped")
    lines = [f"{'trouble':28} {heads[0]:>34}   {heads[1]:>36}"]
    by_kind: dict[str, list[Ended]] = defaultdict(list)
    for run in runs:
        by_kind[run.trouble].append(run)
    for kind, of_kind in sorted(by_kind.items()):
        lines.append(f"{kind:28} {counted(of_kind, faulty=False):>34}   {counted(of_kind, faulty=True):>36}")
    by = [run for run in runs if run.trouble in passing(run.board)]
    for faulty, right in ((False, "pass"), (True, "fail")):
        of = [run for run in by if bool(run.fault) == faulty]
        as_ever = sum(run.outcome == right for run in of)
        name = "faulty" if faulty else "good"
        lines.append(f"after troubles that pass by, {name} units: {as_ever} of {len(of)} end with {right}")
    return "\n".join(lines)


def counted(runs: list[Ended], *, faulty: bool) -> str:
    """Counts of the outcomes of good or of faulty units."""
    outcomes = Counter(run.outcome for run in runs if bool(run.fault) == faulty)
    stopped = outcomes["stopped"] + outcomes["not begun"]
    return f"{outcomes['pass']:5} {outcomes['fail']:5} {outcomes['unproven']:5} {stopped:5}"


def main() -> int:
    """Read the command line; 1 where a verdict was wrong."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--first", type=int, default=0, help="the first run's number")
    parser.add_argument("--lanes", type=int, default=2, help="benches side by side")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--trouble", action="append", default=[], help="only this kind; may be repeated")
    asked = parser.parse_args()
    with TemporaryDirectory(prefix="one-trouble-") as place, ProcessPoolExecutor(asked.lanes) as pool:
        shares = []
        for lane in range(asked.lanes):
            folder = Path(place) / f"lane-{lane}"
            folder.mkdir()
            numbers = list(range(asked.first + lane, asked.first + asked.runs, asked.lanes))
            board = BOARDS[(lane + asked.seed) % len(BOARDS)]
            shares.append(pool.submit(run_share, str(folder), board, numbers, asked.seed, asked.trouble))
        runs = [run for share in shares for run in share.result()]
    print(table(runs))
    wrong = [run for run in runs if is_wrong(run)]
    for run in wrong:
        print(f"WRONG: {run}")
    kinds = len({run.trouble for run in runs})
    print(f"{len(runs)} runs, {kinds} kinds of trouble, {len(wrong)} wrong verdicts")
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
