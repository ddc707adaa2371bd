"""A run as it was asked for, and what is known and recorded of it as it begins."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib.metadata import version

from harness.job.job import BENCH, Job
from harness.plan.model import Plan
from harness.records.run import Noted, OtherFiles, Purpose, RunHeader
from harness.session.open_bench import OpenBench
from harness.session.request.fewest import Production
from harness.session.simulated import fault_notes


@dataclass(frozen=True, kw_only=True)
class RunRequest:
    """A run of a unit as it was asked for.

    faults: of a simulated unit, recorded with the run as its notes are. noted: recorded with it, why the
    unit, or the bench, is used all the same. plan: a part of the job's; None for all of it. production: how
    the run differs from a whole one; None if it does not. resumable: whether the run can be continued if it
    is stopped.
    """

    serial: str
    operator: str | None = None
    faults: tuple[str, ...] = ()
    notes: str = ""
    batch: str = ""
    purpose: Purpose = ""
    noted: Sequence[Noted] = ()
    plan: Plan | None = field(default=None, repr=False)
    production: Production | None = field(default=None, repr=False)
    resumable: bool = True

    def plan_of(self, whole: Plan) -> Plan:
        """What the run carries out, of all that its sequence plans."""
        if self.plan is not None:
            return self.plan
        return whole if self.production is None else self.production.plan_of(whole)


def other_files(job: Job) -> tuple[Noted, ...]:
    """Where a fixture or a sequence was read that is not the job's own; a resumed run finds it there."""
    read = {"fixture": job.fixture_file, "sequence": job.sequence_file}
    paths = {name: "" if path is None else str(path.resolve()) for name, path in read.items()}
    if not any(paths.values()):
        return ()
    text = " and ".join(f"{name} from {path.name}" for name, path in read.items() if path is not None)
    return ((OtherFiles(**paths), text),)


def make_header(bench: OpenBench, request: RunRequest, plan: Plan) -> RunHeader:
    """What is known of a run that begins now."""
    instruments = bench.instruments().identities
    job, bench_file = bench.job, bench.planned.bench_file
    if bench_file is None and bench.simulated:
        bench_file = job.folder / BENCH  # where a resumed run finds the addresses
    return RunHeader(
        serial=request.serial,
        module_name=job.module.name,
        part=job.module.part,
        revision=job.module.revision,
        sequence_name=job.sequence.name,
        decision=job.sequence.decision,
        bench_name=bench.file.name,
        operator=request.operator,
        started=datetime.now(UTC),
        software_version=version("switchwalk"),
        simulated=bench.simulated,
        notes=fault_notes(request.faults, request.notes),
        instruments=instruments,
        files=bench.planned.files,
        planned_readings=plan.count,
        job_folder=str(job.folder.resolve()),
        bench_file="" if bench_file is None or bench.simulator is not None else str(bench_file.resolve()),
        batch=request.batch,
        purpose=request.purpose,
        simulated_faults=tuple(request.faults) if bench.simulated else (),
    )
