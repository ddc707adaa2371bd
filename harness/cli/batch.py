"""`switchwalk batch`: unit after unit through a job, the bench kept open between them."""

import sys
from collections import Counter
from collections.abc import Iterable, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.errand import Errand
from harness.cli.hands import CAUTIONS, NOBODY
from harness.cli.options import BenchPath, Despite, Hasten, JobFolder, RecordsPlace, check_place
from harness.cli.run import TranscriptPath
from harness.cli.serials import asked_serials, read_serials
from harness.cli.stopping import output_may_be_gone, stoppable
from harness.errors import (
    EXIT_BENCH,
    EXIT_FAIL,
    EXIT_PASS,
    EXIT_UNPROVEN,
    EXIT_USAGE,
    SwitchwalkError,
    UsageError,
)
from harness.workbench.bench_block import check_block
from harness.workbench.described import Described
from harness.workbench.planning import impedances_of
from harness.workbench.report import folder_beside
from harness.workbench.retest import check_count, earlier_runs, said

if TYPE_CHECKING:
    from harness.cli.batch_units import UnitResult, Units
    from harness.cli.station import Station
    from harness.job.job import Job
    from harness.records.store import RunStore
    from harness.session.events import Hands

Again = Annotated[
    str,
    typer.Option(
        "--again",
        metavar="REASON",
        help="Run units again that have been run before, for this reason; --operator says who lets them.",
        show_default=False,
    ),
]
SerialsFile = Annotated[
    Path | None,
    typer.Option(
        "--serials",
        metavar="FILE",
        help="Serial numbers, a line each, in place of asking.",
        show_default=False,
    ),
]
Operator = Annotated[str | None, typer.Option(help="Who runs it.", show_default=False)]
Seed = Annotated[int, typer.Option(help="Draws which units are faulty, and by what.")]


def batch(
    job: JobFolder,
    serials: SerialsFile = None,
    name: Annotated[str, typer.Option("--batch", metavar="NAME", help="The batch's name.")] = "",
    operator: Operator = None,
    notes: Annotated[str, typer.Option(help="Kept with each run.", show_default=False)] = "",
    again: Again = "",
    despite: Despite = "",
    bench: BenchPath = None,
    simulate: Annotated[bool, typer.Option("--simulate", help="Run against a simulated bench.")] = False,
    faulty: Annotated[
        float, typer.Option(min=0.0, max=1.0, metavar="SHARE", help="Share of simulated units with a fault.")
    ] = 0.0,
    seed: Seed = 1,
    hasten: Hasten = 1.0,
    records: RecordsPlace = None,
    transcript: TranscriptPath = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the batch as JSON at its end, and nothing else.")
    ] = False,
) -> None:
    """Test unit after unit: serial, run, one big word, the likely fault, and ready for the next."""
    from harness.cli.batch_units import Units
    from harness.cli.station import workplace
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records
    from harness.workbench.job_files import read_job

    described = read_job(job, bench)
    check_place(described, bench, simulate=simulate, hasten=hasten)
    _check_faulty(faulty, serials, simulate=simulate)
    _check_person(serials, simulate=simulate)
    wanted = None if serials is None else read_serials(serials, described.sequence)
    faults = _faults(wanted, faulty, described, seed)
    with ExitStack() as open_things:
        store = open_things.enter_context(open_records(records or DEFAULT_RECORDS))
        _check_wanted(store, described, wanted or [], simulate=simulate, again=again, operator=operator)
        first = wanted[0] if wanted else "none"
        here = open_things.enter_context(
            workplace(described, bench, simulate=simulate, hasten=hasten, first=first)
        )
        known = Described(job=here.job, plan=here.plan, impedances=impedances_of(here.job, here.bench_file))
        open_things.enter_context(known.helped(folder_beside(records or DEFAULT_RECORDS)))
        errand = Errand(
            job=here.job,
            plan=here.plan,
            serial="",
            operator=operator,
            simulated=simulate,
            notes=notes,
            bench_file=here.bench_file,
            transcript=transcript,
            quiet=as_json,
            batch=name,
        )
        override = check_block(store, here.job, simulated=simulate, despite=despite, who=operator)
        if not as_json:
            typer.echo(CAUTIONS)
        units = Units(
            errand=errand,
            known=known,
            store=store,
            records=records or DEFAULT_RECORDS,
            simulated=here.simulated,
            faults=faults,
            again=again,
            override=override,
            listed=wanted is not None,
        )
        trouble = _work(units, store, here.hands, wanted)
    told = {one.serial for one in units.results} | {one.serial for one in units.refused}
    left = [serial for serial in wanted or [] if serial not in told]
    with output_may_be_gone():
        _say(units, left, trouble, seed=seed if faulty else None)
    if trouble is not None:
        raise trouble
    raise typer.Exit(exit_code(units.results, refused=len(units.refused)))


def exit_code(results: "Iterable[UnitResult]", *, refused: int) -> int:
    """The worst of a batch: bench trouble, a failed unit, an unproven one, a refused serial number."""
    outcomes = Counter(one.outcome for one in results)
    if outcomes["stopped"]:
        return EXIT_BENCH
    if outcomes["fail"]:
        return EXIT_FAIL
    if outcomes["unproven"]:
        return EXIT_UNPROVEN
    return EXIT_USAGE if refused or not outcomes else EXIT_PASS


def _work(
    units: "Units", store: "RunStore", hands: "Hands", wanted: list[str] | None
) -> SwitchwalkError | None:
    """Test units until there are no more; what ended it before, if anything did."""
    from harness.cli.station import Station

    try:
        with stoppable() as stopping, Station(store, hands, stopping) as station:
            _each(units, station, wanted)
    except SwitchwalkError as error:
        return error
    return None


def _each(units: "Units", station: "Station", wanted: list[str] | None) -> None:
    sequence, quiet = units.errand.job.sequence, units.errand.quiet
    for serial in asked_serials(sequence, units.mistyped, quiet=quiet) if wanted is None else wanted:
        units.take(serial, station)


def _check_person(serials: Path | None, *, simulate: bool) -> None:
    if serials is not None and not simulate and not sys.stdin.isatty():
        raise UsageError(
            f"{NOBODY} to put the units of --serials in. Run it in a terminal, or give the serial numbers on "
            "standard input, each when its unit is in the fixture"
        )


def _check_faulty(faulty: float, serials: Path | None, *, simulate: bool) -> None:
    if faulty and not simulate:
        raise UsageError("--faulty is for a simulated bench; add --simulate")
    if faulty and serials is None:
        raise UsageError("--faulty is a share of the units of --serials FILE; add that")


def _faults(wanted: list[str] | None, share: float, job: "Job", seed: int) -> Mapping[str, str]:
    from harness.cli.faulty import draw_faults

    return draw_faults(wanted, share, job, seed=seed) if wanted and share else {}


def _check_wanted(
    store: "RunStore", job: "Job", wanted: list[str], *, simulate: bool, again: str, operator: str | None
) -> None:
    """Refuse a list with units in it that may not be run again, before anything is opened; all at once."""
    mistakes: list[str] = []
    cures: set[str] = set()
    for serial in wanted:
        earlier = earlier_runs(store, job, serial, simulate=simulate)
        if not earlier:
            continue
        try:
            check_count(serial, earlier, job.sequence.retests)
        except UsageError as error:
            mistakes.append(str(error))
            cures.add("Leave units that have had all their retests out of the list")
            continue
        if not (again and operator):
            mistakes.append(f"unit {serial}: {said(earlier[-1])}")
            cures.add("Units are run again only with a name and a reason: --operator NAME --again REASON")
    if mistakes:
        raise UsageError("\n".join([*mistakes, *sorted(cures)]))


def _say(units: "Units", left: list[str], trouble: SwitchwalkError | None, *, seed: int | None) -> None:
    from harness.cli.batch_text import batch_to_json, summary_lines

    if units.errand.quiet:
        typer.echo(batch_to_json(units, left, trouble, seed=seed))
        return
    for line in summary_lines(units, left, seed=seed):
        typer.echo(line)
