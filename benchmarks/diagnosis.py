"""Whether `switchwalk diagnose` names the fault: every single one, random pairs, and good units.

Run it as `python benchmarks/diagnosis.py`; `--quick` takes every tenth, `--workers ADDRESS` a cluster's help.
Units are the simulator's, each with tolerances of its own, on a bench with errors of its own; most are
measured in memory, some by whole runs.
A fault counts as detected where the run fails, or a good unit isn't the best explanation.
"""

import argparse
import os
import random
import subprocess
import sys
import time
from collections.abc import Sequence
from concurrent.futures import Executor
from pathlib import Path
from tempfile import TemporaryDirectory

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.diagnosis_cases import JOB, SEED, Case, case_of, diagnose_unit
from harness.cli.coverage import cluster
from harness.job.faults import Fault, single_faults
from harness.job.job import load_job
from harness.records.store import open_records
from harness.report.run_report import Diagnosed, read_recorded

PAIRS, GOOD_UNITS, WHOLE = 200, 50, 12


def diagnose_units(units: Sequence[tuple[str, str]], executor: Executor | None) -> list[Case]:
    """Each unit, by serial and names of faults; here, or by an executor's workers, with the same results."""
    serials, names = [serial for serial, _ in units], [name for _, name in units]
    done = (
        map(diagnose_unit, serials, names)
        if executor is None
        else executor.map(diagnose_unit, serials, names)
    )
    cases = []
    for serial, case in zip(serials, done, strict=True):
        print(f"{serial:6s} place {case.place} {case.name}", file=sys.stderr, flush=True)
        cases.append(case)
    return cases


def whole_run(fault: Fault, serial: str, folder: Path) -> Case:
    """The same by `switchwalk run --simulate`: wires, sampling, fits, records."""
    place = folder / f"{serial}.sqlite"
    command = [sys.executable, "-m", "harness.cli", "run", str(JOB), "--serial", serial, "--simulate"]
    command += ["--speed", "20", "--fault", fault.name, "--records", str(place), "--json"]
    subprocess.run(command, check=False, capture_output=True, cwd=JOB.parents[1])
    with open_records(place, read_only=True) as store:
        record = store.run(1)
        recorded = read_recorded(store, record)
    start = time.perf_counter()
    result = Diagnosed(recorded, double=True).result
    return case_of(fault.name, record.outcome, [fault], result, time.perf_counter() - start)


def share(count: int, total: int) -> str:
    return f"{count:4d} of {total:4d}  {100 * count / max(total, 1):6.1f} %"


def print_singles(title: str, cases: list[Case]) -> None:
    detected = [case for case in cases if case.detected]
    first = sum(case.place == 0 for case in detected)
    three = sum(case.place is not None and case.place < 3 for case in detected)
    print(f"\n{title}")
    print(f"  detected                           {share(len(detected), len(cases))}")
    failing = sum(case.verdict == "fail" for case in detected)
    print(f"    of these by a failing reading    {share(failing, len(detected))}")
    print(f"  fault's group first, of detected   {share(first, len(detected))}")
    print(f"  in the first three, of detected    {share(three, len(detected))}")
    print(f"  fits within the uncertainties      {share(sum(c.explained for c in detected), len(detected))}")
    alone = sum(case.place == 0 and case.size == 1 for case in detected)
    print(f"  first and alone in its group       {share(alone, len(detected))}")
    print(f"  seconds each, mean                 {sum(c.seconds for c in cases) / max(len(cases), 1):.2f}")
    for case in cases:
        if not case.detected:
            print(f"    not detected: {case.name}")
        elif case.place != 0:
            print(f"    place {case.place}: {case.name}")


def print_pairs(cases: list[Case]) -> None:
    print("\nRandom double faults, in memory")
    print(f"  both named in the first group      {share(sum(c.place == 0 for c in cases), len(cases))}")
    three = sum(case.place is not None and case.place < 3 for case in cases)
    print(f"  both named in the first three      {share(three, len(cases))}")
    print(f"  seconds each, mean                 {sum(c.seconds for c in cases) / max(len(cases), 1):.2f}")
    for case in cases:
        if case.place != 0:
            print(f"    place {case.place}: {case.name} ({case.verdict})")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="every tenth fault, pair and good unit")
    parser.add_argument("--workers", metavar="ADDRESS", help="share the work with a Dask cluster's scheduler")
    given = parser.parse_args()
    with cluster(given.workers) as executor:
        experiment(10 if given.quick else 1, executor)


def experiment(step: int, executor: Executor | None) -> None:
    """Print the tables; of every list each `step`th."""
    job = load_job(JOB)
    faults = list(single_faults(job.module, job.fixture))
    print(f"{JOB.name}: {len(faults)} single faults, seed {SEED}", flush=True)
    singles = diagnose_units([(f"S{n}", faults[n].name) for n in range(0, len(faults), step)], executor)
    print_singles("Every single fault, in memory", singles)
    hard = [case for case in singles if not case.name.endswith("ohm")]
    print_singles("Of these, all but resistive contacts", hard)
    sys.stdout.flush()
    rng = random.Random(SEED)
    chosen: list[str] = []
    while len(chosen) < PAIRS // step:
        one, other = rng.sample(faults, 2)
        if one.subject != other.subject:
            chosen.append(f"{one.name} + {other.name}")
    print_pairs(diagnose_units([(f"P{n}", names) for n, names in enumerate(chosen)], executor))
    good = diagnose_units([(f"H{n}", "") for n in range(GOOD_UNITS // step)], executor)
    print("\nGood units, in memory")
    print(f"  no false alarm                     {share(sum(c.good for c in good), len(good))}")
    sys.stdout.flush()
    few = rng.sample(faults, max(2, WHOLE // step))
    with TemporaryDirectory() as folder:
        whole = [whole_run(fault, f"W{n}", Path(folder)) for n, fault in enumerate(few)]
    print_singles("Whole runs by wire, sampled", whole)


if __name__ == "__main__":
    main()
