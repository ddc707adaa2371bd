"""A run's page, and what would explain the run if it failed: written when it ends, and again later."""

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from harness.errors import CircuitError, RecordsError
from harness.faults.coverage import FaultSeen
from harness.faults.diagnosis import Diagnoser
from harness.reading import Reading
from harness.records.run import BY_HAND, DEFAULT_RECORDS, Event, Remembered, RunEvent, RunRecord
from harness.records.store import RunStore
from harness.report.coverage_picture import draw_coverage
from harness.report.diagnosed import explain_run
from harness.report.explanation import Explained, keep_explained, kept_explained
from harness.report.hookup_picture import draw_hookups
from harness.report.kept_coverage import KeptCoverage
from harness.report.second_process import SecondProcess
from harness.report.write import write_report
from harness.roles import Capture
from harness.session.planned_job import PlannedJob, hookups_of, recorded_plan


@dataclass(frozen=True, kw_only=True)
class RunReport:
    """A run's page, and what would explain the run if it failed."""

    page: Path
    found: Explained | None


class Reporter:
    """Explains and writes the runs of one job; what follows from the job alone is worked out once."""

    def __init__(self, planned: PlannedJob, store: RunStore, records: str | Path) -> None:
        self._planned, self._store, self._records = planned, store, records
        self._diagnosers: dict[tuple[int, ...], Diagnoser] = {}
        self._coverage = KeptCoverage(planned, coverage_folder(records))
        self._helper: SecondProcess | None = None

    @contextmanager
    def helped(self) -> Iterator[None]:
        """Let another process work out the coverage meanwhile, if nothing is kept of it."""
        if not self._coverage.lacks:
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
        found = self.find_fault(record)
        return RunReport(page=self.write_page(record, found), found=found)

    def find_fault(self, record: RunRecord, *, at_once: bool = True) -> Explained | None:
        """What explains a failed run, which is kept with it; None if it cannot be told, or not at once."""
        return _find_fault(self._store, record, self._planned, self._diagnosers, at_once=at_once)

    def write_page(self, record: RunRecord, found: Explained | None) -> Path:
        """Write a run's page beside the records (in the default folder for records on a server)."""
        content = _read(self._store, record.run_id)
        faults_seen = self._coverage.get(self._helper)
        return _write(record, content, self._records, found, self._planned, faults_seen)


def write_recorded_report(store: RunStore, run_id: int, records: str | Path) -> RunReport:
    """Diagnose a run of which the job is known from the records alone, and write its page, as at its end."""
    record = store.run(run_id)
    planned = _recorded(record)
    if planned is not None:
        return Reporter(planned, store, records).write(run_id)
    return write_part_report(store, run_id, records)


def write_part_report(store: RunStore, run_id: int, records: str | Path) -> RunReport:
    """Diagnose a run that was no whole test, and write its page without what the sequence sees of faults."""
    record = store.run(run_id)
    found = _find_fault(store, record, None, {}, at_once=True)
    return RunReport(page=_write(record, _read(store, run_id), records, found), found=found)


def write_report_again(
    store: RunStore,
    run_id: int,
    records: str | Path,
    *,
    page: Path | None = None,
) -> Path:
    """Write a run's page once more; nothing is kept in the records. page: None for where its end puts it."""
    record = store.run(run_id)
    content = _read(store, run_id)
    planned = _recorded(record)
    found = kept_explained(store, run_id) or _explained(store, record, planned, {}, at_once=True)
    faults_seen = None if planned is None else KeptCoverage(planned, coverage_folder(records)).get(None)
    return _write(record, content, records, found, planned, faults_seen, page)


@dataclass(frozen=True, kw_only=True)
class _Content:
    """What a page shows of what the records hold of a run."""

    readings: Sequence[Reading]
    waveforms: Mapping[int, Capture]
    events: Sequence[RunEvent[Event | Remembered]]


def _read(store: RunStore, run_id: int) -> _Content:
    return _Content(
        readings=store.readings(run_id), waveforms=store.waveforms(run_id), events=store.events(run_id)
    )


def _write(
    record: RunRecord,
    content: _Content,
    records: str | Path,
    found: Explained | None,
    planned: PlannedJob | None = None,
    faults_seen: Sequence[FaultSeen] | None = None,
    page: Path | None = None,
) -> Path:
    path = page or report_path(records, record.run_id, record.header.serial)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_report(
            record,
            content.readings,
            content.waveforms,
            path,
            None if found is None else found.explanation,
            None if faults_seen is None else draw_coverage(faults_seen),
            () if planned is None else draw_hookups(planned.job, hookups_of(planned.plan)),
            [
                f"{event.at:%H:%M:%S} UTC, {event.text}"
                for event in content.events
                if event.kind in (*BY_HAND, "leads")
            ],
            [event.text for event in content.events if event.kind == "test"],
        )
    except OSError as error:
        raise RecordsError(f"{path}: the report cannot be written: {error.strerror or error}") from error
    return path


def report_path(records: str | Path, run_id: int, serial: str) -> Path:
    """Where a run's report is."""
    return page_beside(records, "reports", run_id, serial)


def page_beside(records: str | Path, folder: str, run_id: int, serial: str) -> Path:
    """Where a page about a run is."""
    safe = re.sub(r"[^A-Za-z0-9._-]+", "_", serial)
    return folder_beside(records, folder) / f"run-{run_id:05d}-{safe}.html"


def coverage_folder(records: str | Path) -> Path:
    """Where what a job's plan sees of every fault is kept for its next run."""
    return folder_beside(records)


def folder_beside(records: str | Path, folder: str = "reports") -> Path:
    """Where pages are: beside the records, in the default folder for records on a server."""
    beside = DEFAULT_RECORDS if "://" in str(records) else Path(records)
    return beside.parent / folder


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
    found = _explained(store, record, planned, diagnosers, at_once=at_once)
    if found is not None:
        keep_explained(store, record.run_id, found)
    return found


def _explained(
    store: RunStore,
    record: RunRecord,
    planned: PlannedJob | None,
    diagnosers: dict[tuple[int, ...], Diagnoser],
    *,
    at_once: bool,
) -> Explained | None:
    try:
        return explain_run(store, record, planned, diagnosers=diagnosers, at_once=at_once)
    except (CircuitError, RecordsError):
        return None
