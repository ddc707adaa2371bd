"""A simulated bench that outlives the runs on it, a short job for it, and a look at it by bare sockets."""

import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from drivers.claim import LeftOnMarker
from drivers.safe_end import ROLES
from harness.reading import Reading, ReadingKey
from harness.records.store import open_records
from tests.jobs import RELAY_CURRENT, ROUTE_AND_GAIN, check_of, job_in, sequence

ROOT = Path(__file__).resolve().parents[2]
CHANNELS = 16
SPEED = 20.0

CHANNELS_ALIKE = check_of("channel_gain_difference", name="Channels alike", between=["-20 dB", "20 dB"])


_TINY_CHECKS = (ROUTE_AND_GAIN, CHANNELS_ALIKE, RELAY_CURRENT)
_TINY_STATES = ("idle", "loop_a")
TINY = sequence(*_TINY_CHECKS, states=_TINY_STATES, name="Tiny")
SERIAL_PATTERN = "OB-[0-9]{4}"


def tiny_job(folder: Path, **keys: Any) -> Path:
    """The two-loop switcher in two states, with a reading that needs two setups. keys: as in `job_in`."""
    return job_in(folder / "tiny", *_TINY_CHECKS, states=_TINY_STATES, name="Tiny", **keys)


def smaller_job(folder: Path) -> Path:
    """The same in one state: two readings, one of which needs two setups."""
    return job_in(folder / "smaller", CHANNELS_ALIKE, RELAY_CURRENT, states=["loop_a"], name="Tiny")


class Wire:
    """A bare connection to one SCPI instrument."""

    def __init__(self, address: str) -> None:
        port = int(address.split("::")[2])
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=10)
        self._lines = self._socket.makefile("rb")

    def ask(self, question: str) -> str:
        self._socket.sendall(question.encode() + b"\n")
        return self._lines.readline().decode().strip()

    def close(self) -> None:
        self._lines.close()
        self._socket.close()


@dataclass(frozen=True)
class StandingBench:
    """Where the simulator can be reached, and the bench file that says so."""

    bench_file: Path
    ready: dict[str, Any]
    pid: int

    def by_hand(self, **request: object) -> None:
        host, port = self.ready["control"].rsplit(":", 1)
        with socket.create_connection((host, int(port)), timeout=10) as link, link.makefile("rb") as lines:
            link.sendall(json.dumps(request).encode() + b"\n")
            answer = json.loads(lines.readline())
        assert answer == {"ok": True}, answer

    def trouble(self, text: str) -> None:
        self.by_hand(trouble=text)

    def left_on(self, *roles: str) -> list[str]:
        """What is on, of all or of these, as the instruments say on connections of their own."""
        on = []
        for role, questions in (
            ("generator", ("OUTPut1?", "OUTPut2?")),
            ("supply", ("MEASure:VOLTage?",)),
            ("switchboard", (f"ROUTe:CLOSe? (@{','.join(map(str, range(1, CHANNELS + 1)))})",)),
        ):
            if roles and role not in roles:
                continue
            wire = Wire(self.ready[role])
            for question in questions:
                if any(abs(float(answer)) >= 1.0 for answer in wire.ask(question).split(",")):
                    on.append(f"{role} {question}")
            wire.close()
        return on


@contextmanager
def standing_bench(job: Path, *options: str, switchboard: str = "route") -> Iterator[StandingBench]:
    """A simulator process; runs reach it by its bench file, and it stays when they are killed.

    What was left on goes with it, and so do its marks: another bench may have its addresses next.
    """
    bench_file = job.parent / "standing_bench.toml"
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "simulator", str(job), "--switchboard", switchboard),
            *("--speed", f"{SPEED:g}", "--bench-file", str(bench_file), *options),
        ],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        ready = json.loads(process.stdout.readline())
        try:
            yield StandingBench(bench_file, ready, process.pid)
        finally:
            for role in ROLES:
                LeftOnMarker(ready[role], instrument=role).remove()
    finally:
        process.communicate(timeout=10)


@dataclass
class Life:
    """One process that carries out a command line."""

    pid: int
    nursery: "Nursery"
    output: Path

    def kill(self) -> None:
        # Its nursery keeps it, dead or alive, until `ended` has heard of its end.
        os.kill(self.pid, signal.SIGKILL)

    def ended(self) -> int:
        """Its exit code, or minus the number of the signal that ended it."""
        code = int(self.nursery.read()["code"])
        self.nursery.write("")
        return code

    def message(self) -> str:
        return self.output.read_text(encoding="utf-8")


class Nursery:
    """A process that forks command lines; see tests/wire/nursery.py."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.wire.nursery"],
            cwd=ROOT,
            env=os.environ | {"COLUMNS": "200"},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.read() == {"ready": True}

    def read(self) -> dict[str, Any]:
        assert self._process.stdout is not None
        answer: dict[str, Any] = json.loads(self._process.stdout.readline())
        return answer

    def write(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()

    def begin(self, *arguments: str, befalls: tuple[int, str] | None = None) -> Life:
        request = {"arguments": arguments, "output": str(self._folder / "output.txt"), "befalls": befalls}
        self.write(json.dumps(request))
        return Life(int(self.read()["pid"]), self, self._folder / "output.txt")

    def run(self, *arguments: str, befalls: tuple[int, str] | None = None) -> tuple[int, str]:
        life = self.begin(*arguments, befalls=befalls)
        return life.ended(), life.message()

    def close(self) -> None:
        self._process.communicate(timeout=30)


@contextmanager
def nursery(folder: Path) -> Iterator[Nursery]:
    made = Nursery(folder)
    try:
        yield made
    finally:
        made.close()


@dataclass
class Bench:
    """A standing bench, somewhere to keep records, and processes to run on it."""

    folder: Path
    job: Path
    standing: StandingBench
    nursery: Nursery

    def with_records_in(self, folder: Path) -> "Bench":
        """The same bench, with records of their own."""
        return replace(self, folder=folder)

    def with_job(self, job: Path) -> "Bench":
        """The same bench, for another job."""
        return replace(self, job=job)

    @property
    def records(self) -> Path:
        return self.folder / "records.sqlite"

    def run_arguments(self, serial: str) -> tuple[str, ...]:
        place = ("--records", str(self.records))
        return ("run", str(self.job), "--serial", serial, "--bench", str(self.standing.bench_file), *place)

    def resume_arguments(self, run: int, serial: str) -> tuple[str, ...]:
        return ("resume", str(run), "--serial", serial, "--records", str(self.records))


def key(reading: Reading) -> ReadingKey:
    return reading.key


@dataclass(frozen=True)
class Kept:
    """A unit's run as the records have it; number 0, no readings and no outcome where there is none."""

    run: int = 0
    readings: tuple[Reading, ...] = ()
    outcome: str = ""


def look(bench: Bench, serial: str) -> Kept:
    """Look a unit's run up in the records, which must be whole: every page, and every entry of the ledger."""
    if not bench.records.exists():
        return Kept()
    with closing(sqlite3.connect(bench.records)) as plain:
        assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        if not plain.execute("SELECT * FROM sqlite_master").fetchall():
            return Kept()
    with open_records(bench.records, read_only=True) as store:
        runs = store.runs(serial=serial)
        assert len(runs) <= 1
        if not runs:
            return Kept()
        run = runs[0].run_id
        assert store.verify(run).findings == ()
        return Kept(run, tuple(store.readings(run)), runs[0].outcome)


def kept(bench: Bench, serial: str) -> tuple[int, list[Reading]]:
    """Number and readings of a unit's run."""
    result = look(bench, serial)
    return result.run, list(result.readings)
