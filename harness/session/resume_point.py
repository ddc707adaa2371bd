"""The point from which an interrupted or stopped run is resumed, and what must be unchanged for that."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from pathlib import Path

from harness.errors import UsageError, WrongInstrument
from harness.plan.chosen import Steps
from harness.plan.model import Plan, remaining_plan
from harness.reading import LeadOrUnit, Reading
from harness.records.evidence import refuse_upgraded
from harness.records.run import (
    BenchMoved,
    CurrentsDrawn,
    OtherFiles,
    RunHeader,
    RunRecord,
    ShortestRun,
    StopAtFail,
)
from harness.records.store import RunStore
from harness.roles import Bench
from harness.session.planned_job import BENCH_FILE, PlannedJob
from harness.session.repeats.confirmation import is_lost
from harness.session.request.fewest import in_production
from harness.units import counted


@dataclass(frozen=True, kw_only=True)
class ResumePoint:
    """What a resumed run has: its readings, and the current of its unit in each state, in amperes.

    currents_a: None if the run was stopped before that was measured. other_files: what was read in place of
    the job's own; None if nothing was. shortest: the steps that are all it makes; None for a whole run.
    first: those that come first, as it ends with the first FAIL; None if it does not.
    """

    record: RunRecord
    readings: tuple[Reading, ...]
    currents_a: Mapping[str, float] | None
    other_files: OtherFiles | None = None
    shortest: Steps | None = None
    first: Steps | None = None

    @property
    def job_folder(self) -> Path:
        """Where its job's files were read."""
        return Path(self.record.header.job_folder)

    @property
    def sequence_file(self) -> Path | None:
        """The sequence that it was begun with; None for the job's own."""
        return Path(self.other_files.sequence) if self.other_files and self.other_files.sequence else None

    @property
    def fixture_file(self) -> Path | None:
        """The fixture that it was begun with; None for the job's own."""
        return Path(self.other_files.fixture) if self.other_files and self.other_files.fixture else None

    @property
    def bench_file(self) -> Path | None:
        """The bench file that it was begun with; None for the job's own."""
        return Path(self.record.header.bench_file) if self.record.header.bench_file else None

    def plan_of(self, whole: Plan) -> Plan:
        """What the run was to carry out from its beginning, of all that its sequence plans."""
        return in_production(whole, shortest=self.shortest, first=self.first)

    def text(self, *, left: int) -> str:
        """The recorded text of the resumption, with so many readings left to make."""
        made = counted(len(self.readings), "reading")
        text = f"with {made} there and {left} to make, after it was {self.record.outcome}"
        return f"{text}: {self.record.reason}" if self.record.reason else text


def find_resume_point(store: RunStore, record: RunRecord) -> ResumePoint:
    """Read the point from which a run is resumed. Raises UsageError; RecordsError if it was edited.

    Refused are a run that has a verdict, one that lost readings for good, and one whose job is not known.
    """
    store.refuse_edited(record.run_id, "Nothing is added to it")
    readings = tuple(store.readings(record.run_id))
    if record.outcome not in ("interrupted", "stopped"):
        raise UsageError(
            f"run {record.run_id} ended with {record.outcome}: there is nothing to continue. Start a new run"
        )
    refuse_upgraded(record, "a run that goes on")
    lost = [reading for reading in readings if is_lost(reading)]
    if lost:
        raise UsageError(
            f"run {record.run_id} has {counted(len(lost), 'reading')} that the bench could not take, so it "
            "can't reach a verdict. Start a new run"
        )
    events = [made.event for made in store.events(record.run_id)]
    if any(isinstance(event, BenchMoved) for event in events):
        raise UsageError(
            f"run {record.run_id} was stopped because the bench had changed, so its readings say "
            "nothing about the unit. Start a new run"
        )
    if any(isinstance(fact, LeadOrUnit) for reading in readings for fact in reading.facts):
        raise UsageError(
            f"run {record.run_id} has readings that a lead on a wrong pin would explain, so it can't reach a "
            "verdict. Check the lead, and start a new run"
        )
    if record.header.purpose == "custom tests":
        raise UsageError(
            f"run {record.run_id} was made by pytest, which alone knows what comes next. Start pytest again "
            "for a new run"
        )
    if not record.header.job_folder:
        raise UsageError(f"run {record.run_id} does not say where its job's files are. Start a new run")
    drawn_a = (event.currents_a for event in events if isinstance(event, CurrentsDrawn))
    others = (event for event in events if isinstance(event, OtherFiles))
    shortest = (event.steps for event in events if isinstance(event, ShortestRun))
    first = (event.first for event in events if isinstance(event, StopAtFail))
    return ResumePoint(
        record=record,
        readings=readings,
        currents_a=next(drawn_a, None),
        other_files=next(others, None),
        shortest=next(shortest, None),
        first=next(first, None),
    )


def check_files(header: RunHeader, planned: PlannedJob) -> None:
    """Refuse files of other content. A simulated bench's own file has new addresses each time."""
    job = planned.job
    others = {path.name: path for path in (job.fixture_file, job.sequence_file) if path is not None}
    then, now = list(header.files), list(planned.files)
    if header.bench_started:
        then, now = (files[:BENCH_FILE] + files[BENCH_FILE + 1 :] for files in (then, now))
    for before, after in zip_longest(then, now[: len(then)]):
        if after is None or after.name != before.name or after.sha256 != before.sha256:
            where = others.get(before.name) or f"{before.name} in {job.folder}"
            missing = before.name not in {file.name for file in now}
            what = "is missing" if missing else "was changed since the run began"
            raise UsageError(
                f"{where} {what}. Restore it (`switchwalk show` has its SHA-256), or start a new run"
            )
    if len(now) != len(then):
        raise UsageError(f"{job.folder} has other files than when the run began. Start a new run")


def left_to_do(header: RunHeader, plan: Plan, readings: Sequence[Reading]) -> Plan:
    """What remains of a run's plan. Raises UsageError if this version plans another run."""
    if plan.count != header.planned_readings:
        raise UsageError(
            f"the run had {header.planned_readings} readings planned, and this version of switchwalk plans "
            f"{plan.count}. Start a new run"
        )
    return remaining_plan(plan, readings)


def check_bench_unchanged(header: RunHeader, bench: Bench) -> None:
    """Refuse another bench than the run began on. Raises WrongInstrument; nothing was driven."""
    for before, after in zip(header.instruments, bench.identities, strict=True):
        if header.bench_started:
            after = replace(after, address=before.address)
        if before != after:
            raise WrongInstrument(
                f"the run began with {before.text!r} at {before.address}, and now {after.text!r} answers. "
                "Put the same instrument back, or start a new run",
                instrument=after.role,
                address=after.address,
            )
