"""`switchwalk run` and `switchwalk resume`: one unit through a job, on the bench or simulated."""

import sys
from collections.abc import Callable
from contextlib import ExitStack
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from harness.cli import options
from harness.cli.live.plain import Watcher
from harness.cli.live.view import live_or_lines, watched
from harness.cli.outcome import EXIT_OF, say_outcome
from harness.cli.person import (
    PersonAtTheBench,
    agreed,
    ask_at_supply,
    person_at,
    simulation_for,
    tell,
    tell_new_folder,
)
from harness.cli.terminal import Stopping, output_may_be_gone, shown_progress, stoppable
from harness.errors import UsageError
from harness.measure.reference import Reference
from harness.records.run import RunHeader, RunRecord
from harness.records.store import RunStore, open_records
from harness.report.run_report import (
    Reporter,
    RunReport,
    coverage_folder,
    report_path,
    write_recorded_report,
)
from harness.report.words import TERMINAL_CAUTIONS
from harness.session.admission import (
    admit,
    passed_before,
    refuse_running,
    serial_mistake,
    whole_run_due,
)
from harness.session.open_bench import OpenBench, at_bench
from harness.session.planned_job import read_job
from harness.session.request.fewest import Fewest, Production, fewest_steps
from harness.session.request.header import RunRequest
from harness.session.resume_point import check_files, find_resume_point, left_to_do
from harness.session.simulated import Simulation
from harness.session.unit_run import RunResult, UnitRun

AGREED = "somebody at the terminal agreed to it"


class ReferenceFrom(StrEnum):
    """Where a run's through reference comes from."""

    auto = "auto"
    own = "own"
    kept = "kept"
    none = "none"


OutcomeAsJson = Annotated[bool, typer.Option("--json", help="Print the outcome as JSON, and nothing else.")]


def run(
    job: options.JobFolder,
    serial: Annotated[str, typer.Option(metavar="SERIAL", help="The unit's serial number.")],
    bench: options.BenchPath = None,
    fixture: options.FixturePath = None,
    sequence: options.SequencePath = None,
    simulate: options.SimulateRun = False,
    fault: options.Faults = None,
    speed: options.Speed = 1.0,
    lead_errors: options.LeadErrors = 0.0,
    imperfection: options.ImperfectionSizes = None,
    records: options.RecordsLocation = options.RECORDS,
    again: options.Again = "",
    operator: options.Operator = None,
    shortest: options.Shortest = False,
    stop_at_fail: options.StopAtFail = False,
    override: options.Override = "",
    reference: Annotated[
        ReferenceFrom,
        typer.Option(
            help="The through reference: own (take a new one), kept (use the recorded one), none, or auto "
            "(own; kept if a new one would need hands and the recorded one is still valid)."
        ),
    ] = ReferenceFrom.auto,
    transcript: options.TranscriptPath = None,
    as_json: OutcomeAsJson = False,
) -> None:
    """Test one unit in every state, on both channels. The run ends with PASS, FAIL or UNPROVEN, and a
    report.
    """
    described = read_job(job, bench, sequence_file=sequence, fixture_file=fixture)
    wrong = serial_mistake(serial, described.sequence)
    if wrong:
        raise UsageError(f"--serial {serial!r}: {wrong}")
    wanted = Simulation(
        serial=serial,
        faults=fault or (),
        speed=speed,
        lead_errors=lead_errors,
        imperfections=imperfection or (),
    )
    simulation = simulation_for(described, bench, wanted, simulate=simulate)
    tell_new_folder(records)
    with (
        stoppable() as stopping,
        at_bench(
            described,
            bench_file=bench,
            simulation=simulation,
            hands=person_at,
            through=reference is not ReferenceFrom.none,
            transcript=transcript,
            tell=tell,
            ask=ask_at_supply,
        ) as opened,
        # Only now: a job that cannot be planned leaves no records behind.
        open_records(records) as store,
    ):
        fewest = fewest_of(opened, records) if shortest or stop_at_fail else None
        opened.instruments()  # which say whether they are simulated
        simulated = opened.simulated
        again = again or _agreed_to(passed_before(store, opened.job, serial, simulated=simulated), as_json)
        noted = admit(
            store, opened.job, serial, simulated=simulated, who=operator, again=again, override=override
        )
        opened.reference = _kept_reference(store, opened, reference)
        production = None
        if fewest is not None:
            due = whole_run_due(store, opened.job, simulated=simulated) if shortest else ""
            tell_whole_run(serial, due)
            production = production_of(fewest, shortest=shortest and not due, stop_at_fail=stop_at_fail)
        request = RunRequest(
            serial=serial, operator=operator, faults=tuple(fault or ()), noted=noted, production=production
        )
        shown = None if as_json else live_or_lines(opened, serial, request.plan_of(opened.planned.plan))
        begin = partial(UnitRun.begin, opened, store, request)
        result, report = _complete(opened, Reporter(opened.planned, store, records), begin, stopping, shown)
    _end(result, serial, report, as_json=as_json)


def resume(
    run: options.RunNumber,
    serial: Annotated[
        str | None,
        typer.Option(
            metavar="SERIAL",
            help="The serial number of the unit in the fixture, to confirm that it is the run's.",
        ),
    ] = None,
    speed: options.Speed = 1.0,
    records: options.RecordsLocation = options.RECORDS,
    transcript: options.TranscriptPath = None,
    as_json: OutcomeAsJson = False,
) -> None:
    """Continue a run that was interrupted or stopped, on the same bench with the same unit."""
    open_records(records, read_only=True).close()  # no new records for a run that can't be there
    with stoppable() as stopping, open_records(records) as store:
        record = store.run(run)
        header = record.header
        refuse_running(store, run)
        if _lacks_report(record, records):
            report = write_recorded_report(store, run, records)
            _end(_recorded_result(store, record), header.serial, report, as_json=as_json)
        point = find_resume_point(store, record)
        if speed != 1.0 and not header.bench_started:
            raise UsageError("--speed is for a simulated bench")
        noted = Simulation(serial=header.serial, faults=header.simulated_faults, speed=speed)
        with at_bench(
            read_job(
                point.job_folder,
                point.bench_file,
                sequence_file=point.sequence_file,
                fixture_file=point.fixture_file,
            ),
            bench_file=point.bench_file,
            simulation=noted if header.bench_started else None,
            hands=lambda planned: PersonAtTheBench(planned.job),
            transcript=transcript,
            tell=tell,
            ask=ask_at_supply,
        ) as opened:
            _check_unit(header, serial, as_json=as_json)
            check_files(header, opened.planned)
            left = left_to_do(header, point.plan_of(opened.planned.plan), point.readings)
            shown = None if as_json else live_or_lines(opened, header.serial, left)
            begin = partial(UnitRun.resume, opened, store, point, left)
            result, report = _complete(
                opened, Reporter(opened.planned, store, records), begin, stopping, shown
            )
    _end(result, header.serial, report, as_json=as_json)


def fewest_of(bench: OpenBench, records: str) -> Fewest:
    """The fewest steps of a bench's job, kept beside the records; says so if they are being searched for."""
    with ExitStack() as shown:

        def search() -> None:
            shown.enter_context(shown_progress("run", "searching for the fewest steps, kept for next time"))

        return fewest_steps(bench.planned, coverage_folder(records), search)


def production_of(fewest: Fewest, *, shortest: bool, stop_at_fail: bool) -> Production | None:
    """How a run differs from a whole one; None if it does not."""
    if not (shortest or stop_at_fail):
        return None
    return Production(fewest=fewest, shortest=shortest, stop_at_fail=stop_at_fail)


def tell_whole_run(serial: str, why: str) -> None:
    """Say why a unit has a whole run although shortest ones were asked for; "" if it has none."""
    if why:
        tell(f"{serial}: a whole run, as {why}")


def _complete(
    opened: OpenBench,
    reporter: Reporter,
    begin: Callable[..., UnitRun],
    stopping: Stopping,
    shown: Watcher | None,
) -> tuple[RunResult, RunReport]:
    """Run a unit to its end and write its page. begin: takes `hands` and `observe`. shown: None if quiet."""
    if shown is not None:
        typer.echo(TERMINAL_CAUTIONS)
    with reporter.helped():
        with (
            watched(opened, stopping, shown) as (observe, hands),
            begin(hands=hands, observe=observe) as unit_run,
        ):
            result = unit_run.complete()
        opened.close()
        return result, reporter.write(result.run_id)


def _end(result: RunResult, serial: str, report: RunReport, *, as_json: bool) -> NoReturn:
    with output_may_be_gone():
        say_outcome(result, serial, report, as_json=as_json)
    raise typer.Exit(EXIT_OF[result.outcome])


def _agreed_to(passed: str, as_json: bool) -> str:
    """Ask before a unit that has passed is run again; if nobody can be asked, --again must say why."""
    if not passed:
        return ""
    if as_json or not sys.stdin.isatty():
        raise UsageError(f"{passed}; add --again REASON to run it again")
    if not agreed(f"{passed}. Run it again?"):
        raise UsageError("not run again")
    return AGREED


def _kept_reference(store: RunStore, bench: OpenBench, reference: ReferenceFrom) -> Reference | None:
    """The recorded reference to try, if it is asked for or a new one would need hands."""
    by_hand = bench.planned.plan.through_by_hand
    if reference is not ReferenceFrom.kept and not (reference is ReferenceFrom.auto and by_hand):
        return None
    result = store.latest_reference(bench.file.name, simulated=bench.simulated)
    if result is None and reference is ReferenceFrom.kept:
        raise UsageError(
            f"no through reference is kept of {bench.file.name!r}; `switchwalk reference` makes one"
        )
    return None if result is None else Reference.from_dict(result.content)


def _lacks_report(record: RunRecord, records: str | Path) -> bool:
    """Whether a run came to its verdict and was killed before its page was written."""
    page = report_path(records, record.run_id, record.header.serial)
    return record.outcome in ("pass", "fail", "unproven") and not page.exists()


def _recorded_result(store: RunStore, record: RunRecord) -> RunResult:
    """How a run ended that only lacks its page."""
    return RunResult(
        run_id=record.run_id,
        outcome=record.outcome if record.outcome != "interrupted" else "stopped",
        reason=record.reason,
        readings=tuple(store.readings(record.run_id)),
        duration_s=0.0,
    )


def _check_unit(header: RunHeader, serial: str | None, *, as_json: bool) -> None:
    """Have a person confirm that the unit in the fixture is the run's, which cannot be measured."""
    if serial is not None and serial != header.serial:
        raise UsageError(f"the run is of unit {header.serial}, and --serial says {serial}. Start a new run")
    if serial is not None or header.bench_started:
        return
    if as_json or not sys.stdin.isatty():
        raise UsageError(f"name the unit in the fixture with --serial; the run is of {header.serial}")
    if not agreed(f"Is unit {header.serial} in the fixture, as it was?"):
        raise UsageError("not resumed")
