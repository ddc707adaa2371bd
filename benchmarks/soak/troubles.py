"""Run after run on a bench in trouble: is a unit blamed for the bench, is anything lost, does anything grow?

    python benchmarks/soak/troubles.py                                  # twenty runs
    python benchmarks/soak/troubles.py --runs 2000 --readings 100000    # until there are both; hours

One process carries out all the runs, as a person's does who tests a batch, so that what it does not give back
adds up; the simulated bench is another process, and lives as long. Each run has a new unit, one in five with
a fault, and every second run meets one to three troubles at answers drawn from the seed. A verdict is wrong
where a healthy unit is not passed or a faulty one is not failed; a run may be stopped instead, where there
was a trouble. A line is printed every hundred runs, the table at the end and after Ctrl-C.
"""

import argparse
import contextlib
import io
import json
import os
import random
import shutil
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[2]))
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from harness.cli.app import main as switchwalk
from harness.records.store import open_records
from harness.runner.recovery import BENCH_FAILED
from tests.wire.standing_bench import HASTEN, ROOT, StandingBench, standing_bench

SEQUENCE = """
[sequence]
name = "Soak"
states = "all"
tone = { frequency = "1 kHz", level = "+4 dBu" }
settle = "20 ms"

[[check]]
name = "Route and gain"
quantity = "gain"
at = ["out"]
within = "0.2 dB"

[[check]]
name = "Polarity"
quantity = "polarity"
at = ["out"]

[[check]]
name = "Channels alike"
quantity = "channel_match"
at = ["out"]
between = ["-20 dB", "20 dB"]

[[check]]
name = "Relay current"
quantity = "supply_current"
within = "8 %"
"""
FAULTS = (
    "K1 never operates",
    "K2 never operates",
    "K3 never operates",
    "K1 coil open",
    "K4 never operates",
    "K6 never operates",
)
KINDS = ("late 2500", "half", "half 2200", "mute", "drop", "garble", "short", "error -310", "rubbish")
INSTRUMENTS = ("generator", "oscilloscope", "supply", "switchboard")
FAULTY, IN_TROUBLE = 0.2, 0.5
EVERY = 100


@dataclass
class Tally:
    """What came of the runs."""

    runs: int = 0
    readings: int = 0
    troubles: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    faulty: int = 0
    missing: int = 0
    wrong: list[str] = field(default_factory=list)
    not_safe: int = 0
    left_on: int = 0
    memory_kb: list[tuple[int, int]] = field(default_factory=list)
    descriptors: list[tuple[int, int]] = field(default_factory=list)


class Soak:
    """A standing bench, its records, and what to run on it."""

    def __init__(self, folder: Path, job: Path, standing: StandingBench, seed: int) -> None:
        self._job, self._standing, self._seed = job, standing, seed
        self.records = folder / "records.sqlite"
        self._transcript = folder / "clean.jsonl"
        self.tally = Tally()

    def learn(self) -> dict[str, int]:
        """How many answers each instrument gives in a run without trouble."""
        self._run("CLEAN", "--transcript", str(self._transcript))
        lines = [json.loads(line) for line in self._transcript.read_text("utf-8").splitlines()]
        return Counter(line["instrument"] for line in lines if line["direction"] == "in")

    def one(self, number: int, answers: dict[str, int]) -> None:
        """A new unit, perhaps with a fault, on a bench perhaps in trouble."""
        chance = random.Random(f"{self._seed}/{number}")
        serial = f"SOAK-{number:05d}"
        faults = [chance.choice(FAULTS)] if chance.random() < FAULTY else []
        troubles = []
        if chance.random() < IN_TROUBLE:
            for _ in range(chance.randint(1, 3)):
                who = chance.choice(INSTRUMENTS)
                troubles.append(f"{who} {chance.choice(KINDS)} after {chance.randrange(answers[who])}")
        self._standing.by_hand(unit=serial, faults=faults)
        for trouble in troubles:
            self._standing.trouble(trouble)
        code, said = self._run(serial)
        self._standing.trouble("none")
        self._judge(serial, faults, troubles, code, said)

    def _run(self, serial: str, *more: str) -> tuple[int, str]:
        """Carry out a run within this process; its exit code and what it said."""
        place = ("--bench", str(self._standing.bench_file), "--records", str(self.records))
        said = io.StringIO()
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            try:
                switchwalk(["run", str(self._job), "--serial", serial, "--json", *place, *more])
                code = 0
            except SystemExit as ended:
                code = int(ended.code or 0)
        return code, said.getvalue()

    def _judge(self, serial: str, faults: list[str], troubles: list[str], code: int, said: str) -> None:
        tally = self.tally
        tally.runs += 1
        tally.troubles += len(troubles)
        tally.faulty += bool(faults)
        about = f"{serial} ({', '.join(faults) or 'healthy'}; {', '.join(troubles) or 'no trouble'})"
        with open_records(self.records, read_only=True) as store:
            found = store.runs(serial=serial)
            readings = store.readings(found[0].run_id) if found else []
        outcome = found[0].outcome if found else "not begun"
        tally.outcomes[outcome] += 1
        tally.readings += len(readings)
        lost = [one for one in readings if one.verdict == "missing" and one.reason.startswith(BENCH_FAILED)]
        tally.missing += len(lost)
        right = "fail" if faults else "pass"
        if outcome != right and not (troubles and outcome in ("stopped", "not begun") and code == 4):
            tally.wrong.append(f"{about}: {outcome}, exit {code}: {said[-300:]}")
        if not faults and any(one.verdict != "pass" for one in readings if one not in lost):
            tally.wrong.append(f"{about}: a reading of a healthy unit does not pass")
        if "Traceback" in said:
            tally.wrong.append(f"{about}: {said[-2000:]}")
        if "NOT SAFE" in said:
            tally.not_safe += 1
        elif self._standing.left_on():
            tally.left_on += 1
            tally.wrong.append(f"{about}: left on without a word")

    def measure(self) -> None:
        """What both processes hold now."""
        pids = (os.getpid(), self._standing.pid)
        self.tally.memory_kb.append((_memory_kb(pids[0]), _memory_kb(pids[1])))
        self.tally.descriptors.append((_descriptors(pids[0]), _descriptors(pids[1])))


def _memory_kb(pid: int) -> int:
    text = Path(f"/proc/{pid}/status").read_text("ascii")
    return next(int(line.split()[1]) for line in text.splitlines() if line.startswith("VmRSS"))


def _descriptors(pid: int) -> int:
    return len(os.listdir(f"/proc/{pid}/fd"))


def soak(folder: Path, *, runs: int, readings: int, within_s: float, seed: int) -> None:
    """Run until there are so many runs and so many readings, or the time is over; print the table."""
    job = folder / "job"
    shutil.copytree(ROOT / "sequences" / "two_loop_switcher", job)
    (job / "sequence.toml").write_text(SEQUENCE, encoding="utf-8")
    with standing_bench(job) as standing:
        made = Soak(folder, job, standing, seed)
        answers = made.learn()
        begun = time.monotonic()
        with contextlib.suppress(KeyboardInterrupt):
            number = 0
            while made.tally.runs < runs or made.tally.readings < readings:
                made.one(number, answers)
                made.measure()
                number += 1
                if number % EVERY == 0:
                    print(f"{number} runs, {made.tally.readings} readings", file=sys.stderr, flush=True)
                if time.monotonic() - begun > within_s:
                    break
        _print(made, time.monotonic() - begun, seed)


def _print(made: Soak, wall_s: float, seed: int) -> None:
    tally = made.tally
    with open_records(made.records, read_only=True) as store:
        found = store.verify()
    size_mb = made.records.stat().st_size / 1e6
    memory, descriptors = np.array(tally.memory_kb), np.array(tally.descriptors)
    settled = min(len(memory) // 5, 50)  # caches fill, plans are drawn up for the first time
    rows = [
        ("seed", f"{seed}"),
        ("runs", f"{tally.runs} ({tally.faulty} of a faulty unit)"),
        (
            "wall time, of the simulated bench's clock",
            f"{wall_s / 60:.1f} min, {wall_s * HASTEN / 3600:.1f} h",
        ),
        ("readings", f"{tally.readings}"),
        ("troubles set", f"{tally.troubles}"),
        ("runs that ended", ", ".join(f"{n} {name}" for name, n in tally.outcomes.most_common())),
        ("readings missing for the bench", f"{tally.missing}"),
        ("wrong verdicts", f"{len(tally.wrong)}"),
        ("runs that said NOT SAFE, made safe by the next", f"{tally.not_safe}"),
        ("benches left on without a word", f"{tally.left_on}"),
        ("entries of the ledger, not as recorded", f"{found.entries}, {len(found.findings)}"),
        ("records", f"{size_mb:.1f} MB"),
    ]
    for column, name in enumerate(("the runs' process", "the simulator")):
        kb = memory[settled:, column]
        slope = np.polyfit(np.arange(len(kb)), kb, 1)[0] if len(kb) > 1 else 0.0
        rows.append(
            (f"memory of {name}", f"{kb[0] / 1e3:.0f} to {kb[-1] / 1e3:.0f} MB, {slope:+.2f} kB a run")
        )
        counts = descriptors[settled:, column]
        rows.append((f"open files of {name}", f"{counts.min()} to {counts.max()}, last {counts[-1]}"))
    for name, value in rows:
        print(f"{name:48} {value}")
    for wrong in tally.wrong:
        print(f"WRONG: {wrong}")


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--readings", type=int, default=0)
    parser.add_argument("--minutes", type=float, default=float("inf"), help="end after so long")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with TemporaryDirectory(prefix="soak-") as place:
        soak(
            Path(place),
            runs=asked.runs,
            readings=asked.readings,
            within_s=asked.minutes * 60,
            seed=asked.seed,
        )


if __name__ == "__main__":
    main()
