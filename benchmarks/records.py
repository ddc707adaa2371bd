"""How quick the records are at many readings, and how much four benches may write at once.

Fills a SQLite file and, where a server can be started, a PostgreSQL database with invented runs; then times
the commands as processes of their own, each the best of three.

    python benchmarks/records.py [--runs 100] [--readings 1000] [--place FILE_OR_URL]

A million readings (--runs 1000) take twenty minutes, most of which the filling takes. With --place, records
that are there already are used as they are, and an empty place is filled and kept.
"""

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from sqlalchemy import Connection, update

from harness.reading import Contribution, Reading
from harness.records import rows, tables
from harness.records.adding import insert_rows
from harness.records.database import open_engine, writing
from harness.records.place import find_place
from harness.records.run import RunHeader
from harness.records.store import open_records
from tests.records.postgresql_server import INSTALL, find_program, postgresql_server

BENCHES = 4
BENCH_SECONDS = 10.0
RUNS_A_TRANSACTION = 50
FAILING = 0.0002  # of all readings
RETESTED = 20  # every so many-th unit is run again
STARTED = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
STATES = ("rest", "loop_a", "loop_b", "loop_a+loop_b", "swap", "loop_a+swap", "loop_b+swap", "all")
PORTS = ("out", "a_send", "b_send", "out.hot", "out.cold")
KINDS = (
    ("Route and gain", "gain", 1e3, "dB", -0.09, 0.004, -0.29, 0.11),
    ("Response, low", "gain", 20.0, "dB", -0.10, 0.005, -0.4, 0.2),
    ("Response, high", "gain", 20e3, "dB", -0.12, 0.006, -0.4, 0.2),
    ("Phase", "phase", 1e3, "deg", 0.2, 0.02, -1.0, 1.0),
    ("Polarity", "polarity", 1e3, "", 1.0, 0.0, 0.5, None),
    ("Crosstalk", "crosstalk", 10e3, "dB", -101.0, 0.8, None, -80.0),
    ("Common mode", "common_mode_rejection", 1e3, "dB", 71.0, 1.2, 50.0, None),
    ("Offset", "offset", None, "V", 2e-4, 5e-5, -2e-3, 2e-3),
    ("Click", "click", None, "V", 4e-3, 4e-4, None, 2e-2),
    ("Operate time", "operate_time", None, "s", 2.1e-3, 1e-4, None, 4e-3),
    ("Release time", "release_time", None, "s", 1.2e-3, 1e-4, None, 4e-3),
    ("Contacts", "resistance", None, "ohm", 0.11, 0.01, None, 0.25),
    ("Hum", "hum", 50.0, "dBu", -88.0, 0.7, None, -75.0),
)


def invented_readings(count: int, rng: np.random.Generator, *, first: int = 1) -> list[Reading]:
    """One healthy unit's readings."""
    return [
        _reading(number, float(deviation), first + number // 2)
        for number, deviation in enumerate(rng.normal(0.0, 1.0, count))
    ]


def _reading(number: int, deviation: float, acquisition: int) -> Reading:
    rest, state = divmod(number, len(STATES))
    rest, side = divmod(rest, 2)
    rest, port = divmod(rest, len(PORTS))
    check, quantity, frequency_hz, unit, value, sigma, low, high = KINDS[rest % len(KINDS)]
    channel = ("left", "right")[side]
    measured = value + sigma * deviation
    return Reading(
        check=check if rest < len(KINDS) else f"{check} {1 + rest // len(KINDS)}",
        quantity=quantity,
        state=STATES[state],
        channel=channel,
        port=PORTS[port],
        hookup=f"drive {channel}, view outputs",
        frequency_hz=frequency_hz,
        unit=unit,
        value=measured,
        standard=sigma / 3,
        low=measured - 2 * sigma / 3,
        high=measured + 2 * sigma / 3,
        coverage_factor=2.0,
        floor=check == "Crosstalk" and deviation < -1.0,
        expected=value,
        expected_standard=sigma,
        limit_low=low,
        limit_high=high,
        verdict="pass",
        reason="",
        budget=(
            Contribution(name="fit residual", standard=sigma / 6),
            Contribution(name="through reference", standard=sigma / 7),
            Contribution(name="gain accuracy", standard=sigma / 8),
        ),
        acquisitions=(acquisition,),
        route=f"{channel}.in > K1 > {channel}.a_send > key_a > {channel}.a_return > {channel}.out",
    )


def header(number: int, readings: int) -> RunHeader:
    """Of the so many-th run: units in their order, every twentieth run a second time."""
    unit = number - number // RETESTED
    return RunHeader(
        serial=f"OB-{unit:05d}",
        module_name="Two-loop line switcher",
        part="TLS-2",
        revision="B",
        sequence_name="Production test",
        decision="guarded",
        bench_name=f"Bench {1 + number % BENCHES}",
        operator="Ada",
        started=STARTED + timedelta(minutes=6 * number),
        software_version="0.1.0",
        simulated=False,
        notes="",
        instruments=(),
        files=(),
        planned_readings=readings,
    )


def fill(place: str, runs: int, readings: int) -> None:
    """Add invented runs, many in a transaction, with their ledger; nothing where there are any already."""
    with open_records(place) as store:
        if store.lines():
            return
    begun = time.perf_counter()
    rng = np.random.default_rng(6)
    invented = [rows.reading_to_row(one) for one in invented_readings(readings, rng)]
    found = find_place(place)
    engine = open_engine(found, read_only=False)
    for first in range(0, runs, RUNS_A_TRANSACTION):
        with writing(engine) as connection:
            for number in range(first, min(first + RUNS_A_TRANSACTION, runs)):
                _add_run(connection, number, invented, rng)
    engine.dispose()
    seconds = time.perf_counter() - begun
    print(f"  filled with {runs} runs of {readings} readings in {seconds:.0f} s", flush=True)


def _add_run(connection: Connection, number: int, invented: list[rows.Row], rng: np.random.Generator) -> None:
    """Each reading a little beside the invented one, and now and then one that fails."""
    begun = header(number, len(invented))
    (run,) = insert_rows(connection, tables.runs, [rows.header_to_row(begun)])
    failing = rng.random(len(invented)) < FAILING
    made = []
    for row, fails, deviation in zip(invented, failing, rng.normal(0.0, 1.0, len(invented)), strict=True):
        spread = row["expected_standard"]
        value = row["expected"] + spread * float(deviation)
        verdict = "fail" if fails else "pass"
        ends = {"low": value - 2 * row["standard"], "high": value + 2 * row["standard"]}
        made.append({**row, **ends, "run_id": run, "value": value, "verdict": verdict})
    insert_rows(connection, tables.readings, made)
    ended = rows.time_to_text(begun.started + timedelta(minutes=4))
    outcome = "fail" if failing.any() else "pass"
    event = {"run_id": run, "kind": "ended", "at": ended, "outcome": outcome, "text": ""}
    insert_rows(connection, tables.run_events, [event])
    connection.execute(
        update(tables.runs).where(tables.runs.c.id == run).values(outcome=outcome, ended=ended)
    )


def commands(place: str) -> Iterator[tuple[str, list[str]]]:
    """What is timed, in words and as a command."""
    with open_records(place, read_only=True) as store:
        lines = store.lines()
        units = len({line.serial for line in lines})
        middle = lines[len(lines) // 2].run_id
    here = ["--records", place]
    one = ["--reading", "Route and gain: loop_a left.out 1 kHz"]
    yield f"units ({units})", ["units", *here]
    yield "units --json", ["units", "--json", *here]
    yield "show RUN", ["show", str(middle), *here]
    yield "show RUN --all", ["show", str(middle), "--all", *here]
    out = str(Path(tempfile.gettempdir()) / "switchwalk-benchmark.csv")
    yield "export RUN, csv", ["export", str(middle), "--format", "csv", "--out", out, *here]
    yield "trends (latest 100 units)", ["trends", *here]
    yield "trends --json", ["trends", "--json", *here]
    yield "trends, one reading", ["trends", *one, *here]
    yield f"trends, all {units} units", ["trends", "--last", str(units), *here]
    yield f"trends, one reading, all {units} units", ["trends", "--last", str(units), *one, *here]
    yield "verify RUN", ["verify", str(middle), *here]
    yield "verify", ["verify", *here]


def best_s(arguments: list[str], times: int) -> tuple[float, float]:
    """The best wall time of a command as a process of its own, and its best processor time.

    The second stays about the same on a busy machine; a server's own part is not in it.
    """
    wall = processor = float("inf")
    for _ in range(times):
        begun, used = time.perf_counter(), _children_s()
        command = [sys.executable, "-m", "harness.cli", *arguments]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, cwd=Path(__file__).parents[1])
        wall = min(wall, time.perf_counter() - begun)
        processor = min(processor, _children_s() - used)
        if wall > 5.0:
            break
    return wall, processor


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


BENCH = """
import sys, time
import numpy as np
from benchmarks.records import header, invented_readings
from harness.records.store import open_records
place, number, until = sys.argv[1], int(sys.argv[2]), time.monotonic() + float(sys.argv[3])
rng = np.random.default_rng(number)
worst = count = 0
with open_records(place) as store:
    run = store.begin(header(number, 0))
    while time.monotonic() < until:
        readings = invented_readings(4, rng)
        begun = time.monotonic()
        store.add_readings(run, readings)
        worst, count = max(worst, time.monotonic() - begun), count + 1
    store.finish(run, "stopped", "", header(number, 0).started)
print(count, worst)
"""


def write_at_once(place: str, benches: int) -> list[tuple[int, float]]:
    """Let benches commit four readings at a time as fast as they can: commits and longest wait of each."""
    running = [
        subprocess.Popen(
            [sys.executable, "-c", BENCH, place, str(number), str(BENCH_SECONDS)],
            stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[1],
        )
        for number in range(benches)
    ]  # fmt: skip
    said = [one.communicate()[0].split() for one in running]
    return [(int(count), float(worst)) for count, worst in said]


def measure(name: str, place: str, runs: int, readings: int, *, whole: bool) -> None:
    """Fill a place and print its table."""
    print(name)
    fill(place, runs, readings)
    print(f"  {'':<40} {'wall':>8}   {'processor':>8}")
    for words, arguments in commands(place):
        if whole or words != "verify":
            wall, processor = best_s(arguments, 3)
            print(f"  {words:<40} {wall:6.2f} s   {processor:6.2f} s", flush=True)


def measure_writing(name: str, place: str) -> None:
    """Print how much one bench and four benches may write."""
    for benches in (1, BENCHES):
        found = write_at_once(place, benches)
        counts = sorted(count for count, _ in found)
        print(
            f"  {name}, {benches} bench(es): {sum(counts) / BENCH_SECONDS:5.0f} commits/s of 4 readings "
            f"({counts[0]} to {counts[-1]} of each bench), "
            f"longest {max(worst for _, worst in found):.2f} s"
        )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--readings", type=int, default=1000)
    parser.add_argument("--place", default="")
    parser.add_argument("--no-verify", dest="whole", action="store_false", help="leave out the whole verify")
    asked = parser.parse_args()
    if asked.place:
        measure(asked.place, asked.place, asked.runs, asked.readings, whole=asked.whole)
        return
    with tempfile.TemporaryDirectory(prefix="switchwalk-") as folder:
        place = str(Path(folder) / "records.sqlite")
        measure("SQLite", place, asked.runs, asked.readings, whole=asked.whole)
        measure_writing("SQLite", place)
    if find_program("initdb") is None:
        print(f"PostgreSQL: not measured. {INSTALL}")
        return
    with postgresql_server(durable=True) as server:
        place = server.new_place()
        measure("PostgreSQL", place, asked.runs, asked.readings, whole=asked.whole)
        measure_writing("PostgreSQL", place)


if __name__ == "__main__":
    main()
