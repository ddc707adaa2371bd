"""Whether `switchwalk diagnose` names the fault: every single one, random pairs, and healthy units.

Run it as `python benchmarks/diagnosis.py`; `--quick` takes every tenth. Units are the simulator's, each with
tolerances of its own, on a bench with errors of its own; most are measured in memory, some by whole runs.
A fault counts as detected where the run fails, or a sound unit isn't the best explanation.
"""

import argparse
import os
import random
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.simulated_runs import Bench, InMemory
from harness.circuit.elements import BenchImpedances
from harness.descriptions.faults import Fault, single_faults
from harness.descriptions.load import load_job
from harness.faults.diagnosis import Diagnoser, Diagnosis, telling
from harness.plan.build import build_plan
from harness.records.store import open_records
from harness.workbench.diagnosed import Diagnosed, read_recorded

JOB = Path(__file__).resolve().parents[1] / "sequences" / "two_loop_switcher"
PAIRS, HEALTHY, WHOLE = 200, 50, 12
SEED = 20261125


@dataclass(frozen=True, kw_only=True)
class Case:
    """What became of one unit: the place of the group that holds its faults, if any does."""

    name: str
    verdict: str
    place: int | None
    size: int
    healthy: bool
    explained: bool
    seconds: float

    @property
    def detected(self) -> bool:
        return self.verdict == "fail" or not self.healthy


def key(fault: Fault) -> tuple[object, ...]:
    """A fault but for the resistance of a bad contact, which is found and not foretold."""
    return fault.kind, fault.subject, fault.channel, fault.leg, fault.throw, fault.other


def case_of(name: str, verdict: str, faults: list[Fault], found: Diagnosis, seconds: float) -> Case:
    wanted = {key(fault) for fault in faults}
    places = [
        place
        for place, group in enumerate(found.groups)
        if any({key(fault) for fault in suspect} == wanted for suspect in group.suspects)
    ]
    return Case(
        name=name,
        verdict=verdict,
        place=places[0] if places else None,
        size=len(found.groups[0].suspects) if found.groups else 0,
        healthy=found.says_healthy,
        explained=found.explained,
        seconds=seconds,
    )


class Laboratory:
    """The job on a bench in memory, and what diagnoses it."""

    def __init__(self) -> None:
        self.job = load_job(JOB)
        impedances = BenchImpedances()
        self.plan = build_plan(self.job, impedances=impedances)
        self.bench = Bench(self.job, self.plan, seed=SEED)
        full = telling(self.plan, self.job)
        self._full = Diagnoser(self.job, self.plan, full, impedances=impedances)
        self._stopped = Diagnoser(self.job, self.plan, (), impedances=impedances)
        self.faults = list(single_faults(self.job.module, self.job.fixture))

    def diagnose(self, serial: str, faults: list[Fault]) -> Case:
        run: InMemory = self.bench.run(serial, faults)
        start = time.perf_counter()
        diagnoser = self._full if run.evidence.acquisitions else self._stopped
        found = diagnoser.diagnose(run.evidence)
        name = " + ".join(fault.name for fault in faults) or "healthy"
        case = case_of(name, run.verdict, faults, found, time.perf_counter() - start)
        print(f"{serial:6s} place {case.place} {name}", file=sys.stderr, flush=True)
        return case


def whole_run(laboratory: Laboratory, fault: Fault, serial: str, folder: Path) -> Case:
    """The same by `switchwalk run --simulate`: wires, sampling, fits, records."""
    place = folder / f"{serial}.sqlite"
    command = [sys.executable, "-m", "harness.cli", "run", str(JOB), "--serial", serial, "--simulate"]
    command += ["--hasten", "20", "--fault", fault.name, "--records", str(place), "--json"]
    subprocess.run(command, check=False, capture_output=True, cwd=JOB.parents[1])
    with open_records(place, read_only=True) as store:
        record = store.run(1)
        recorded = read_recorded(store, record)
    start = time.perf_counter()
    found = Diagnosed(recorded, double=True).found
    return case_of(fault.name, record.outcome, [fault], found, time.perf_counter() - start)


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
    parser.add_argument("--quick", action="store_true", help="every tenth fault, pair and healthy unit")
    step = 10 if parser.parse_args().quick else 1
    laboratory = Laboratory()
    faults = laboratory.faults
    print(f"{JOB.name}: {len(faults)} single faults, seed {SEED}", flush=True)
    singles = [laboratory.diagnose(f"S{n}", [faults[n]]) for n in range(0, len(faults), step)]
    print_singles("Every single fault, in memory", singles)
    hard = [case for case in singles if not case.name.endswith("ohm")]
    print_singles("Of these, all but resistive contacts", hard)
    sys.stdout.flush()
    rng = random.Random(SEED)
    chosen: list[list[Fault]] = []
    while len(chosen) < PAIRS // step:
        pair = rng.sample(faults, 2)
        if pair[0].subject != pair[1].subject:
            chosen.append(pair)
    print_pairs([laboratory.diagnose(f"P{n}", pair) for n, pair in enumerate(chosen)])
    sound = [laboratory.diagnose(f"H{n}", []) for n in range(HEALTHY // step)]
    print("\nHealthy units, in memory")
    print(f"  no false alarm                     {share(sum(c.healthy for c in sound), len(sound))}")
    sys.stdout.flush()
    few = rng.sample(faults, max(2, WHOLE // step))
    with TemporaryDirectory() as folder:
        whole = [whole_run(laboratory, fault, f"W{n}", Path(folder)) for n, fault in enumerate(few)]
    print_singles("Whole runs by wire, sampled", whole)


if __name__ == "__main__":
    main()
