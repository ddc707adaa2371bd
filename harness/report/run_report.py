"""A run's page, and the diagnosis of a failed run: written when it ends, and again later."""

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from harness.errors import CircuitError, RecordsError
from harness.faults.coverage import FaultSeen
from harness.faults.diagnosis import Diagnoser, Diagnosis
from harness.faults.evidence import Evidence
from harness.faults.suggestions.probes import Probe, best_probe
from harness.job.faults import ONE_RESISTANCE_OHM, single_faults
from harness.job.own_faults import own_suspects
from harness.records.database import find_location
from harness.records.evidence import evidence_of, stored_run
from harness.records.in_part import in_part
from harness.records.run import BY_HAND, DEFAULT_RECORDS, Explanation, RunRecord
from harness.records.store import RunStore
from harness.report.coverage import KeptCoverage, SecondProcess, draw_coverage
from harness.report.explanation import (
    Explained,
    keep_explained,
    kept_explained,
    make_explanation,
    shown_groups,
)
from harness.report.setup_picture import draw_setups
from harness.report.write import Beside, write_report
from harness.session.planned_job import PlannedJob, recorded_plan, setups_of

LARGEST_AT_RUN_END = 60_000  # faults times acquisitions: what a report waits for without being asked


@dataclass(frozen=True, kw_only=True, eq=False)
class Recorded:
    """What a diagnosis starts from: a run's own job with its plan, and what it measured."""

    planned: PlannedJob
    evidence: Evidence

    @property
    def empty(self) -> bool:
        """Whether the run measured nothing that a diagnosis can use."""
        evidence = self.evidence
        return not (evidence.acquisitions or evidence.supply_a or evidence.over_current or evidence.changes)

    @property
    def quick(self) -> bool:
        """Whether all faults in these acquisitions take about a second to compute."""
        job = self.planned.job
        faults = single_faults(job.module, job.fixture, contact_ohm=ONE_RESISTANCE_OHM)
        return len(self.evidence.acquisitions) * len(faults) <= LARGEST_AT_RUN_END


def read_recorded(store: RunStore, record: RunRecord, planned: PlannedJob | None = None) -> Recorded:
    """Read a run back. planned: its job and plan, if they are at hand; else made anew of its files.

    Raises RecordsError if its files no longer read, and for a run of an older version.
    """
    kept = stored_run(store, record)
    planned = planned or recorded_plan(record)
    evidence = evidence_of(planned.job, planned.plan, kept)
    notes = (*evidence.notes, *planned.notes)
    return Recorded(planned=planned, evidence=replace(evidence, notes=notes))


class Diagnosed:
    """A run's diagnosis with its next probe, in words. Raises CircuitError.

    suspects: names of faults beside those on the list. diagnosers: predictions for all faults by
    acquisitions, stored there for the next run of the same job. Raises UsageError for no such fault.
    """

    def __init__(
        self,
        recorded: Recorded,
        *,
        double: bool,
        suspects: Sequence[str] = (),
        diagnosers: dict[tuple[int, ...], Diagnoser] | None = None,
    ) -> None:
        planned, evidence = recorded.planned, recorded.evidence
        job, plan = planned.job, planned.plan
        known = {} if diagnosers is None else diagnosers
        key = tuple(each.number for each in evidence.acquisitions)
        if key not in known:
            known[key] = Diagnoser(job, plan, evidence.acquisitions, own_suspects(job, suspects))
        self.job, self.empty = job, recorded.empty
        self.result: Diagnosis = known[key].diagnose(evidence, double=double)
        self.probe: Probe | None = None
        if not self.empty and not evidence.over_current and self.result.explained:
            self.probe = best_probe(
                job, plan, shown_groups(self.result), supply_read=tuple(evidence.supply_a)
            )
        self.explanation: Explanation = make_explanation(self.result, self.probe, job.module, job.fixture)

    @property
    def names(self) -> tuple[str, ...]:
        """Faults that explain the run best and are not told apart, the likeliest first."""
        explained = self.result.explained and not self.result.says_good and bool(self.result.groups)
        return self.result.groups[0].names if explained else ()

    @property
    def probability(self) -> float:
        """Of those faults together; 0 if there are none."""
        return self.result.groups[0].posterior if self.names else 0.0


@dataclass(frozen=True, kw_only=True)
class RunReport:
    """A run's page, and what would explain the run if it failed."""

    page: Path
    result: Explained | None


class Reporter:
    """Explains and writes the runs of one job; what depends on the job alone is computed once."""

    def __init__(self, planned: PlannedJob, store: RunStore, records: str | Path) -> None:
        self._planned, self._store, self._records = planned, store, records
        self._diagnosers: dict[tuple[int, ...], Diagnoser] = {}
        self._coverage = KeptCoverage(planned, coverage_folder(records))
        self._helper: SecondProcess | None = None

    @contextmanager
    def helped(self) -> Iterator[None]:
        """Compute the coverage in another process meanwhile, if it is not stored and takes long."""
        if not self._coverage.wants_help:
            yield
            return
        with SecondProcess() as helper:
            helper.begin_coverage(self._planned)
            self._helper = helper
            try:
                yield
            finally:
                self._helper = None

    def write(self, run_id: int) -> RunReport:
        """Diagnose a run that has ended, keep what explains it, and write its page."""
        record = self._store.run(run_id)
        result = self.find_fault(record)
        return RunReport(page=self.write_page(record, result), result=result)

    def find_fault(self, record: RunRecord, *, at_once: bool = True) -> Explained | None:
        """Diagnose a failed run and record the result with it; None if it cannot be explained, or not at
        once.
        """
        return _find_fault(self._store, record, self._planned, self._diagnosers, at_once=at_once)

    def write_page(self, record: RunRecord, result: Explained | None) -> Path:
        """Write a run's page beside the records (in the default folder for records on a server)."""
        faults_seen = self._coverage.get(self._helper)
        return _write(self._store, record, self._records, result, self._planned, faults_seen)


def write_recorded_report(store: RunStore, run_id: int, records: str | Path) -> RunReport:
    """Diagnose a run of which the job is known from the records alone, and write its page, as at its end."""
    record = store.run(run_id)
    planned = _recorded(record)
    if planned is not None:
        return Reporter(planned, store, records).write(run_id)
    return write_part_report(store, run_id, records)


def write_part_report(store: RunStore, run_id: int, records: str | Path) -> RunReport:
    """Diagnose a run of a part of the test, and write its page without the sequence's fault coverage."""
    record = store.run(run_id)
    result = _find_fault(store, record, None, {}, at_once=True)
    return RunReport(page=_write(store, record, records, result), result=result)


def write_report_again(
    store: RunStore, run_id: int, records: str | Path, *, page: Path | None = None
) -> Path:
    """Write a run's page once more; nothing is recorded. page: None for the usual file."""
    record = store.run(run_id)
    planned = _recorded(record)
    result = kept_explained(store, run_id) or _explained(store, record, planned, {}, at_once=True)
    faults_seen = () if planned is None else KeptCoverage(planned, coverage_folder(records)).get(None)
    return _write(store, record, records, result, planned, faults_seen, page)


def _write(
    store: RunStore,
    record: RunRecord,
    records: str | Path,
    result: Explained | None,
    planned: PlannedJob | None = None,
    faults_seen: Sequence[FaultSeen] = (),
    page: Path | None = None,
) -> Path:
    run_id = record.run_id
    events = store.events(run_id)
    beside = Beside(
        explanation=None if result is None else result.explanation,
        faults_seen=draw_coverage(faults_seen),
        by_hand=() if planned is None else draw_setups(planned.job, setups_of(planned.plan)),
        found_by_hand=[
            f"{event.at:%H:%M:%S} UTC, {event.text}" for event in events if event.kind in (*BY_HAND, "leads")
        ],
        custom_tests=[event.text for event in events if event.kind == "test"],
        in_part=in_part(events),
    )
    path = page or report_path(records, run_id, record.header.serial)
    write_report(record, store.readings(run_id), store.waveforms(run_id), path, beside)
    return path


def report_path(records: str | Path, run_id: int, serial: str) -> Path:
    """The file of a run's report."""
    return page_beside(records, "reports", run_id, serial)


def page_beside(records: str | Path, folder: str, run_id: int, serial: str) -> Path:
    """The file of a page about a run."""
    return folder_beside(records, folder) / f"run-{run_id:05d}-{_file_name(serial)}.html"


def coverage_folder(records: str | Path) -> Path:
    """The folder in which a job's fault coverage is stored for its next run."""
    return folder_beside(records)


def folder_beside(records: str | Path, folder: str = "reports") -> Path:
    """A folder for pages: beside the records, beside the default records if they are on a server.

    Records of another name than the default have a folder of their own: two record files beside each other,
    or two databases, must not overwrite each other's pages of run 1.
    """
    location = find_location(records)
    if location.file is not None:
        own = "" if location.file.name == DEFAULT_RECORDS.name else f"-{location.file.stem}"
        return location.file.parent / f"{folder}{own}"
    server = "-".join(filter(None, (location.url.host, location.url.database)))
    return DEFAULT_RECORDS.parent / f"{folder}-{_file_name(server)}"


def _file_name(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9._-]+", "_", text)


def _recorded(record: RunRecord) -> PlannedJob | None:
    try:
        return recorded_plan(record)
    except (CircuitError, RecordsError):
        return None


def _find_fault(
    store: RunStore,
    record: RunRecord,
    planned: PlannedJob | None,
    diagnosers: dict[tuple[int, ...], Diagnoser],
    *,
    at_once: bool,
) -> Explained | None:
    result = _explained(store, record, planned, diagnosers, at_once=at_once)
    if result is not None:
        keep_explained(store, record.run_id, result)
    return result


def _explained(
    store: RunStore,
    record: RunRecord,
    planned: PlannedJob | None,
    diagnosers: dict[tuple[int, ...], Diagnoser],
    *,
    at_once: bool,
) -> Explained | None:
    """Which fault explains a failed run, never in pairs. None if it passed or cannot be explained.

    planned: the run's job and plan, if they are at hand. at_once: None if it would keep a person waiting.
    """
    if record.outcome != "fail":
        return None
    try:
        recorded = read_recorded(store, record, planned)
        if recorded.empty or (at_once and not recorded.quick):
            return None
        result = Diagnosed(recorded, double=False, diagnosers=diagnosers)
    except (CircuitError, RecordsError):
        return None
    return Explained(names=result.names, probability=result.probability, explanation=result.explanation)
