"""A run that has begun: its header, this process's hold on it, and how it stands where an error ends it."""

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from harness.errors import RecordsError

if TYPE_CHECKING:
    from harness.job.job import Job
    from harness.plan.model import Plan
    from harness.records.run import Noted, Purpose, RunHeader
    from harness.records.store import RunStore
    from harness.roles import Bench


class WallClock:
    """Time as the bench has it."""

    def now_s(self) -> float:
        """Seconds that only go forward."""
        return time.monotonic()

    def wait(self, duration_s: float) -> None:
        """Let time pass."""
        time.sleep(duration_s)


def header_of(
    job: "Job",
    plan: "Plan",
    bench: "Bench",
    *,
    serial: str,
    operator: str | None,
    simulated: bool,
    notes: str,
    bench_file: Path | None,
    batch: str = "",
    purpose: "Purpose" = "",
    simulated_faults: Sequence[str] = (),
) -> "RunHeader":
    """What is known of a run that begins now on an open bench. bench_file: None for the job's own."""
    from importlib.metadata import version

    from harness.records.run import RunHeader
    from harness.workbench.planning import files_of

    return RunHeader(
        serial=serial,
        module_name=job.module.name,
        part=job.module.part,
        revision=job.module.revision,
        sequence_name=job.sequence.name,
        decision=job.sequence.decision,
        bench_name=job.bench.name if job.bench else "",
        operator=operator,
        started=datetime.now(UTC),
        software_version=version("switchwalk"),
        simulated=simulated,
        notes=notes,
        instruments=(
            bench.generator.identity,
            bench.oscilloscope.identity,
            bench.supply.identity,
            bench.switchboard.identity,
        ),
        files=files_of(job, bench_file),
        planned_readings=plan.count,
        job_folder=str(job.folder.resolve()),
        bench_file="" if bench_file is None or simulated else str(bench_file.resolve()),
        batch=batch,
        purpose=purpose,
        simulated_faults=tuple(simulated_faults),
    )


@contextmanager
def held(store: "RunStore", run_id: int, *, note: str = "") -> Iterator[None]:
    """Hold a run against other processes; what is raised within goes on up, and the run stands as stopped.

    note: added to what is raised. Raises BenchError where another process holds the run.
    """
    from drivers.claim import claim

    try:
        with claim(_name(store, run_id), instrument=f"run {run_id}"):
            yield
    except BaseException as error:
        _finish_stopped(store, run_id, error)
        if note:
            error.add_note(note)
        raise


def how_to_go_on(run_id: int, serial: str) -> str:
    """What is said of a run that was stopped and can be gone on with."""
    return (
        f"run {run_id} is kept, with no verdict on unit {serial}; "
        f"`switchwalk resume {run_id}` goes on with it"
    )


def begin_with(store: "RunStore", header: "RunHeader", noted: "Sequence[Noted]") -> int:
    """Begin a run in the records, and keep with it what was said before; gives its number."""
    run_id = store.begin(header)
    for event, text in noted:
        store.add_event(run_id, event, text)
    return run_id


def refuse_held(store: "RunStore", run_id: int) -> None:
    """Refuse a run that is going on in another process. Raises BenchError that says in which."""
    from drivers.claim import claim

    with claim(_name(store, run_id), instrument=f"run {run_id}"):
        pass


def _finish_stopped(store: "RunStore", run_id: int, error: BaseException) -> None:
    """Say in the records that a run was stopped that had begun, where carrying it out had not."""
    from harness.records.run import INTERRUPTED

    with suppress(RecordsError):
        if store.run(run_id).outcome == INTERRUPTED:
            store.finish(run_id, "stopped", str(error) or type(error).__name__, datetime.now(UTC))


def _name(store: "RunStore", run_id: int) -> str:
    place = store.place if "://" in store.place else Path(store.place).resolve().as_uri()
    return f"{place}#{run_id}"
