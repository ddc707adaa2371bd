"""One lane of the soak: a simulated bench of its own, and run after run on it within one process.

Started by troubles.py. Prints a line of JSON for each run, and one at its end; ends when its input closes.
"""

import contextlib
import io
import json
import os
import random
import select
import shutil
import sys
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from harness.cli import run as run_command
from harness.cli.app import main as switchwalk
from harness.job.job import Job
from harness.reading import LostToBench, Reading
from harness.records.store import open_records
from harness.report.run_report import Reporter, RunReport
from harness.session import open_bench, planned_job
from harness.session.planned_job import PlannedJob
from tests.wire.standing_bench import ROOT, StandingBench, standing_bench

SEQUENCE = """
[sequence]
name = "Soak"
states = ["all", "unpowered"]
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
quantity = "channel_gain_difference"
at = ["out"]
within = "0.2 dB"

[[check]]
name = "Crosstalk"
quantity = "crosstalk"
at = ["out"]
below = "-60 dB"

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
ON_A_SERIAL_LINE = ("frame", "text", "modbus")
NOT_ON_A_SERIAL_LINE = ("drop", "error -310")  # unplugged, it stays away for ever; and it queues no errors
FAULTY, IN_TROUBLE = 0.2, 0.5


@dataclass(frozen=True, kw_only=True)
class Done:
    """What came of one run. Memory and open files: of this process, and of the simulator."""

    serial: str
    faulty: bool
    troubles: int
    outcome: str
    readings: int
    missing: int
    not_safe: bool
    left_on: bool
    wrong: tuple[str, ...]
    memory_kb: tuple[int, int]
    descriptors: tuple[int, int]


@dataclass(frozen=True, kw_only=True)
class Closed:
    """What the records of a lane hold at its end."""

    entries: int
    findings: int
    records_bytes: int


class Lane:
    """A standing bench, its records, and what to run on it.

    keep: a folder for what is known of each run that is counted as wrong, its readings and every message.
    """

    def __init__(
        self,
        folder: Path,
        job: Path,
        standing: StandingBench,
        *,
        seed: int,
        board: str,
        keep: Path | None = None,
    ) -> None:
        self._job, self._standing, self._seed, self._board = job, standing, seed, board
        self.records = folder / "records.sqlite"
        self._transcript = folder / "transcript.jsonl"
        self._keep = keep
        self._left_unsafe = False

    def learn(self) -> dict[str, int]:
        """How many answers each instrument gives in a run without trouble."""
        code, message = self._run("CLEAN", "--transcript", str(self._transcript))
        if code:
            raise SystemExit(f"a good unit on a bench without trouble: exit {code}\n{message}")
        lines = [json.loads(line) for line in self._transcript.read_text("utf-8").splitlines()]
        return Counter(line["instrument"] for line in lines if line["direction"] == "in")

    def one(self, number: int, answers: Mapping[str, int]) -> Done:
        """A new unit, perhaps with a fault, on a bench perhaps in trouble."""
        chance = random.Random(f"{self._seed}/{number}")
        serial = f"SOAK-{number:05d}"
        faults = [chance.choice(FAULTS)] if chance.random() < FAULTY else []
        troubles = []
        if chance.random() < IN_TROUBLE:
            for _ in range(chance.randint(1, 3)):
                who = chance.choice([name for name in INSTRUMENTS if answers.get(name)])
                serial_line = who == "switchboard" and self._board in ON_A_SERIAL_LINE
                left_out = NOT_ON_A_SERIAL_LINE if serial_line else ()
                kind = chance.choice([one for one in KINDS if one not in left_out])
                troubles.append(f"{who} {kind} after {chance.randrange(answers[who])}")
        self._transcript.unlink(missing_ok=True)
        code, message = self.carry_out(serial, faults, troubles)
        return self._judge(serial, faults, troubles, code, message)

    def carry_out(self, serial: str, faults: Sequence[str], troubles: Sequence[str]) -> tuple[int, str]:
        """Run a unit with these faults on the bench with these troubles; the exit code and what it said."""
        self._standing.by_hand(unit=serial, faults=list(faults))
        for trouble in troubles:
            self._standing.trouble(trouble)
        code, message = self._run(serial, *(("--transcript", str(self._transcript)) if self._keep else ()))
        self._standing.trouble("none")
        return code, message

    def _run(self, serial: str, *more: str) -> tuple[int, str]:
        """Carry out a run within this process; its exit code and what it said."""
        place = ("--bench", str(self._standing.bench_file), "--records", str(self.records))
        message = io.StringIO()
        with contextlib.redirect_stdout(message), contextlib.redirect_stderr(message):
            try:
                switchwalk(["run", str(self._job), "--serial", serial, "--json", *place, *more])
                code = 0
            except SystemExit as ended:
                code = int(ended.code or 0)
        return code, message.getvalue()

    def _judge(self, serial: str, faults: list[str], troubles: list[str], code: int, message: str) -> Done:
        about = f"{serial} ({', '.join(faults) or 'good'}; {', '.join(troubles) or 'no trouble'})"
        wrong = []
        with open_records(self.records, read_only=True) as store:
            result = store.runs(serial=serial)
            readings = store.readings(result[0].run_id) if result else []
            events = store.events(result[0].run_id) if result else []
        outcome = result[0].outcome if result else "not begun"
        lost = [
            reading for reading in readings if any(isinstance(fact, LostToBench) for fact in reading.facts)
        ]
        right = "fail" if faults else "pass"
        excused = bool(troubles) or self._left_unsafe  # an instrument may still be at the run before
        if outcome != right and not (excused and outcome in ("stopped", "not begun") and code == 4):
            wrong.append(f"{about}: {outcome}, exit {code}: {' '.join(message[-300:].split())}")
        if not faults:
            not_passed = [
                _told(reading) for reading in readings if reading.verdict != "pass" and reading not in lost
            ]
            wrong += [f"{about}: a good unit's {one}" for one in not_passed]
        if "Traceback" in message:
            wrong.append(f"{about}: {message[-2000:]}")
        not_safe = self._left_unsafe = "NOT SAFE" in message
        left_on = not not_safe and bool(self._left_on())
        if left_on:
            wrong.append(f"{about}: left on without a word")
        if wrong and self._keep is not None:
            self._keep_run(serial, [*wrong, message, *map(str, events)], readings)
        pids = (os.getpid(), self._standing.pid)
        return Done(
            serial=serial,
            faulty=bool(faults),
            troubles=len(troubles),
            outcome=outcome,
            readings=len(readings) - len(lost),
            missing=len(lost),
            not_safe=not_safe,
            left_on=left_on,
            wrong=tuple(wrong),
            memory_kb=(_memory_kb(pids[0]), _memory_kb(pids[1])),
            descriptors=(_descriptors(pids[0]), _descriptors(pids[1])),
        )

    def _keep_run(self, serial: str, message: list[str], readings: list[Reading]) -> None:
        assert self._keep is not None
        place = self._keep / serial
        place.mkdir(parents=True, exist_ok=True)
        (place / "said.txt").write_text("\n".join(message) + "\n", encoding="utf-8")
        lines = (json.dumps(asdict(reading)) + "\n" for reading in readings)
        (place / "readings.jsonl").write_text("".join(lines), encoding="utf-8")
        if self._transcript.exists():
            shutil.copy(self._transcript, place / "transcript.jsonl")

    def _left_on(self) -> list[str]:
        """What is on; a relay board that speaks no SCPI is not asked, and the supply of its relays is."""
        asked = ("generator", "supply") if self._board in ON_A_SERIAL_LINE else ()
        return self._standing.left_on(*asked)

    def close(self) -> Closed:
        """Read every entry of the records again."""
        with open_records(self.records, read_only=True) as store:
            result = store.verify()
        return Closed(
            entries=result.entries,
            findings=len(result.findings),
            records_bytes=self.records.stat().st_size,
        )


def _told(one: Reading) -> str:
    return (
        f"{one.key} is {one.verdict}: {one.estimate} {one.unit}, limits {one.limit_low} to {one.limit_high}; "
        f"{one.reason}"
    )


def _memory_kb(pid: int) -> int:
    text = Path(f"/proc/{pid}/status").read_text("ascii")
    return next(int(line.split()[1]) for line in text.splitlines() if line.startswith("VmRSS"))


def _descriptors(pid: int) -> int:
    return len(os.listdir(f"/proc/{pid}/fd"))


def plan_once() -> None:
    """Let the runs of this process share their plan, as those of a batch do: the job is the same."""
    made: dict[Path | None, PlannedJob] = {}

    def once(job: Job, bench_file: Path | None, *, through: bool = True) -> PlannedJob:
        if bench_file not in made:
            made[bench_file] = planned_job.plan_job(job, bench_file, through=through)
        return made[bench_file]

    open_bench.plan_job = once  # type: ignore[attr-defined]  # as it names it: each lane plans once


def share_job_and_leave_out_pages() -> None:
    """Let the runs of this process share their plan and the reading of their job, and write no pages.

    A page and the diagnosis on it come after the verdict, and cost more than the run.
    """
    plan_once()
    read: list[Job] = []

    def read_once(*folder: Path | None, **files: Path | None) -> Job:
        if not read:
            read.append(planned_job.read_job(*folder, **files))  # type: ignore[arg-type]
        return read[0]

    run_command.read_job = read_once  # type: ignore[attr-defined]  # as it names it
    run_command.Reporter = NoPages  # type: ignore[attr-defined]


class NoPages(Reporter):
    """In place of what explains runs and writes their pages."""

    def write(self, run_id: int) -> RunReport:
        """Nothing."""
        return RunReport(page=Path(f"run-{run_id}.html"), result=None)

    @contextlib.contextmanager
    def helped(self) -> Iterator[None]:
        """Without a second process."""
        yield


def coarsen(bench_file: Path) -> None:
    """Give a simulated bench a scope with a memory of 4000 samples, an eighth of what runs ask for."""
    profile = (ROOT / "drivers" / "profiles" / "preamble-oscilloscope.toml").read_text("utf-8")
    own = profile.replace("record_length_max = 1_000_000", "record_length_max = 4000")
    (bench_file.parent / "short-memory.toml").write_text(own, encoding="utf-8")
    bench = bench_file.read_text("utf-8").replace('"preamble-oscilloscope"', '"short-memory"')
    bench_file.write_text(bench, encoding="utf-8")


def run_lane(folder: Path, *, first: int, step: int, board: str, seed: int, keep: Path | None = None) -> None:
    """Run units `first`, `first + step`, … until standard input closes."""
    job = folder / "job"
    shutil.copytree(ROOT / "sequences" / "two_loop_switcher", job)
    (job / "sequence.toml").write_text(SEQUENCE, encoding="utf-8")
    plan_once()
    with standing_bench(job, switchboard=board) as standing:
        lane = Lane(folder, job, standing, seed=seed, board=board, keep=keep)
        answers = lane.learn()
        number = first
        while not select.select([sys.stdin], [], [], 0.0)[0]:
            print(json.dumps(asdict(lane.one(number, answers))), flush=True)
            number += step
        print(json.dumps(asdict(lane.close())), flush=True)
