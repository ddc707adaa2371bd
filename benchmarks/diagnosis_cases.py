"""Units with known faults, each measured in memory and diagnosed: one case, wherever it is worked out."""

import time
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from benchmarks.simulated_runs import Bench, InMemory, Strays
from harness.circuit.elements import BenchImpedances
from harness.faults.diagnosis import Diagnoser, Diagnosis, telling
from harness.job.faults import Fault, parse_fault
from harness.job.job import load_job
from harness.plan.build import build_plan

SEQUENCES = Path(__file__).resolve().parents[1] / "sequences"
JOB = SEQUENCES / "two_loop_switcher"
SEED = 20261125


@dataclass(frozen=True, kw_only=True)
class Case:
    """What became of one unit: the place of the group that holds its faults, if any does."""

    name: str
    verdict: str
    place: int | None
    size: int
    good: bool
    explained: bool
    seconds: float

    @property
    def detected(self) -> bool:
        return self.verdict == "fail" or not self.good


def key(fault: Fault) -> tuple[object, ...]:
    """A fault but for the resistance of a bad contact, which is fitted and not predicted."""
    return fault.kind, fault.subject, fault.channel, fault.leg, fault.throw, fault.other


def case_of(name: str, verdict: str, faults: list[Fault], result: Diagnosis, seconds: float) -> Case:
    wanted = {key(fault) for fault in faults}
    places = [
        index
        for index, group in enumerate(result.groups)
        if any({key(fault) for fault in fault_set} == wanted for fault_set in group.fault_sets)
    ]
    return Case(
        name=name,
        verdict=verdict,
        place=places[0] if places else None,
        size=len(result.groups[0].fault_sets) if result.groups else 0,
        good=result.says_good,
        explained=result.explained,
        seconds=seconds,
    )


class Laboratory:
    """A job on a bench in memory, and what diagnoses it. strays: what draws those of a unit."""

    def __init__(self, job: str, *, strays: Strays | None) -> None:
        self.job = load_job(SEQUENCES / job)
        self.plan = build_plan(self.job, impedances=BenchImpedances())
        self.bench = Bench(self.job, self.plan, seed=SEED, strays=strays)
        full = telling(self.plan, self.job)
        self._full = Diagnoser(self.job, self.plan, full)
        self._stopped = Diagnoser(self.job, self.plan, ())

    def diagnose(self, serial: str, faults: list[Fault]) -> Case:
        run: InMemory = self.bench.run(serial, faults)
        start = time.perf_counter()
        diagnoser = self._full if run.evidence.acquisitions else self._stopped
        result = diagnoser.diagnose(run.evidence)
        name = " + ".join(fault.name for fault in faults) or "good"
        return case_of(name, run.verdict, faults, result, time.perf_counter() - start)


@cache
def laboratory(job: str = JOB.name, strays: Strays | None = None) -> Laboratory:
    """One of a kind for each process; every one is like every other of its kind."""
    return Laboratory(job, strays=strays)


def diagnose_unit(serial: str, names: str, job: str = JOB.name, strays: Strays | None = None) -> Case:
    """One unit with faults of these names, joined by ` + `; good where there are none."""
    made = laboratory(job, strays)
    faults = parse_fault(names, made.job.module, made.job.fixture) if names else ()
    return made.diagnose(serial, list(faults))
