"""Run after run on benches in trouble: is a unit blamed for the bench, is anything lost, does anything grow?

    python benchmarks/soak/troubles.py                                  # twenty runs
    python benchmarks/soak/troubles.py --lanes 4 --runs 2000 --readings 100000    # until there are both

A lane is a process that carries out run after run, as a person's does who tests a batch, so that what it does
not give back adds up; its simulated bench is another process, and lives as long. Lanes run side by side, each
with a bench and a kind of relay board of its own, and know nothing of each other. Each run has a new unit,
one in five with a fault, and every second run meets one to three troubles at answers drawn from the seed.

A verdict is wrong where a good unit is not passed or a faulty one is not failed; a run may be stopped
instead, where there was a trouble. A line is printed every hundred runs; the table at the end, after
--minutes, and after Ctrl-C or SIGTERM. --log FILE keeps a line of JSON for each run, --keep DIR the readings
and every message on the wires of each run that is counted as wrong.
"""

import argparse
import json
import queue
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from types import FrameType
from typing import Any, TextIO

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from lane import run_lane  # type: ignore[import-not-found]  # beside this script

from tests.wire.standing_bench import SPEED

BOARDS = ("route", "text", "modbus", "frame")
EVERY = 100


@dataclass
class Tally:
    """What came of the runs, and by lane what its two processes held after each."""

    runs: int = 0
    readings: int = 0
    troubles: int = 0
    in_trouble: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    faulty: int = 0
    missing: int = 0
    wrong: list[str] = field(default_factory=list)
    not_safe: int = 0
    left_on: int = 0
    entries: int = 0
    findings: int = 0
    records_bytes: int = 0
    memory_kb: dict[int, list[list[int]]] = field(default_factory=dict)
    descriptors: dict[int, list[list[int]]] = field(default_factory=dict)

    def add(self, lane: int, text: dict[str, Any]) -> None:
        """Count one run."""
        self.runs += 1
        self.readings += text["readings"]
        self.troubles += text["troubles"]
        self.in_trouble += text["troubles"] > 0
        self.outcomes[text["outcome"]] += 1
        self.faulty += text["faulty"]
        self.missing += text["missing"]
        self.wrong += text["wrong"]
        self.not_safe += text["not_safe"]
        self.left_on += text["left_on"]
        self.memory_kb.setdefault(lane, []).append(text["memory_kb"])
        self.descriptors.setdefault(lane, []).append(text["descriptors"])

    def close(self, text: dict[str, Any]) -> None:
        """Add what the records of a lane hold."""
        self.entries += text["entries"]
        self.findings += text["findings"]
        self.records_bytes += text["records_bytes"]


class Lanes:
    """The processes, and what they say, in the order in which they say it."""

    def __init__(self, folder: Path, count: int, first: int, seed: int, keep: Path | None) -> None:
        self.told: queue.Queue[tuple[int, dict[str, Any] | None]] = queue.Queue()
        self._processes = []
        for lane in range(count):
            place = folder / f"lane-{lane}"
            place.mkdir()
            process = subprocess.Popen(
                [
                    *(sys.executable, __file__, "--lane", str(place), "--first", str(first + lane)),
                    *("--lanes", str(count), "--board", BOARDS[lane % len(BOARDS)], "--seed", str(seed)),
                    *(("--keep", str(keep)) if keep is not None else ()),
                ],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                start_new_session=True,  # Ctrl-C is for the parent; a lane ends after its run
            )
            self._processes.append(process)
            assert process.stdout is not None
            threading.Thread(target=self._listen, args=(lane, process.stdout), daemon=True).start()

    def _listen(self, lane: int, lines: TextIO) -> None:
        for line in lines:
            self.told.put((lane, json.loads(line)))
        self.told.put((lane, None))

    def end(self) -> None:
        """Let each lane end after the run that it is at."""
        for process in self._processes:
            assert process.stdin is not None
            process.stdin.close()

    def failed(self) -> list[int]:
        """Lanes that ended otherwise than asked."""
        return [lane for lane, process in enumerate(self._processes) if process.wait(60) != 0]


def soak(asked: argparse.Namespace, folder: Path) -> Tally:
    """Run until there are so many runs and so many readings, or the time is over, or a signal comes."""
    ended = threading.Event()

    def end(number: int, frame: FrameType | None) -> None:
        ended.set()

    signal.signal(signal.SIGINT, end)
    signal.signal(signal.SIGTERM, end)
    tally, begun = Tally(), time.monotonic()
    lanes = Lanes(folder, asked.lanes, asked.first, asked.seed, asked.keep)
    living, asked_to_end = asked.lanes, False
    while living:
        enough = tally.runs >= asked.runs and tally.readings >= asked.readings
        over = time.monotonic() - begun > asked.minutes * 60 or ended.is_set()
        if (enough or over) and not asked_to_end:
            lanes.end()
            asked_to_end = True
        try:
            lane, told = lanes.told.get(timeout=1.0)
        except queue.Empty:
            continue
        if told is None:
            living -= 1
        elif "serial" not in told:
            tally.close(told)
        else:
            tally.add(lane, told)
            _note(asked, tally, lane, told, time.monotonic() - begun)
    for lane in lanes.failed():
        tally.wrong.append(f"lane {lane} fell over")
    _print(tally, time.monotonic() - begun, asked)
    return tally


def _note(asked: argparse.Namespace, tally: Tally, lane: int, text: dict[str, Any], seconds: float) -> None:
    if asked.log is not None:
        with asked.log.open("a", encoding="utf-8") as log:
            log.write(json.dumps({"lane": lane, "s": round(seconds, 1), **text}) + "\n")
    for wrong in text["wrong"]:
        print(f"WRONG: {wrong}", file=sys.stderr, flush=True)
    if tally.runs % EVERY == 0:
        print(
            f"{seconds / 60:6.1f} min  {tally.runs} runs, {tally.readings} readings, "
            f"{tally.troubles} troubles, {tally.outcomes['stopped'] + tally.outcomes['not begun']} stopped, "
            f"{len(tally.wrong)} wrong",
            file=sys.stderr,
            flush=True,
        )


def _print(tally: Tally, wall_s: float, asked: argparse.Namespace) -> None:
    bench_h = wall_s * SPEED * asked.lanes / 3600
    rows = [
        ("seed, benches side by side", f"{asked.seed}, {asked.lanes}"),
        ("runs", f"{tally.runs}, {tally.faulty} of a faulty unit, {tally.in_trouble} in trouble"),
        ("wall time, of the simulated benches' clocks", f"{wall_s / 60:.1f} min, {bench_h:.1f} h"),
        ("readings", f"{tally.readings}"),
        ("troubles set", f"{tally.troubles}"),
        ("runs that ended", ", ".join(f"{n} {name}" for name, n in tally.outcomes.most_common())),
        ("readings missing for the bench", f"{tally.missing}"),
        ("wrong verdicts", f"{len(tally.wrong)}"),
        ("runs that said NOT SAFE, made safe by the next", f"{tally.not_safe}"),
        ("benches left on without a word", f"{tally.left_on}"),
        ("entries of the ledger, not as recorded", f"{tally.entries}, {tally.findings}"),
        ("records", f"{tally.records_bytes / 1e6:.1f} MB"),
    ]
    for column, name in enumerate(("the runs' processes", "the simulators")):
        rows.append((f"memory of {name}", _memory(tally, column)))
        rows.append((f"open files of {name}", _descriptors(tally, column)))
    for name, value in rows:
        print(f"{name:48} {value}")
    for wrong in tally.wrong:
        print(f"WRONG: {wrong}")


def _settled(values: list[list[int]], column: int) -> "np.ndarray[Any, np.dtype[np.int64]]":
    """Without the first runs: caches fill, plans are drawn up for the first time."""
    return np.array(values)[min(len(values) // 5, 50) :, column]


def _memory(tally: Tally, column: int) -> str:
    messages = []
    for values in tally.memory_kb.values():
        kb = _settled(values, column)
        slope = np.polyfit(np.arange(len(kb)), kb, 1)[0] if len(kb) > 1 else 0.0
        messages.append(f"{kb[0] / 1e3:.0f} to {kb[-1] / 1e3:.0f} MB, {slope:+.2f} kB a run")
    return "; ".join(messages)


def _descriptors(tally: Tally, column: int) -> str:
    messages = []
    for values in tally.descriptors.values():
        counts = _settled(values, column)
        messages.append(f"{counts.min()} to {counts.max()}, last {counts[-1]}")
    return "; ".join(messages)


def main() -> int:
    """Read the command line; 1 where a verdict was wrong."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--readings", type=int, default=0)
    parser.add_argument("--minutes", type=float, default=float("inf"), help="end after so long")
    parser.add_argument("--lanes", type=int, default=1, help="benches side by side")
    parser.add_argument("--first", type=int, default=0, help="the first unit's number")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--log", type=Path, help="a line of JSON for each run goes here")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="what is known of wrong runs goes here")
    parser.add_argument("--lane", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--board", choices=BOARDS, default=BOARDS[0], help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.lane is not None:
        run_lane(
            asked.lane,
            first=asked.first,
            step=asked.lanes,
            board=asked.board,
            seed=asked.seed,
            keep=asked.keep,
        )
        return 0
    with TemporaryDirectory(prefix="soak-") as place:
        return int(bool(soak(asked, Path(place)).wrong))


if __name__ == "__main__":
    sys.exit(main())
