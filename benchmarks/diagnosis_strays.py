"""Whether the diagnosis holds where strays are as on real benches: single faults and good units of all jobs.

Run it as `python benchmarks/diagnosis_strays.py`; `--quick` takes every tenth unit, and Ctrl-C prints what is
known of a job so far. Units, their strays and what they show come from the simulator's own circuit, measured
in memory. Good units are tried with channels that lie apart, and with channels that lie side by side
everywhere, as the units with faults have them: then their crosstalk is more than some limits allow, and the
diagnosis has to find them good all the same.
"""

import argparse
import os
import random
import sys
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.diagnosis import share
from benchmarks.diagnosis_cases import SEED, SEQUENCES, Case, diagnose_unit
from benchmarks.drawn_strays import draw_strays, draw_strays_apart
from harness.job.faults import single_faults
from harness.job.job import load_job

FAULTS, GOOD_UNITS = 100, 20  # of each job
JOBS = ("two_loop_switcher", "source_selector", "stepped_attenuator", "monitor_panel")


def print_cases(title: str, cases: list[Case]) -> None:
    detected = [case for case in cases if case.detected]
    print(f"\n{title}")
    print(f"  detected                           {share(len(detected), len(cases))}")
    print(f"  named in the first group           {share(sum(c.place == 0 for c in detected), len(detected))}")
    print(f'  "nothing explains"                 {share(sum(not c.explained for c in cases), len(cases))}')
    if sizes := sorted(case.size for case in detected if case.place == 0):
        print(f"  faults in the first group          median {sizes[len(sizes) // 2]}, most {sizes[-1]}")
    print(f"  seconds each, mean                 {sum(c.seconds for c in cases) / max(len(cases), 1):.2f}")
    for case in cases:
        if not case.detected:
            print(f"    not detected: {case.name}")
        elif case.place != 0 or not case.explained:
            print(
                f"    place {case.place}, {'explained' if case.explained else 'not explained'}: {case.name}"
            )


def single(job: str, count: int, seed: int, step: int) -> list[Case]:
    """Single faults of a job, as many as are done when Ctrl-C is pressed."""
    described = load_job(SEQUENCES / job)
    faults = list(single_faults(described.module, described.fixture))
    chosen = random.Random(seed).sample(faults, min(count, len(faults)))[::step]
    cases: list[Case] = []
    try:
        for number, fault in enumerate(chosen):
            cases.append(diagnose_unit(f"S{seed}-{number}", fault.name, job, draw_strays))
            print(f"{job} {cases[-1]}", file=sys.stderr, flush=True)
    except KeyboardInterrupt:
        print(f"interrupted after {len(cases)} of {len(chosen)}", file=sys.stderr)
    return cases


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="every tenth fault and good unit")
    parser.add_argument("--job", choices=JOBS, action="append", help="this job alone")
    parser.add_argument("--faults", type=int, default=FAULTS, help="single faults of each job")
    parser.add_argument("--good", type=int, default=GOOD_UNITS, help="good units of each job")
    parser.add_argument("--seed", type=int, default=SEED, help="draws other faults and other strays")
    given = parser.parse_args()
    step = 10 if given.quick else 1
    every: list[Case] = []
    good: dict[str, list[Case]] = {"apart": [], "side by side": []}
    for job in given.job or JOBS:
        cases = single(job, given.faults, given.seed, step)
        print_cases(f"{job}: single faults, seed {given.seed}", cases)
        every += cases
        for lie, strays in (("apart", draw_strays_apart), ("side by side", draw_strays)):
            units = range(0, given.good, step)
            good[lie] += [diagnose_unit(f"H{number}", "", job, strays) for number in units]
        sys.stdout.flush()
    print_cases("All jobs: single faults", every)
    for lie, cases in good.items():
        print(f"\nAll jobs: good units, channels {lie}")
        print(f"  no false alarm                     {share(sum(case.good for case in cases), len(cases))}")
        passed = sum(case.verdict != "fail" for case in cases)
        print(f"  no reading failed                  {share(passed, len(cases))}")


if __name__ == "__main__":
    main()
