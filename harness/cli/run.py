"""`switchwalk run`: one unit through a job, on the bench or simulated."""

import re
import sys
import time
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.hands import CAUTIONS, PersonAtTheBench
from harness.cli.job import BenchPath, JobFolder, planned, profile_folder
from harness.cli.outcome import say_outcome, write_report_of
from harness.cli.simulate import Faults, Hasten, simulated_bench
from harness.cli.stopping import stoppable
from harness.errors import EXIT_BENCH, EXIT_FAIL, EXIT_PASS, EXIT_UNPROVEN, UsageError

if TYPE_CHECKING:
    from harness.descriptions.job import Job
    from harness.plan.model import Plan
    from harness.records.run import RunHeader
    from harness.records.store import RunStore
    from harness.roles import Bench
    from harness.runner.events import Event, Hands
    from harness.runner.run import Ended

EXIT_OF = {"pass": EXIT_PASS, "fail": EXIT_FAIL, "unproven": EXIT_UNPROVEN, "stopped": EXIT_BENCH}
LONGEST_SERIAL = 64


class WallClock:
    """Time as the bench has it."""

    def now_s(self) -> float:
        """Seconds that only go forward."""
        return time.monotonic()

    def wait(self, duration_s: float) -> None:
        """Let time pass."""
        time.sleep(duration_s)


@dataclass(frozen=True, kw_only=True)
class Errand:
    """What is to be run, and how it was asked for."""

    job: "Job"
    plan: "Plan"
    serial: str
    operator: str | None
    simulated: bool
    notes: str
    bench_folder: Path
    transcript: Path | None
    quiet: bool


def run(
    job: JobFolder,
    serial: Annotated[str, typer.Option(help="The unit's serial number.", show_default=False)],
    bench: BenchPath = None,
    simulate: Annotated[bool, typer.Option("--simulate", help="Run against a simulated bench.")] = False,
    fault: Faults = None,
    hasten: Hasten = 1.0,
    records: Annotated[
        str | None,
        typer.Option(
            metavar="PLACE",
            help="A SQLite file or a database URL  [default: switchwalk-records/records.sqlite]",
            show_default=False,
        ),
    ] = None,
    again: Annotated[bool, typer.Option("--again", help="Run a unit that has passed before.")] = False,
    operator: Annotated[str | None, typer.Option(help="Who runs it.", show_default=False)] = None,
    transcript: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write every message on the wires to a file.", show_default=False),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the outcome as JSON, and nothing else.")
    ] = False,
) -> None:
    """Test one unit: every state, both channels; ends in PASS, FAIL or UNPROVEN and a report."""
    from harness.descriptions.load import load_job
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records

    described = load_job(job, bench)
    _check_request(described, serial, simulate=simulate, bench=bench, faults=fault or [], hasten=hasten)
    with ExitStack() as open_things:
        store = open_things.enter_context(open_records(records or DEFAULT_RECORDS))
        _check_passed(store, serial, described.module.part, simulate=simulate, again=again, as_json=as_json)
        if not as_json:
            typer.echo(CAUTIONS)
        hands: Hands = PersonAtTheBench()
        if simulate:
            simulated = open_things.enter_context(
                simulated_bench(job, serial=serial, faults=fault or [], hasten=hasten)
            )
            described = load_job(job, simulated.bench_file)
            bench, hands = simulated.bench_file, simulated
        errand = Errand(
            job=described,
            plan=planned(described, bench),
            serial=serial,
            operator=operator,
            simulated=simulate,
            notes=f"simulated faults: {'; '.join(fault)}" if fault else "",
            bench_folder=profile_folder(described, bench),
            transcript=transcript,
            quiet=as_json,
        )
        run_id, ended = _run(errand, store, hands)
        report = write_report_of(store, run_id, records or DEFAULT_RECORDS)
    say_outcome(run_id, serial, ended, report, as_json=as_json)
    raise typer.Exit(EXIT_OF[ended.outcome])


def _check_request(
    job: "Job", serial: str, *, simulate: bool, bench: Path | None, faults: list[str], hasten: float
) -> None:
    """Refuse what cannot be run, before anything is opened."""
    if not serial or len(serial) > LONGEST_SERIAL or not serial.isprintable() or serial != serial.strip():
        raise UsageError(
            f"--serial {serial!r}: expected 1 to {LONGEST_SERIAL} printable characters, no space at the ends"
        )
    pattern = job.sequence.serial_pattern
    if pattern is not None and re.fullmatch(pattern, serial) is None:
        raise UsageError(f"--serial {serial}: the sequence wants the pattern {pattern}")
    if simulate:
        if bench is not None:
            raise UsageError("--simulate brings a bench of its own; leave --bench out")
        return
    if faults or hasten != 1.0:
        raise UsageError("--fault and --hasten are for a simulated bench; add --simulate")
    if job.bench is None:
        raise UsageError(
            f"{job.folder}: no bench.toml in the job; give --bench FILE, or --simulate to run without a bench"
        )


def _check_passed(
    store: "RunStore", serial: str, part: str, *, simulate: bool, again: bool, as_json: bool
) -> None:
    """Ask before a unit that has passed is run again; where nobody can be asked, --again must say so."""
    before = store.passed(serial, part, simulated=simulate)
    if before is None or again:
        return
    said = (
        f"unit {serial} passed already, in run {before.run_id} of {before.header.started:%Y-%m-%d %H:%M} UTC"
    )
    if as_json or not sys.stdin.isatty():
        raise UsageError(f"{said}; add --again to run it again")
    if not typer.confirm(f"{said}. Run it again?"):
        raise UsageError("not run again")


def _run(errand: Errand, store: "RunStore", hands: "Hands") -> tuple[int, "Ended"]:
    """Open the bench, begin the run in the records and carry out the plan."""
    from drivers.bench import open_bench
    from harness.cli.watch import watcher
    from harness.runner.run import run_plan

    if errand.job.bench is None:
        raise UsageError("this job has no bench")

    def ignore(event: "Event") -> None:
        """Nobody is watching."""

    with (
        stoppable(),
        open_bench(errand.job.bench, folder=errand.bench_folder, transcript=errand.transcript) as bench,
        ExitStack() as watching,
    ):
        observe = ignore if errand.quiet else watching.enter_context(watcher())
        run_id = store.begin(_header(errand, bench))
        try:
            ended = run_plan(
                errand.plan, errand.job, bench, store, run_id, hands=hands, observe=observe, clock=WallClock()
            )
        except BaseException as error:
            error.add_note(f"run {run_id} is kept as stopped, with no verdict on unit {errand.serial}")
            raise
    return run_id, ended


def _header(errand: Errand, bench: "Bench") -> "RunHeader":
    from harness.records.run import RunHeader

    job = errand.job
    return RunHeader(
        serial=errand.serial,
        module_name=job.module.name,
        part=job.module.part,
        revision=job.module.revision,
        sequence_name=job.sequence.name,
        decision=job.sequence.decision,
        bench_name=job.bench.name if job.bench else "",
        operator=errand.operator,
        started=datetime.now(UTC),
        software_version=version("switchwalk"),
        simulated=errand.simulated,
        notes=errand.notes,
        instruments=(
            bench.generator.identity,
            bench.oscilloscope.identity,
            bench.supply.identity,
            bench.switchboard.identity,
        ),
        files=job.files,
        planned_readings=len(errand.plan.readings),
    )
