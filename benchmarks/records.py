"""How quick the records are at many readings, and how much four benches may write at once.

Fills a SQLite file and, where a server can be started, a PostgreSQL database with invented runs, and makes
two real ones there on the simulated bench; then times the commands as processes of their own, each the best
of three.

    python benchmarks/records.py [--runs 100] [--readings 1000] [--place FILE_OR_URL]

A million readings (--runs 1000) take a quarter of an hour, half of which the filling takes. With --place,
records that are there already are used as they are, and an empty place is filled and kept.
"""

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.invented_runs import (
    APPRAISERS,
    BATCHES,
    BENCHES,
    GOLDEN,
    STUDIED,
    STUDY,
    fill,
)
from harness.records.store import open_records
from tests.records.postgresql_server import INSTALL, find_program, postgresql_server

ROOT = Path(__file__).resolve().parents[1]
BENCH_SECONDS = 10.0
TIMES = 3
SLOW_S = 5.0  # what takes longer is timed once
JOB = str(ROOT / "sequences" / "two_loop_switcher")
READING = "Route and gain: loop_a left.out 1 kHz"
SIMULATED = {"OB-PASS": (), "OB-FAIL": ("--fault", "K3 never operates")}
"""Units of the real runs, and what is wrong with them."""

LOOKUPS = """
import sys, time
from pathlib import Path
from harness.job.job import load_job
from harness.records.store import open_records
from harness.session.admission import admit
place, job, serial = sys.argv[1], load_job(Path(sys.argv[2])), sys.argv[3]
begun = time.perf_counter()
with open_records(place) as store:
    admit(store, job, serial, simulated=False, who=None, again="as asked", override="")
    store.latest_reference(job.bench.name, simulated=False)
print(time.perf_counter() - begun)
"""
"""What `run` and `batch` ask of the records before a unit is tested."""


def make_real_runs(place: str, folder: Path) -> dict[str, int]:
    """Test two units on the simulated bench where that is not yet done; gives the run of each."""
    for serial, faults in SIMULATED.items():
        if _run_of(place, serial) is None:
            asked = ["run", JOB, "--serial", serial, "--simulate", "--speed", "10", *faults]
            message = subprocess.run(
                command([*asked, "--records", place]), stdout=subprocess.DEVNULL, cwd=folder, check=False
            )
            if message.returncode not in (0, 1):
                raise SystemExit(f"the run of {serial} ended with exit code {message.returncode}")
    return {serial: _run_of(place, serial) or 0 for serial in SIMULATED}


def _run_of(place: str, serial: str) -> int | None:
    with open_records(place, read_only=True) as store:
        return next((line.run_id for line in store.lines(serial=serial)), None)


def command(arguments: list[str]) -> list[str]:
    """As a process of its own."""
    return [sys.executable, "-m", "harness.cli", *arguments]


def commands(place: str, made: dict[str, int], folder: Path) -> Iterator[tuple[str, list[str]]]:
    """What is timed, in words and as a command."""
    with open_records(place, read_only=True) as store:
        lines = [line for line in store.lines(simulated=False) if line.purpose == ""]
    units = len({line.serial for line in lines})
    line = lines[len(lines) // 2]
    middle, serial = str(line.run_id), line.serial
    one, every = ["--reading", READING], ["--last", str(units)]
    passed, failed = map(str, made.values())
    study = ["--units", ",".join(STUDIED), "--operators", ",".join(APPRAISERS), "--batch", STUDY]
    for words, *arguments in (
        (f"units (more than {units})", "units"),
        ("units --json", "units", "--json"),
        ("units SERIAL", "units", serial),
        ("units SERIAL --json", "units", serial, "--json"),
        ("units GOLDEN, with all its runs", "units", GOLDEN),
        ("show RUN", "show", middle),
        ("show RUN --all", "show", middle, "--all"),
        ("show GOLDEN's RUN", "show", "11"),
        ("export RUN, csv", "export", middle, "--format", "csv", "--out", str(folder / "run.csv")),
        ("trends (latest 100 units)", "trends"),
        ("trends --json", "trends", "--json"),
        ("trends, one reading", "trends", *one),
        (f"trends, all {units} units", "trends", *every),
        (f"trends --json, all {units} units", "trends", "--json", *every),
        (f"trends, one reading, all {units} units", "trends", *every, *one),
        ("trends, a batch against another", "trends", "--batch", BATCHES[1], "--against-batch", BATCHES[0]),
        ("trends --golden", "trends", "--golden", GOLDEN),
        ("gauge --from-records", "gauge", JOB, *study, "--from-records"),
        ("report RUN, that passed", "report", passed),
        ("report RUN, that failed", "report", failed),
        ("diagnose RUN", "diagnose", failed),
        ("certificate RUN", "certificate", passed, "--out", str(folder / "certificate.html")),
        ("certificate of an early RUN", "certificate", middle, "--out", str(folder / "certificate.html")),
        ("verify RUN", "verify", middle),
        ("verify", "verify"),
    ):
        yield words, [*arguments, "--records", place]


def best_s(arguments: list[str], times: int, folder: Path) -> tuple[float, float]:
    """The best wall time of a command as a process of its own, and its best processor time.

    The second stays about the same on a busy machine; a server's own part is not in it.
    """
    wall = processor = float("inf")
    for _ in range(times):
        begun, used = time.perf_counter(), _children_s()
        done = subprocess.run(command(arguments), stdout=subprocess.DEVNULL, cwd=folder, check=False)
        if done.returncode not in (0, 1):
            raise SystemExit(f"{' '.join(arguments)} ended with exit code {done.returncode}")
        wall = min(wall, time.perf_counter() - begun)
        processor = min(processor, _children_s() - used)
        if wall > SLOW_S:
            break
    return wall, processor


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def lookups_s(place: str) -> float:
    """How long what is asked before a run takes, of a unit that has been run."""
    with open_records(place, read_only=True) as store:
        serial = store.lines(simulated=False)[-1].serial
    asked = [sys.executable, "-c", LOOKUPS, place, JOB, serial]
    return min(float(subprocess.check_output(asked, cwd=ROOT)) for _ in range(TIMES))


BENCH = """
import sys, time
import numpy as np
from benchmarks.invented_runs import header, invented_readings
from harness.records.store import open_records
place, number, seconds = sys.argv[1], int(sys.argv[2]), float(sys.argv[3])
rng = np.random.default_rng(number)
worst = count = 0
with open_records(place) as store:
    run = store.begin(header(number, 1000, 0))
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        readings = invented_readings(4, rng)
        begun = time.monotonic()
        store.add_readings(run, readings)
        worst, count = max(worst, time.monotonic() - begun), count + 1
    store.finish(run, "stopped", "", header(number, 1000, 0).started)
print(count, worst)
"""


def write_at_once(place: str, benches: int) -> list[tuple[int, float]]:
    """Let benches commit four readings at a time as fast as they can: commits and longest wait of each."""
    running = [
        subprocess.Popen(
            [sys.executable, "-c", BENCH, place, str(number), str(BENCH_SECONDS)],
            stdout=subprocess.PIPE, text=True, cwd=ROOT,
        )
        for number in range(benches)
    ]  # fmt: skip
    message = [one.communicate()[0].split() for one in running]
    return [(int(count), float(worst)) for count, worst in message]


def measure(name: str, place: str, runs: int, readings: int, *, only: str) -> None:
    """Fill a place and print its table. only: what is timed has this in its words."""
    print(name)
    took = fill(place, runs, readings)
    if took is not None:
        print(f"  filled with {runs} runs of {readings} readings in {took:.0f} s", flush=True)
    with tempfile.TemporaryDirectory(prefix="switchwalk-") as scratch:
        folder = Path(scratch)
        made = make_real_runs(place, folder)
        print(f"  {'':<40} {'wall':>8}   {'processor':>8}")
        for words, arguments in commands(place, made, folder):
            if only in words:
                wall, processor = best_s(arguments, TIMES, folder)
                print(f"  {words:<40} {wall:6.2f} s   {processor:6.2f} s", flush=True)
    print(f"  {'what is asked before a run':<40} {lookups_s(place):6.2f} s", flush=True)


def measure_writing(name: str, place: str) -> None:
    """Print how much one bench and four benches may write."""
    for benches in (1, BENCHES):
        result = write_at_once(place, benches)
        counts = sorted(count for count, _ in result)
        print(
            f"  {name}, {benches} bench(es): {sum(counts) / BENCH_SECONDS:5.0f} commits/s of 4 readings "
            f"({counts[0]} to {counts[-1]} of each bench), "
            f"longest {max(worst for _, worst in result):.2f} s"
        )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--readings", type=int, default=1000)
    parser.add_argument("--place", default="")
    parser.add_argument("--only", default="", help="time only what has this in its words, such as trends")
    parser.add_argument("--writing", action="store_true", help="with --place: let benches write there too")
    asked = parser.parse_args()
    if asked.place:
        measure(asked.place.rpartition("@")[2], asked.place, asked.runs, asked.readings, only=asked.only)
        if asked.writing:
            measure_writing("here", asked.place)
        return
    with tempfile.TemporaryDirectory(prefix="switchwalk-") as folder:
        place = str(Path(folder) / "records.sqlite")
        measure("SQLite", place, asked.runs, asked.readings, only=asked.only)
        measure_writing("SQLite", place)
    if find_program("initdb") is None:
        print(f"PostgreSQL: not measured. {INSTALL}")
        return
    with postgresql_server(durable=True) as server:
        place = server.new_place()
        measure("PostgreSQL", place, asked.runs, asked.readings, only=asked.only)
        measure_writing("PostgreSQL", place)


if __name__ == "__main__":
    main()
