"""Wall time of whole unattended runs over the settling and recording that they cannot avoid: at most 1.25.

Unavoidable is what must pass on a bench whatever computes: the length of every record that was kept
(through reference, DC and low-level looks before each setup, the plan, each change of state with the half
before its command), the looks between the operations of a cycled line, which are not kept, and the settling
of sequence and switchboard after every change of its channels, with the pause between opening and closing
where both move. Not counted: anything computed, written, sent or asked, a scope's wait for its trigger, a
supply's rise, starting up.

The column "cpu" is the processor time of the run and its simulated bench: on a busy machine it tells what
the wall clock does not.

`--kinds` adds what is recorded, kind by kind and tone by tone: records, their length, and the time that they
took.

`--batch COUNT` runs so many units in one batch instead, and gives the time from one unit's verdict to the
next one's first record, in which the page of the one is written and the other is looked for in the fixture.
"""

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from harness.job.fixture import Setup
from harness.job.job import Job, load_job
from harness.job.state import State
from harness.plan.build import build_plan
from harness.plan.model import Plan, SetupVisit
from harness.plan.states import looks_s
from harness.records.store import open_records
from switchwalk import BenchImpedances

ROOT = Path(__file__).resolve().parents[1]
JOBS = ("two_loop_switcher", "source_selector", "stepped_attenuator")
BOARD_SETTLE_S = 0.015  # of the simulated switchboard's bench file
IDLE = State(on=())


@dataclass(frozen=True, kw_only=True)
class Set:
    """The switchboard is set. settles: whether that is waited for, or lies in the record of a change of
    state.
    """

    setup: Setup | None
    state: State
    settles: bool = True


def walked(plan: Plan, job: Job) -> Iterator[Set]:
    """Every state that a run sets, in order; one that stands already may come again."""
    for through in plan.throughs:
        yield Set(setup=through, state=State(on=(), powered=False))
    for state in (IDLE, *(State(on=(line,)) for line in job.module.control_names)):
        yield Set(setup=None, state=state)
    for visit in plan.visits:
        yield from walked_in(visit)


def walked_in(visit: SetupVisit) -> Iterator[Set]:
    """Every state that is set in one setup: cycles, states, changes of state."""
    setup = visit.setup
    for cycle in visit.cycles:
        for _ in range(cycle.given.operations):
            yield Set(setup=setup, state=IDLE)
            yield Set(setup=setup, state=State(on=(cycle.given.control,)))
    for state in visit.states:
        yield Set(setup=setup, state=state.state)
    for change in visit.changes:
        yield Set(setup=setup, state=change.change.before)
        yield Set(setup=setup, state=change.change.after, settles=False)


def settling_s(plan: Plan, job: Job) -> float:
    """Settling after every change of the switchboard's channels; its pauses between opening and closing."""
    total_s = 0.0
    before: frozenset[int] = frozenset()
    for one in walked(plan, job):
        select = () if one.setup is None or one.setup.select is None else one.setup.select
        channels = frozenset((*select, *(job.fixture.controls[line] for line in one.state.on)))
        if channels != before and one.settles:
            total_s += job.sequence.settle_s + BOARD_SETTLE_S
        if channels - before and before - channels:
            total_s += BOARD_SETTLE_S
        before = channels
    return total_s


def recording_s(plan: Plan, records: Path) -> float:
    """Length of every record of the only run in the records, and of those between a line's operations."""
    with open_records(records, read_only=True) as store:
        kept_s = sum(acquisition.setting.duration_s for acquisition in store.acquisitions(1).values())
    return kept_s + looks_s(plan.cycles)


def kinds_of(plan: Plan, records: Path) -> Iterator[str]:
    """A line for each kind of record of the only run: how many, how long, and the time that they took."""
    changes = {change.number for change in plan.changes}
    kinds: dict[str, list[tuple[float, float]]] = {}
    with open_records(records, read_only=True) as store:
        for made in store.acquisitions(1).values():
            kind = "change of state" if made.number in changes else str(made.stimulus)
            if made.purpose:
                kind = f"{made.purpose}, {made.stimulus.frequency_hz:g} Hz"
            kinds.setdefault(kind, []).append((made.setting.duration_s, made.duration_s))
    for kind, took in sorted(kinds.items(), key=lambda each: -sum(one for one, _ in each[1])):
        recorded_s, wall_s = (sum(column) for column in zip(*took, strict=True))
        yield f"    {kind:32s} {len(took):5d} records {recorded_s:7.1f} s {wall_s:7.1f} s wall"
    looks = sum(2 * cycle.given.operations for cycle in plan.cycles)
    yield f"    {'between operations':32s} {looks:5d} records {looks_s(plan.cycles):7.1f} s"


def job_at(name: str, mains: str, folder: Path) -> Path:
    """A shipped job; with mains, its copy in a folder, on a bench whose mains is known."""
    shipped = ROOT / "sequences" / name
    if not mains:
        return shipped
    copy = Path(shutil.copytree(shipped, folder / name))
    bench = copy / "bench.toml"
    head = f'[bench]\nmains = "{mains}"'
    bench.write_text(bench.read_text(encoding="utf-8").replace("[bench]", head, 1), encoding="utf-8")
    return copy


def measure(name: str, serial: str, *, kinds: bool, mains: str) -> str:
    """Run a job and give its line of the table, with a line for each kind of record if that is wanted."""
    with tempfile.TemporaryDirectory() as folder:
        job_folder = job_at(name, mains, Path(folder))
        records = Path(folder) / "records.sqlite"
        command = [sys.executable, "-m", "harness.cli", "run", str(job_folder), "--serial", serial]
        begun, used_s = time.perf_counter(), _processor_s()
        done = subprocess.run(
            [*command, "--simulate", "--json", "--records", str(records)],
            stdout=subprocess.DEVNULL,
            cwd=folder,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
        )
        wall_s, cpu_s = time.perf_counter() - begun, _processor_s() - used_s
        job = load_job(job_folder)
        plan = build_plan(job, impedances=BenchImpedances())
        settled_s, recorded_s = settling_s(plan, job), recording_s(plan, records)
        lines = list(kinds_of(plan, records)) if kinds else []
    verdict = {0: "pass", 1: "fail", 3: "unproven"}.get(done.returncode, f"exit {done.returncode}")
    total = (
        f"{name:18s} {verdict:8s} {wall_s:7.1f} s {recorded_s:7.1f} s {settled_s:7.1f} s "
        f"{wall_s / (recorded_s + settled_s):6.2f} {cpu_s:7.1f} s {os.getloadavg()[0]:5.1f}"
    )
    return "\n".join([total, *lines])


def _processor_s() -> float:
    """Of all processes that ended, with their own."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def measure_batch(name: str, units: int, *options: str, mains: str) -> str:
    """Run a batch of a job and give its line of the table."""
    with tempfile.TemporaryDirectory() as folder:
        records, serials = Path(folder) / "records.sqlite", Path(folder) / "serials.txt"
        serials.write_text("".join(f"B-{number}\n" for number in range(units)), encoding="utf-8")
        command = [sys.executable, "-m", "harness.cli", "batch", str(job_at(name, mains, Path(folder)))]
        begun = time.perf_counter()
        subprocess.run(
            [*command, "--serials", str(serials), "--simulate", "--records", str(records), *options],
            stdout=subprocess.DEVNULL,
            cwd=folder,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
        )
        wall_s = time.perf_counter() - begun
        with open_records(records, read_only=True) as store:
            ended = [run.ended for run in store.runs() if run.ended is not None]
            first = [
                min(each.started for each in store.acquisitions(run.run_id).values()) for run in store.runs()
            ]
    between_s = [
        (after - before).total_seconds() for before, after in zip(ended[:-1], first[1:], strict=True)
    ]
    longest_s = max(between_s, default=0.0)
    return (
        f"{name:18s} {len(ended):5d} {wall_s:7.1f} s {wall_s / units:7.1f} s {longest_s:7.2f} s "
        f"{os.getloadavg()[0]:5.1f}"
    )


def main() -> None:
    """Print a line for each job."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("jobs", nargs="*", default=JOBS, metavar="JOB", help="of sequences/; all by default")
    parser.add_argument("--serial", default="B-1", help="the unit")
    parser.add_argument("--kinds", action="store_true", help="also what is recorded, kind by kind")
    parser.add_argument("--mains", choices=("50 Hz", "60 Hz"), default="", help="the bench says so")
    parser.add_argument("--batch", type=int, metavar="COUNT", help="so many units in one batch")
    parser.add_argument("--shortest", action="store_true", help="with --batch: shortest runs")
    given = parser.parse_args()
    if given.batch:
        print("job                units     wall     a unit    between   load")
        for name in given.jobs:
            options = ["--shortest"] * given.shortest
            print(measure_batch(name, given.batch, *options, mains=given.mains), flush=True)
        return
    print(
        "job                verdict     wall    recording   settling  ratio       cpu  load  (at most 1.25)"
    )
    for name in given.jobs:
        print(measure(name, given.serial, kinds=given.kinds, mains=given.mains), flush=True)


if __name__ == "__main__":
    main()
