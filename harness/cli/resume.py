"""`switchwalk resume`: a run that was interrupted or stopped goes on with its first unfinished step."""

import sys
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.errand import EXIT_OF, Errand, carry_out, leave_nothing_on
from harness.cli.hands import CAUTIONS, PersonAtTheBench
from harness.cli.options import Hasten, RecordsPlace
from harness.cli.outcome import say_outcome
from harness.cli.run import OutcomeAsJson, TranscriptPath
from harness.cli.serials import agreed
from harness.cli.stopping import output_may_be_gone
from harness.errors import UsageError, WrongInstrument
from harness.units import counted
from harness.workbench.described import Described
from harness.workbench.held import refuse_held
from harness.workbench.planning import files_of, impedances_of, planned
from harness.workbench.report import folder_beside, report_path, write_report_of
from harness.workbench.simulated import simulated_bench

if TYPE_CHECKING:
    from harness.job.job import Job
    from harness.plan.model import Plan
    from harness.reading import Reading
    from harness.records.run import RunHeader, RunRecord
    from harness.records.store import RunStore
    from harness.roles import Bench
    from harness.session.events import Hands
    from harness.session.run import Ended
    from harness.toml_files.file import JobFile


def resume(
    run: Annotated[int, typer.Argument(metavar="RUN", help="The run's number.", show_default=False)],
    serial: Annotated[
        str | None,
        typer.Option(help="The serial number of the unit in the fixture, to say that it is the run's."),
    ] = None,
    hasten: Hasten = 1.0,
    records: RecordsPlace = None,
    transcript: TranscriptPath = None,
    as_json: OutcomeAsJson = False,
) -> None:
    """Go on with a run that was interrupted or stopped, on the same bench with the same unit."""
    from harness.job.load import load_job
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records

    with ExitStack() as open_things:
        store = open_things.enter_context(open_records(records or DEFAULT_RECORDS))
        record = store.run(run)
        header = record.header
        recorded = store.readings(run)
        refuse_held(store, run)
        if _lacks_report(record, records or DEFAULT_RECORDS):
            raise typer.Exit(_end_with_report(store, record, records or DEFAULT_RECORDS, as_json=as_json))
        _check_run(record, recorded)
        bench = Path(header.bench_file) if header.bench_file else None
        described = load_job(Path(header.job_folder), bench)
        if not header.simulated:
            leave_nothing_on(described, bench)
        hands: Hands = PersonAtTheBench(described)
        _check_unit(header, serial, as_json=as_json)
        if hasten != 1.0 and not header.simulated:
            raise UsageError("--hasten is for a simulated bench")
        if header.simulated:
            simulated = open_things.enter_context(
                simulated_bench(
                    described.folder,
                    serial=header.serial,
                    faults=header.simulated_faults,
                    hasten=hasten,
                )
            )
            described = load_job(described.folder, simulated.bench_file)
            bench, hands = simulated.bench_file, simulated
        _check_files(header, described, files_of(described, bench))
        if not as_json:
            typer.echo(CAUTIONS)
        plan = planned(described, bench)
        left = _left(header, plan, recorded)
        known = Described(job=described, plan=plan, impedances=impedances_of(described, bench))
        open_things.enter_context(known.helped(folder_beside(records or DEFAULT_RECORDS)))
        errand = Errand(
            job=described,
            plan=left,
            serial=header.serial,
            operator=header.operator,
            simulated=header.simulated,
            notes=header.notes,
            simulated_faults=header.simulated_faults,
            bench_file=bench,
            transcript=transcript,
            quiet=as_json,
        )
        run_id, ended = _go_on(errand, store, hands, record, recorded)
        reported = write_report_of(store, run_id, records or DEFAULT_RECORDS, known)
    with output_may_be_gone():
        say_outcome(run_id, header.serial, ended, reported, as_json=as_json)
    raise typer.Exit(EXIT_OF[ended.outcome])


def _lacks_report(record: "RunRecord", records: str | Path) -> bool:
    """Whether a run came to its verdict and was killed before its page was written."""
    page = report_path(records, record.run_id, record.header.serial)
    return record.outcome in ("pass", "fail", "unproven") and not page.exists()


def _end_with_report(store: "RunStore", record: "RunRecord", records: str | Path, *, as_json: bool) -> int:
    """Write the page that a run lacks; gives the exit code that the run had. Nothing is measured."""
    from harness.session.run import Ended

    ended = Ended(
        outcome=record.outcome if record.outcome != "interrupted" else "stopped",
        reason=record.reason,
        readings=tuple(store.readings(record.run_id)),
    )
    reported = write_report_of(store, record.run_id, records)
    with output_may_be_gone():
        say_outcome(record.run_id, record.header.serial, ended, reported, as_json=as_json)
    return EXIT_OF[ended.outcome]


def _check_run(record: "RunRecord", recorded: "Sequence[Reading]") -> None:
    """Refuse a run that has a verdict, that lost readings for good, or whose job is not known."""
    from harness.reading import LostToBench
    from harness.records.evidence import refuse_upgraded

    if record.outcome not in ("interrupted", "stopped"):
        raise UsageError(
            f"run {record.run_id} ended with {record.outcome}: nothing is left to go on with. Begin a new run"
        )
    refuse_upgraded(record, "a run that goes on")
    lost = [each for each in recorded if any(isinstance(fact, LostToBench) for fact in each.facts)]
    if lost:
        raise UsageError(
            f"run {record.run_id} has {counted(len(lost), 'reading')} that the bench failed to take, so that "
            "it cannot come to a verdict. Begin a new run"
        )
    if record.header.purpose == "own tests":
        raise UsageError(
            f"run {record.run_id} was made by pytest, and only that knows what it would have measured next. "
            "Start pytest again: that begins a new run"
        )
    if not record.header.job_folder:
        raise UsageError(f"run {record.run_id} does not say where its job's files are. Begin a new run")


def _check_unit(header: "RunHeader", serial: str | None, *, as_json: bool) -> None:
    """Have it said that the unit in the fixture is the run's: nothing on the wires can tell."""
    if serial is not None and serial != header.serial:
        raise UsageError(f"the run is of unit {header.serial}, and --serial says {serial}. Begin a new run")
    if serial is not None or header.simulated:
        return
    if as_json or not sys.stdin.isatty():
        raise UsageError(f"say which unit is in the fixture, with --serial; the run is of {header.serial}")
    if not agreed(f"Is unit {header.serial} in the fixture, as it was?"):
        raise UsageError("not resumed")


def _check_files(header: "RunHeader", job: "Job", files: "tuple[JobFile, ...]") -> None:
    """Refuse files of other content. A simulated bench's own file has new addresses each time."""
    then, now = list(header.files), list(files)
    if header.simulated:
        then, now = then[:3] + then[4:], now[:3] + now[4:]
    for before in then:
        after = next((file for file in now if file.name == before.name), None)
        if after is None or after.sha256 != before.sha256:
            what = "is not there any more" if after is None else "was changed since the run began"
            raise UsageError(
                f"{before.name} in {job.folder} {what}. Bring it back as it was (`switchwalk show` has its "
                "SHA-256), or begin a new run"
            )
    if len(now) != len(then):
        raise UsageError(f"{job.folder} has other files than when the run began. Begin a new run")


def _left(header: "RunHeader", plan: "Plan", recorded: "Sequence[Reading]") -> "Plan":
    from harness.plan.remaining import remaining_plan

    if plan.count != header.planned_readings:
        raise UsageError(
            f"the run had {header.planned_readings} readings planned, and this version of switchwalk plans "
            f"{plan.count}. Begin a new run"
        )
    return remaining_plan(plan, recorded)


def _go_on(
    errand: Errand, store: "RunStore", hands: "Hands", record: "RunRecord", recorded: "Sequence[Reading]"
) -> "tuple[int, Ended]":
    from harness.records.run import CurrentsDrawn, Resumed
    from harness.session.run import Before

    events = [each.event for each in store.events(record.run_id)]
    drawn = [event.currents_a for event in events if isinstance(event, CurrentsDrawn)]
    currents_a = drawn[0] if drawn else None

    def go_on(bench: "Bench") -> int:
        _check_identities(record.header, bench)
        left = errand.plan.count
        there = counted(len(recorded), "reading")
        text = f"with {there} there and {left} to make, after it was {record.outcome}"
        text = f"{text}: {record.reason}" if record.reason else text
        resumed = Resumed(after=record.outcome, recorded=len(recorded), remaining=left)
        store.reopen(record.run_id, resumed, text, datetime.now(UTC))
        return record.run_id

    before = Before(readings=tuple(recorded), currents_a=currents_a)
    return carry_out(errand, store, hands, go_on, before)


def _check_identities(header: "RunHeader", bench: "Bench") -> None:
    """Refuse another bench than the run began on. Raises WrongInstrument; nothing was driven."""
    now = (
        bench.generator.identity,
        bench.oscilloscope.identity,
        bench.supply.identity,
        bench.switchboard.identity,
    )
    for before, after in zip(header.instruments, now, strict=True):
        if header.simulated:
            after = replace(after, address=before.address)
        if before != after:
            raise WrongInstrument(
                f"the run began with {before.text!r} at {before.address}, and now {after.text!r} answers. "
                "Put the same instrument back, or begin a new run",
                instrument=after.role,
                address=after.address,
            )
