"""Wall time of whole unattended runs over the settling and recording that they cannot avoid.

Unavoidable is the time that each kept acquisition records, and the settling of sequence and switchboard after
each change of state: in the walk, in the through hookup, and line by line before it.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from harness.descriptions.load import load_job
from harness.plan.build import build_plan
from harness.records.store import open_records
from switchwalk import BenchImpedances

ROOT = Path(__file__).resolve().parents[1]
JOBS = ("two_loop_switcher", "source_selector", "stepped_attenuator")
BOARD_SETTLE_S = 0.015  # of the simulated switchboard's bench file


def unavoidable_s(job_folder: Path, records: Path) -> float:
    """Recording time of every acquisition of the only run in the records, and the settling of its plan."""
    job = load_job(job_folder)
    plan = build_plan(job, impedances=BenchImpedances())
    walk = sum(len(visit.states) for visit in plan.visits)
    before = 1 + 2 + len(job.module.lines)  # the through hookup, rest before and after, each line alone
    with open_records(records, read_only=True) as store:
        recording_s = sum(one.setting.duration_s for one in store.acquisitions(1).values())
    return recording_s + (walk + before) * (job.sequence.settle_s + BOARD_SETTLE_S)


def main() -> None:
    """Print a line for each job."""
    print("job                    wall      unavoidable   ratio (at most 1.25)")
    for name in JOBS:
        job_folder = ROOT / "sequences" / name
        with tempfile.TemporaryDirectory() as folder:
            records = Path(folder) / "records.sqlite"
            command = [sys.executable, "-m", "harness.cli", "run", str(job_folder), "--serial", "B-1"]
            begun = time.perf_counter()
            subprocess.run(
                [*command, "--simulate", "--json", "--records", str(records)],
                check=True,
                stdout=subprocess.DEVNULL,
                cwd=folder,
            )
            wall_s = time.perf_counter() - begun
            least_s = unavoidable_s(job_folder, records)
        print(f"{name:20s} {wall_s:7.1f} s {least_s:10.1f} s {wall_s / least_s:10.2f}")


if __name__ == "__main__":
    main()
