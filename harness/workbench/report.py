"""A run's page, and what would explain the run where it did not pass."""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from harness.errors import CircuitError, RecordsError
from harness.workbench.planning import hookups_of

if TYPE_CHECKING:
    from harness.records.run import RunRecord
    from harness.records.store import RunStore
    from harness.workbench.described import Described
    from harness.workbench.diagnosed import Diagnosed


@dataclass(frozen=True, kw_only=True)
class Reported:
    """A run's page, and what would explain the run where it did not pass."""

    page: Path
    found: "Diagnosed | None"


def write_report_of(
    store: "RunStore", run_id: int, records: str | Path, described: "Described | None" = None
) -> Reported:
    """Diagnose a run that failed, and write its page. described: its job and plan, where they are at hand."""
    record = store.run(run_id)
    described = described or _described(record)
    found = find_fault(store, record, described)
    return Reported(page=write_page(store, record, records, found, described), found=found)


def write_page(
    store: "RunStore",
    record: "RunRecord",
    records: str | Path,
    found: "Diagnosed | None",
    described: "Described | None",
) -> Path:
    """Write the run's page beside the records (in the default folder for records on a server).

    described: what its sequence would see of every fault is told by it, and what of the run is drawn already;
    None leaves that out.
    """
    from harness.report.coverage_picture import draw_coverage
    from harness.report.hookup_picture import draw_hookups
    from harness.report.write import NOT_DRAWN, write_report

    run_id = record.run_id
    events, readings = store.events(run_id), store.readings(run_id)
    path = report_path(records, run_id, record.header.serial)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_report(
            record,
            readings,
            store.waveforms(run_id),
            path,
            None if found is None else found.explanation,
            draw_coverage(described.faults_seen(path.parent)) if described is not None else None,
            () if described is None else draw_hookups(described.job, hookups_of(described.plan)),
            [
                f"{event.at:%H:%M:%S} UTC, {event.text}"
                for event in events
                if event.kind in ("by hand", "hookup")
            ],
            [event.text for event in events if event.kind == "test"],
            NOT_DRAWN if described is None else described.drawn(readings),
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


def folder_beside(records: str | Path, folder: str = "reports") -> Path:
    """Where pages are: beside the records, in the default folder for records on a server."""
    from harness.records.run import DEFAULT_RECORDS

    beside = DEFAULT_RECORDS if "://" in str(records) else Path(records)
    return beside.parent / folder


def _described(record: "RunRecord") -> "Described | None":
    from harness.workbench.described import recorded_description

    try:
        return recorded_description(record)
    except (CircuitError, RecordsError):
        return None


def find_fault(
    store: "RunStore", record: "RunRecord", described: "Described | None" = None
) -> "Diagnosed | None":
    """What would explain a failed run; a report is written without it where that cannot be told."""
    from harness.workbench.diagnosed import diagnose_run_end

    try:
        return diagnose_run_end(store, record, described)
    except (CircuitError, RecordsError):
        return None
