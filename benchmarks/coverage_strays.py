"""Whether the shipped jobs see every single fault where strays are as on real benches.

Run it as `python benchmarks/coverage_strays.py`; `--units` draws so many sets of strays for each job. Every
fault is computed with the strays beside it, and its readings are judged as those of a run would be; faults
that are seen without strays and missed with some are named. Faults that only changes of state show are
left out.
"""

import argparse
import os
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.drawn_strays import draw_strays_apart
from benchmarks.simulated_runs import WITHOUT_STRAYS
from harness.circuit.elements import BenchImpedances, Couplings, pin_name
from harness.faults.coverage import hard_faults
from harness.faults.margins import SURE, margins_of
from harness.faults.signatures import batch_transfers, signatures
from harness.job.job import Job, load_job
from harness.plan.build import build_plan
from simulator import wiring
from simulator.faults import apply
from simulator.unit import build

SEQUENCES = Path(__file__).resolve().parents[1] / "sequences"
PIN = "pin "  # how the simulator begins the name of what the harness calls a pin


def drawn(job: Job, serial: str) -> Couplings:
    """The strays of one unit and its bench."""
    good = apply([], job.module)
    parts = wiring.connect(
        job.module,
        job.fixture,
        build(job.module, serial, good.damage, WITHOUT_STRAYS),
        plugs=good.plugs,
        setup=job.fixture.setups[0],
        leads=wiring.Leads(inputs=4, probe=1.0, seed=1, imperfections=WITHOUT_STRAYS),
    )
    strays = draw_strays_apart(job.module, parts, serial)
    ends = [
        [pin_name(node.removeprefix(PIN)) if node.startswith(PIN) else node for node in (each.a, each.b)]
        for each in strays
    ]
    return Couplings(
        names=tuple(f"stray {a} {b}" for a, b in ends),
        a=tuple(a for a, _ in ends),
        b=tuple(b for _, b in ends),
        farads=np.array([each.value for each in strays]),
        spread_f=np.zeros(len(strays)),
    )


def main() -> None:
    """Print how many faults are seen, and the names of those that strays hide."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=3)
    parser.add_argument("--jobs", nargs="+", default=[folder.name for folder in sorted(SEQUENCES.iterdir())])
    given = parser.parse_args()
    for name in given.jobs:
        job = load_job(SEQUENCES / name)
        plan = build_plan(job, impedances=BenchImpedances())
        faults = [(fault,) for fault in hard_faults(job)]
        shown = signatures(job, plan, faults)
        names = np.array(shown.names)
        without = margins_of(job, plan, shown).best >= SURE
        print(f"{name}: {without.sum()} of {len(faults)} seen without strays, by levels and currents")
        for number in range(given.units):
            couplings = drawn(job, f"C{number}")
            transfers = batch_transfers(job, plan, [(), *faults], couplings=couplings)
            made = margins_of(job, plan, replace(shown, transfers=transfers[1:], good=transfers[0]))
            seen = made.best >= SURE
            hidden = ", ".join(names[without & ~seen]) or "none"
            fails = int((made.good < -SURE).sum())
            counts = f"{seen.sum()} seen; hidden: {hidden}; readings that a good unit fails: {fails}"
            print(f"  unit {number}: {counts}", flush=True)


if __name__ == "__main__":
    main()
