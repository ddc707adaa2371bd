"""Whether good units pass every shipped job on simulated benches, all with values of their own.

`--memory 50`: so many units a job in memory, the steady quantities and the supply's current alone.
`--runs 5 --speed 20`: so many whole runs a job over the wires of a simulated bench. `--imperfection` as of
`switchwalk simulate`. Prints a line for each reading that did not pass, then a table.
"""

import argparse
import os
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.simulated_runs import Bench
from harness.circuit.elements import BenchImpedances
from harness.job.job import load_job
from harness.judge import unit_verdict
from harness.plan.build import build_plan
from harness.reading import Reading
from harness.records.store import open_records
from harness.report.words import reading_line
from harness.session.open_bench import at_bench
from harness.session.planned_job import read_job
from harness.session.request.header import RunRequest
from harness.session.simulated import Simulation
from harness.session.unit_run import UnitRun
from simulator.imperfections import parse_imperfections

JOBS = Path(__file__).resolve().parents[1] / "sequences"
Ended = Iterator[tuple[str, str, tuple[Reading, ...]]]  # serial, outcome, what did not pass


def in_memory(folder: Path, units: range, imperfections: Sequence[str]) -> Ended:
    """Each unit on a bench of its own.

    Coupling capacitance is left out: a run takes longer records for it than the phasors here stand for.
    """
    job = load_job(folder)
    plan = build_plan(job, impedances=BenchImpedances())
    for number in units:
        bench = Bench(
            job, plan, seed=number, lead_seed=number, imperfections=parse_imperfections(imperfections)
        )
        result = bench.run(f"G-{number:03d}", ())
        readings = result.not_passed
        counted = tuple(r for r in readings if r.key.measurand.quantity != "coupling_capacitance")
        yield f"G-{number:03d}", unit_verdict([r.verdict for r in counted] or ["pass"]), counted


def over_wires(folder: Path, units: range, imperfections: Sequence[str], speed: float) -> Ended:
    """Each unit in a whole run, on a bench of its own."""
    for number in units:
        serial = f"G-{number:03d}"
        simulation = Simulation(serial=serial, speed=speed, imperfections=imperfections, bench_seed=number)
        with (
            TemporaryDirectory() as place,
            at_bench(read_job(folder, None), simulation=simulation) as opened,
            open_records(Path(place) / "runs.sqlite") as store,
            opened,
            UnitRun.begin(opened, store, RunRequest(serial=serial)) as run,
        ):
            result = run.complete()
            yield serial, result.outcome, tuple(r for r in result.readings if r.verdict != "pass")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", nargs="+", default=[folder.name for folder in sorted(JOBS.iterdir())])
    parser.add_argument("--memory", type=int, default=0, help="units a job in memory")
    parser.add_argument("--runs", type=int, default=0, help="whole runs a job")
    parser.add_argument("--first", type=int, default=1, help="number of the first unit")
    parser.add_argument("--speed", type=float, default=20.0)
    parser.add_argument("--imperfection", action="append", default=[])
    given = parser.parse_args()
    lines = []
    for name in given.jobs:
        folder = JOBS / name
        for kind, count in (("in memory", given.memory), ("whole runs", given.runs)):
            if not count:
                continue
            units = range(given.first, given.first + count)
            start = time.perf_counter()
            ended = (
                in_memory(folder, units, given.imperfection)
                if kind == "in memory"
                else over_wires(folder, units, given.imperfection, given.speed)
            )
            outcomes: Counter[str] = Counter()
            for serial, outcome, readings in ended:
                outcomes[outcome] += 1
                print(f"{name} {serial}, {kind}: {outcome}", file=sys.stderr, flush=True)
                for reading in readings:
                    print(f"{name} {serial}: {reading_line(reading)} {reading.reason}", flush=True)
            seconds = (time.perf_counter() - start) / count
            counts = ", ".join(f"{times} {outcome}" for outcome, times in outcomes.most_common())
            lines.append(f"{name:20s} {kind:11s} {count:4d}: {counts}; {seconds:.1f} s each")
    print("\n".join(lines))


if __name__ == "__main__":
    main()
