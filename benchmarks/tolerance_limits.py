"""How many good units keep all limits of a job at once, where these come from the tolerance of parts.

Every limit of the job that can be "tolerance" is made so. `--drawn 20000`: so many units are drawn by the
derivatives that the limits are made of, each part anywhere within its tolerance, and so are strays and the
bench's errors, these of a normal distribution; a unit is counted that reads beyond the reach of good units
anywhere. `--units 50`: so many whole units in memory, by the simulator's own circuit solver with its own
draws; one is counted that does not pass.
"""

import argparse
import os
import re
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from benchmarks.simulated_runs import Bench
from harness.circuit.elements import BenchImpedances
from harness.job.job import Job, load_job
from harness.plan.build import build_plan, trial_plan
from harness.plan.limits import Tolerances, tolerances_of
from harness.plan.model import Plan
from harness.quantities.tolerance import AT_THE_END, GOOD_SHARE, GoodSpread
from harness.reading import Limit
from simulator.imperfections import parse_imperfections

JOBS = Path(__file__).resolve().parents[1] / "sequences"
PORTION = 1000
UNTOUCHED = ("coupling_capacitance",)  # a run takes longer records for it than the phasors here stand for


def with_tolerance(job: Job) -> Job:
    """The job with every limit "tolerance" that can be, and without what else could fail by chance."""
    checks = []
    for check in job.sequence.checks:
        rule = check.quantity.limits
        if rule is None:
            checks.append(check)
        elif rule.tolerance and check.limit is not None:
            kind = check.limit.kind if check.limit.kind in rule.tolerance else rule.tolerance[0]
            checks.append(replace(check, limit=Limit(kind=kind, unit=rule.unit, tolerance=True)))
    return replace(job, sequence=replace(job.sequence, checks=tuple(checks)))


def beyond(made: Tolerances, units: int, rng: np.random.Generator) -> int:
    """How many of so many drawn good units read beyond the reach of good units somewhere.

    A reading that is nearly nothing may go any way; its modulus is drawn as that of two such errors.
    """
    spreads: Sequence[GoodSpread] = [spread for _, each in made.readings for spread in each]
    names = list(dict.fromkeys(name for spread in spreads for name in spread.parts))
    parts = np.zeros((len(names), len(spreads)))
    row = {name: index for index, name in enumerate(names)}
    for column, spread in enumerate(spreads):
        for name, change in spread.parts.items():
            parts[row[name], column] = change
    contacts = np.array([name in made.good.contacts for name in names])
    strays = np.array([bool(re.match("strays ", name)) for name in names])
    bench = np.array([spread.bench_standard for spread in spreads])
    any_way = np.array([spread.any_way for spread in spreads])
    reach = np.array([made.good.reach(spread) for spread in spreads])
    result = 0
    for start in range(0, units, PORTION):
        count = min(PORTION, units - start)
        even = AT_THE_END * rng.uniform(-1, 1, (count, len(names)))
        even[:, contacts] = np.abs(even[:, contacts])
        drawn = np.where(strays, rng.normal(size=even.shape), even)
        noise = bench * rng.normal(size=(2, count, len(spreads)))
        off = np.where(
            any_way, np.hypot(drawn @ parts + noise[0], noise[1]), np.abs(drawn @ parts + noise[0])
        )
        result += int((off > reach).any(axis=1).sum())
    return result


def failing(job: Job, plan: Plan, units: int, imperfections: Sequence[str]) -> int:
    """How many of so many units do not pass, each on a bench of its own."""
    result = 0
    for number in range(1, units + 1):
        usual = parse_imperfections(imperfections)
        bench = Bench(job, plan, seed=number, lead_seed=number, imperfections=usual)
        readings = bench.run(f"G-{number:03d}", ()).not_passed
        wrong = [each for each in readings if each.key.measurand.quantity not in UNTOUCHED]
        for each in wrong:
            print(f"  G-{number:03d}: {each.key.measurand} {each.verdict}: {each.reason}", flush=True)
        result += bool(wrong)
    return result


def main() -> None:
    """Print a line for each job."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", nargs="+", default=[folder.name for folder in sorted(JOBS.iterdir())])
    parser.add_argument("--drawn", type=int, default=0, help="units drawn by derivatives")
    parser.add_argument("--units", type=int, default=0, help="whole units in memory")
    parser.add_argument("--imperfection", action="append", default=[])
    given = parser.parse_args()
    for name in given.jobs:
        job = with_tolerance(load_job(JOBS / name))
        allowed = 1 - GOOD_SHARE
        if given.drawn:
            plan = trial_plan(job, impedances=BenchImpedances())
            count = beyond(tolerances_of(job, plan), given.drawn, np.random.default_rng(1))
            print(f"{name}: {count} of {given.drawn} drawn units beyond, {allowed:.1%} allowed", flush=True)
        if given.units and any(relay.latches for relay in job.module.relays):
            print(f"{name}: whole units in memory have no relays that latch", flush=True)
        elif given.units:
            plan = build_plan(job, impedances=BenchImpedances())
            count = failing(job, plan, given.units, given.imperfection)
            print(f"{name}: {count} of {given.units} whole units do not pass", flush=True)


if __name__ == "__main__":
    main()
