"""A run's page, and what would explain the run where it did not pass."""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from harness.errors import CircuitError, RecordsError
from harness.workbench.planning import hookups_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from harness.reading import Reading
    from harness.records.run import Event, Remembered, RunEvent, RunRecord
    from harness.records.store import RunStore
    from harness.report.explanation import Explained
    from harness.roles import Capture
    from harness.workbench.described import Described


@dataclass(frozen=True, kw_only=True)
class Reported:
    """A run's page, and what would explain the run where it did not pass."""

    page: Path
    found: "Explained | None"


def write_report_of(
    store: "RunStore", run_id: int, records: str | Path, described: "Described | None" = None
) -> Reported:
    """Diagnose a run that has ended, keep what explains it, and write its page.

    described: its job and plan, where they are at hand.
    """
    record = store.run(run_id)
    described = described or _described(record)
    found = find_fault(store, record, described)
    return Reported(page=write_page(store, record, records, found, described), found=found)


def write_report_again(
    store: "RunStore",
    run_id: int,
    records: str | Path,
    *,
    page: Path | None = None,
) -> Path:
    """Write a run's page once more; nothing is kept in the records.

    page: where to; None where the run's end puts it.
    """
    from harness.report.explanation import kept_explained

    record = store.run(run_id)
    content = _read(store, run_id)
    described = _described(record)
    found = kept_explained(store, run_id) or _explained(store, record, described, at_once=True)
    return _write(record, content, records, found, described, page)


def write_page(
    store: "RunStore",
    record: "RunRecord",
    records: str | Path,
    found: "Explained | None",
    described: "Described | None",
) -> Path:
    """Write a run's page beside the records (in the default folder for records on a server).

    described: what its sequence would see of every fault is told by it; None leaves that out.
    """
    return _write(record, _read(store, record.run_id), records, found, described)


@dataclass(frozen=True, kw_only=True)
class _Content:
    """What a page shows of what the records hold of a run."""

    readings: "Sequence[Reading]"
    waveforms: "Mapping[int, Capture]"
    events: "Sequence[RunEvent[Event | Remembered]]"


def _read(store: "RunStore", run_id: int) -> _Content:
    return _Content(
        readings=store.readings(run_id), waveforms=store.waveforms(run_id), events=store.events(run_id)
    )


def _write(
    record: "RunRecord",
    content: _Content,
    records: str | Path,
    found: "Explained | None",
    described: "Described | None",
    page: Path | None = None,
) -> Path:
    from harness.records.run import BY_HAND
    from harness.report.coverage_picture import draw_coverage
    from harness.report.hookup_picture import draw_hookups
    from harness.report.write import write_report

    path = page or report_path(records, record.run_id, record.header.serial)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_report(
            record,
            content.readings,
            content.waveforms,
            path,
            None if found is None else found.explanation,
            draw_coverage(described.faults_seen(folder_beside(records))) if described is not None else None,
            () if described is None else draw_hookups(described.job, hookups_of(described.plan)),
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
    store: "RunStore", record: "RunRecord", described: "Described | None" = None, *, at_once: bool = True
) -> "Explained | None":
    """What explains a failed run, which is kept with it; None where it cannot be told, or not at once."""
    from harness.report.explanation import keep_explained

    found = _explained(store, record, described, at_once=at_once)
    if found is not None:
        keep_explained(store, record.run_id, found)
    return found


def _explained(
    store: "RunStore", record: "RunRecord", described: "Described | None", *, at_once: bool
) -> "Explained | None":
    from harness.workbench.diagnosed import explain_run

    try:
        return explain_run(store, record, described, at_once=at_once)
    except (CircuitError, RecordsError):
        return None
