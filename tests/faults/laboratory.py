"""The two-loop switcher on a bench in memory, and what diagnoses it: made once for every test that asks."""

from pathlib import Path

from benchmarks.simulated_runs import Bench
from harness.circuit.elements import BenchImpedances
from harness.faults.diagnosis import Diagnoser, Diagnosis, telling
from harness.faults.evidence import Evidence
from harness.job.faults import ONE_RESISTANCE_OHM, parse_fault, single_faults
from harness.job.job import load_job
from harness.plan.build import build_plan

SWITCHER = Path(__file__).parents[2] / "sequences" / "two_loop_switcher"
IMPEDANCES = BenchImpedances()
SEED = 7


class Laboratory:
    """Its job, its plan, one bench, and diagnosers: of whole runs, and of those that over-current stopped."""

    def __init__(self) -> None:
        self.job = load_job(SWITCHER)
        self.plan = build_plan(self.job, impedances=IMPEDANCES)
        self.bench = Bench(self.job, self.plan, seed=SEED)
        self.faults = single_faults(self.job.module, self.job.fixture, contact_ohm=ONE_RESISTANCE_OHM)
        self.diagnoser = Diagnoser(self.job, self.plan, telling(self.plan, self.job))
        self.stopped = Diagnoser(self.job, self.plan, ())
        self._evidence: dict[tuple[str, str], Evidence] = {}

    def evidence(self, names: str, serial: str = "T-1") -> Evidence:
        """What a unit with these faults shows; the same unit shows the same."""
        if (names, serial) not in self._evidence:
            faults = list(parse_fault(names, self.job.module, self.job.fixture)) if names else []
            self._evidence[names, serial] = self.bench.run(serial, faults).evidence
        return self._evidence[names, serial]

    def diagnose(self, evidence: Evidence, *, double: bool = True) -> Diagnosis:
        diagnoser = self.diagnoser if evidence.acquisitions else self.stopped
        return diagnoser.diagnose(evidence, double=double)
