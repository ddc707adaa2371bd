"""`switchwalk run`: one unit through a job, on the bench or simulated."""

import sys
from contextlib import ExitStack
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.errand import EXIT_OF, Errand, begin_run, carry_out, leave_nothing_on
from harness.cli.hands import CAUTIONS, PersonAtTheBench, require_person
from harness.cli.options import (
    BenchPath,
    Clumsy,
    Despite,
    Faults,
    Hasten,
    JobFolder,
    RecordsPlace,
    check_place,
)
from harness.cli.outcome import say_outcome
from harness.cli.serials import agreed
from harness.cli.stopping import output_may_be_gone
from harness.errors import UsageError
from harness.workbench.bench_block import check_block
from harness.workbench.described import Described
from harness.workbench.planning import impedances_of, planned
from harness.workbench.report import folder_beside, write_report_of
from harness.workbench.retest import retest_kept
from harness.workbench.serial import serial_mistake
from harness.workbench.simulated import fault_notes, simulated_bench

if TYPE_CHECKING:
    from harness.job.job import Job
    from harness.measure.reference import Reference
    from harness.plan.model import Plan
    from harness.records.store import RunStore
    from harness.session.events import Hands


class ReferenceFrom(StrEnum):
    """Where a run's through reference comes from."""

    auto = "auto"
    own = "own"
    kept = "kept"
    none = "none"


TranscriptPath = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="Write every message on the wires to a file.", show_default=False),
]
OutcomeAsJson = Annotated[bool, typer.Option("--json", help="Print the outcome as JSON, and nothing else.")]


def run(
    job: JobFolder,
    serial: Annotated[str, typer.Option(help="The unit's serial number.", show_default=False)],
    bench: BenchPath = None,
    simulate: Annotated[bool, typer.Option("--simulate", help="Run against a simulated bench.")] = False,
    fault: Faults = None,
    hasten: Hasten = 1.0,
    clumsy: Clumsy = 0.0,
    records: RecordsPlace = None,
    again: Annotated[bool, typer.Option("--again", help="Run a unit that has passed before.")] = False,
    reason: Annotated[
        str, typer.Option(help="Why a unit is run again; kept with the run.", show_default=False)
    ] = "",
    operator: Annotated[str | None, typer.Option(help="Who runs it.", show_default=False)] = None,
    despite: Despite = "",
    reference: Annotated[
        ReferenceFrom,
        typer.Option(
            help="The through reference: auto (a new one; a kept one where it would need hands and is still "
            "good), own, kept, or none."
        ),
    ] = ReferenceFrom.auto,
    transcript: TranscriptPath = None,
    as_json: OutcomeAsJson = False,
) -> None:
    """Test one unit: every state, both channels; ends in PASS, FAIL or UNPROVEN and a report."""
    from harness.job.load import load_job
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records
    from harness.workbench.job_files import read_job

    described = read_job(job, bench)
    _check_request(described, serial, simulate=simulate, bench=bench, faults=fault or [], hasten=hasten)
    if clumsy and not simulate:
        raise UsageError("--clumsy is for simulated hands; add --simulate")
    if not simulate:
        leave_nothing_on(described, bench)
    with ExitStack() as open_things:
        hands: Hands = PersonAtTheBench(described)
        if simulate:
            simulated = open_things.enter_context(
                simulated_bench(job, serial=serial, faults=fault or [], hasten=hasten, clumsy=clumsy)
            )
            described = load_job(job, simulated.bench_file)
            bench, hands = simulated.bench_file, simulated
        plan = planned(described, bench)
        if not simulate:
            require_person(plan)
        # Only now: a job that cannot be planned leaves no records behind.
        store = open_things.enter_context(open_records(records or DEFAULT_RECORDS))
        _check_passed(store, serial, described.module.part, simulate=simulate, again=again, as_json=as_json)
        retest = retest_kept(store, described, serial, simulate=simulate, who=operator, why=reason)
        override = check_block(store, described, simulated=simulate, despite=despite, who=operator)
        if not as_json:
            typer.echo(CAUTIONS)
        if reference is ReferenceFrom.none:
            plan = replace(plan, through=None)
        known = Described(job=described, plan=plan, impedances=impedances_of(described, bench))
        errand = Errand(
            job=described,
            plan=plan,
            serial=serial,
            operator=operator,
            simulated=simulate,
            notes=fault_notes(fault or []),
            simulated_faults=tuple(fault or ()),
            bench_file=bench,
            transcript=transcript,
            quiet=as_json,
            kept=_kept(store, described, plan, reference, simulate=simulate),
        )
        begin = begin_run(errand, store, (*retest, *override))
        open_things.enter_context(known.helped(folder_beside(records or DEFAULT_RECORDS)))
        run_id, ended = carry_out(errand, store, hands, begin)
        reported = write_report_of(store, run_id, records or DEFAULT_RECORDS, known)
    with output_may_be_gone():
        say_outcome(run_id, serial, ended, reported, as_json=as_json)
    raise typer.Exit(EXIT_OF[ended.outcome])


def _kept(
    store: "RunStore", job: "Job", plan: "Plan", reference: ReferenceFrom, *, simulate: bool
) -> "Reference | None":
    """The kept reference to try: where it is asked for, or where a new one would need hands."""
    from harness.measure.reference import Reference

    by_hand = plan.through is not None and plan.through.select is None
    wanted = reference is ReferenceFrom.kept or (reference is ReferenceFrom.auto and by_hand)
    if not wanted or job.bench is None:
        return None
    found = store.latest_reference(job.bench.name, simulated=simulate)
    if found is None and reference is ReferenceFrom.kept:
        raise UsageError(
            f"no through reference is kept of {job.bench.name!r}; `switchwalk reference` makes one"
        )
    return None if found is None else Reference.from_dict(found.content)


def _check_request(
    job: "Job", serial: str, *, simulate: bool, bench: Path | None, faults: list[str], hasten: float
) -> None:
    """Refuse what cannot be run, before anything is opened."""
    wrong = serial_mistake(serial, job.sequence)
    if wrong:
        raise UsageError(f"--serial {serial!r}: {wrong}")
    check_place(job, bench, simulate=simulate, hasten=hasten, faults=faults)


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
    if not agreed(f"{said}. Run it again?"):
        raise UsageError("not run again")
