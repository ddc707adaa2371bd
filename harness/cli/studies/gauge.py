"""`switchwalk gauge`: how much of a reading's spread is the bench, and if it drifted or misses faults."""

import random
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from harness.cli import options
from harness.cli.live.view import run_watched
from harness.cli.person import NOBODY, ask_at_supply, ask_hands, listed_lines, person_at, simulation_for, tell
from harness.cli.studies.gauge_text import (
    StudyResult,
    golden_lines,
    golden_to_json,
    known_bad_lines,
    known_bad_to_json,
    study_lines,
    study_to_json,
)
from harness.cli.terminal import Stopping, print_result, stoppable
from harness.errors import (
    EXIT_BENCH,
    EXIT_PASS,
    EXIT_USAGE,
    BenchError,
    CircuitError,
    RecordsError,
    UsageError,
)
from harness.faults.coverage import judge_faults
from harness.faults.diagnosis import Diagnoser
from harness.job.faults import parse_fault
from harness.job.job import Job
from harness.plan.build import build_plan
from harness.records.history import RunLine
from harness.records.run import Purpose
from harness.records.store import RunStore, open_records
from harness.report.run_report import Diagnosed, read_recorded
from harness.report.words import TERMINAL_CAUTIONS
from harness.session.admission import KnownBad, compare_golden, keep_known_bad, serial_mistake
from harness.session.open_bench import OpenBench, at_bench
from harness.session.planned_job import impedances_of, read_job
from harness.session.request.header import RunRequest
from harness.session.simulated import Simulation
from harness.session.unit_run import RunResult
from harness.statistics.gauge import cross, studies
from harness.statistics.yields import COMPLETE, NOT_WHOLE

POOR_PERCENT = 30.0  # of the tolerance, taken by the bench: above it the trade calls a gauge unfit (AIAG MSA)

gauge = typer.Typer(
    rich_markup_mode=None,
    add_completion=False,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    help="Study the bench (study), or check it with a golden unit (golden) or known faults (known-bad).",
)

Operator = Annotated[str | None, typer.Option(metavar="NAME", help="Who checks the bench.")]


class DifferBy(StrEnum):
    """What the runs of a study differ by."""

    operator = "operator"
    bench = "bench"
    day = "day"


@dataclass(frozen=True, kw_only=True)
class Study:
    """A study as it was asked for; `operators` may be empty if it is made of records."""

    units: tuple[str, ...]
    operators: tuple[str, ...]
    repeats: int
    by: DifferBy
    name: str
    seed: int


@gauge.command()
def study(
    job: options.JobFolder,
    units: Annotated[str, typer.Option(metavar="S1,S2", help="Units to study, each tested repeatedly.")],
    repeats: Annotated[
        int, typer.Option(min=2, metavar="COUNT", help="Runs of each unit by each operator.")
    ] = 3,
    operators: Annotated[str, typer.Option(metavar="A,B", help="Operators; each tests all units.")] = "",
    by: Annotated[DifferBy, typer.Option(help="Group recorded runs by this.")] = DifferBy.operator,
    from_records: Annotated[
        bool, typer.Option("--from-records", help="Test nothing: evaluate recorded runs of the units.")
    ] = False,
    name: Annotated[
        str,
        typer.Option("--batch", metavar="NAME", help="The study's name; with it, a stopped study continues."),
    ] = "",
    seed: Annotated[
        int, typer.Option(metavar="NUMBER", help="Decides the order in which units are tested.")
    ] = 1,
    bench: options.BenchPath = None,
    fixture: options.FixturePath = None,
    sequence: options.SequencePath = None,
    simulate: options.Simulate = False,
    speed: options.Speed = 1.0,
    records: options.RecordsLocation = options.RECORDS,
    as_json: options.AsJson = False,
) -> None:
    """Study how much of a reading's spread is the bench. Several operators test each unit repeatedly."""
    described = read_job(job, bench, sequence_file=sequence, fixture_file=fixture)
    wanted = Study(
        units=_listed("--units", units),
        operators=_listed("--operators", operators) if operators else (),
        repeats=repeats,
        by=by,
        name=name,
        seed=seed,
    )
    with open_records(records, read_only=from_records) as store:
        simulated = simulate
        if not from_records:
            _check_study(wanted, described)
            left = runs_left(wanted, _of_study(store, described, wanted, simulate=simulated) if name else ())
            simulation = simulation_for(described, bench, Simulation(speed=speed), simulate=simulate)
            if left:
                with _at_gauge(
                    described, bench, simulation, store, "gauge", batch=name, quiet=as_json
                ) as opened:
                    _run_study(opened, left)
                    simulated = opened.bench.simulated
        result = study_of_records(store, described, wanted, simulate=simulated)
    print_result(study_to_json(result), study_lines(result), as_json=as_json)
    studies_made = [reading.study for reading in result.readings if reading.study is not None]
    poor = any((each.gauge.tolerance_percent or 0.0) > POOR_PERCENT for each in studies_made)
    raise typer.Exit(EXIT_BENCH if poor else EXIT_PASS)


@gauge.command()
def golden(
    job: options.JobFolder,
    serial: Annotated[str, typer.Argument(metavar="SERIAL", help="The golden unit's serial number.")],
    new_history: Annotated[
        str, typer.Option(metavar="REASON", help="Begin a new history of the unit, for this reason.")
    ] = "",
    operator: Operator = None,
    bench: options.BenchPath = None,
    fixture: options.FixturePath = None,
    sequence: options.SequencePath = None,
    simulate: options.Simulate = False,
    fault: options.Faults = None,
    speed: options.Speed = 1.0,
    records: options.RecordsLocation = options.RECORDS,
    as_json: options.AsJson = False,
) -> None:
    """Check the bench with a golden unit. It must read as it did on this bench before."""
    described = read_job(job, bench, sequence_file=sequence, fixture_file=fixture)
    if wrong := serial_mistake(serial, described.sequence):
        raise UsageError(f"{serial}: {wrong}")
    faults = tuple(fault or ())
    wanted = Simulation(faults=faults, speed=speed)
    simulation = simulation_for(described, bench, wanted, simulate=simulate)
    for each in faults:
        parse_fault(each, described.module, described.fixture)  # a bench would say it, as its own trouble
    with open_records(records) as store:
        with _at_gauge(described, bench, simulation, store, "golden", quiet=as_json) as opened:
            opened.place(serial, f"put the golden unit {serial} in", faults)
            run_result = opened.test(serial, operator, faults)
        if run_result.outcome == "stopped":
            raise BenchError(f"the golden unit's run was stopped: {run_result.reason}", instrument="bench")
        result = compare_golden(store, run_result.run_id, new_history=new_history)
    print_result(golden_to_json(result), golden_lines(result), as_json=as_json)
    raise typer.Exit(EXIT_PASS if result.check.good else EXIT_BENCH)


@gauge.command("known-bad")
def known_bad(
    job: options.JobFolder,
    faults: Annotated[
        Path, typer.Argument(metavar="FILE", help="Units with known faults: SERIAL, FAULT on each line.")
    ],
    operator: Operator = None,
    bench: options.BenchPath = None,
    fixture: options.FixturePath = None,
    sequence: options.SequencePath = None,
    simulate: options.Simulate = False,
    speed: options.Speed = 1.0,
    records: options.RecordsLocation = options.RECORDS,
    as_json: options.AsJson = False,
) -> None:
    """Check the bench with units of known faults. Each must fail, and the diagnosis must name its fault.
    Units with faults that the sequence does not detect are not tested.
    """
    described = read_job(job, bench, sequence_file=sequence, fixture_file=fixture)
    listed = read_known_bad(faults, described)
    missed = _missed(described, bench, listed)
    wanted = [each for each in listed if each not in missed]
    result: list[KnownBad] = []
    if wanted:
        simulation = simulation_for(described, bench, Simulation(speed=speed), simulate=simulate)
        with open_records(records) as store:
            with _at_gauge(described, bench, simulation, store, "known-bad", quiet=as_json) as opened:
                result = list(_run_known_bad(opened, wanted, operator))
            keep_known_bad(store, result)
    print_result(known_bad_to_json(result, missed), known_bad_lines(result, missed), as_json=as_json)
    if not all(fault.good for fault in result):
        raise typer.Exit(EXIT_BENCH)
    raise typer.Exit(EXIT_USAGE if missed else EXIT_PASS)


def _missed(job: Job, bench: Path | None, listed: Sequence[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """Serial numbers and faults that the sequence misses, by its fault coverage, and what they do instead."""
    parsed = [parse_fault(fault, job.module, job.fixture) for _, fault in listed]
    try:
        judged = judge_faults(job, build_plan(job, impedances=impedances_of(job, bench)), parsed)
    except CircuitError:  # nobody knows: the unit shows it
        return {}
    return {each: fault.why for each, fault in zip(listed, judged, strict=True) if not fault.seen}


@dataclass(frozen=True, kw_only=True)
class _GaugeBench:
    """A bench that is studied or checked, with the purpose that all its runs have."""

    bench: OpenBench
    store: RunStore
    stopping: Stopping
    purpose: Purpose
    batch: str
    quiet: bool

    def place(self, serial: str, request: str, faults: Sequence[str] = ()) -> None:
        """Put a unit into a simulated fixture, or ask a person to do it and press Enter."""
        if self.bench.simulator is not None:
            self.bench.simulator.place_unit(serial, faults)
            return
        if not sys.stdin.isatty():
            raise UsageError(f"{NOBODY}: {request}")
        ask_hands(f"{request}, and press Enter: ", undone=f"nobody put unit {serial} in")

    def test(
        self, serial: str, operator: str | None, faults: Sequence[str] = (), notes: str = ""
    ) -> RunResult:
        """Run the unit that is in. faults: of a simulated one."""
        self.stopping.check()
        request = RunRequest(
            serial=serial,
            operator=operator,
            faults=tuple(faults),
            notes=notes,
            batch=self.batch,
            purpose=self.purpose,
        )
        return run_watched(self.bench, self.store, request, self.stopping, quiet=self.quiet)


@contextmanager
def _at_gauge(
    job: Job,
    bench: Path | None,
    simulation: Simulation | None,
    store: RunStore,
    purpose: Purpose,
    *,
    batch: str = "",
    quiet: bool,
) -> Iterator[_GaugeBench]:
    with (
        stoppable() as stopping,
        at_bench(
            job, bench_file=bench, simulation=simulation, hands=person_at, tell=tell, ask=ask_at_supply
        ) as opened,
    ):
        if not quiet:
            typer.echo(TERMINAL_CAUTIONS)
        yield _GaugeBench(
            bench=opened, store=store, stopping=stopping, purpose=purpose, batch=batch, quiet=quiet
        )


def _check_study(wanted: Study, job: Job) -> None:
    if len(wanted.operators) < 2:
        raise UsageError(
            "a study needs two or more operators: --operators A,B. Of a bench that nobody touches, name the "
            "fresh setups"
        )
    for serial in wanted.units:
        wrong = serial_mistake(serial, job.sequence)
        if wrong:
            raise UsageError(f"--units {serial}: {wrong}")


def _run_study(opened: _GaugeBench, left: Sequence[tuple[str, str]]) -> None:
    """Make the remaining runs of a study. Raises BenchError if a run was stopped."""
    for number, (serial, operator) in enumerate(left, start=1):
        opened.place(serial, f"run {number} of {len(left)}: {operator}, plug unit {serial} in again")
        result = opened.test(serial, operator)
        if result.outcome == "stopped":
            raise BenchError(
                f"run {result.run_id} of the study was stopped: {result.reason}. The runs before it are "
                "recorded; with the same --batch NAME the study continues",
                instrument="bench",
            )
        if not opened.quiet:
            done = f"{number}/{len(left)} {serial} by {operator}: run {result.run_id}"
            typer.echo(f"{done}, {result.outcome.upper()}, {result.duration_s:.1f} s")


def runs_left(wanted: Study, made: Sequence[RunLine]) -> list[tuple[str, str]]:
    """Unit and operator of every run that is still to be made: trial by trial, operator by operator.

    The units are in an order drawn by the seed.
    """
    have = Counter((line.serial, line.operator) for line in made)
    draw = random.Random(f"gauge {wanted.seed}")
    left: list[tuple[str, str]] = []
    for trial in range(wanted.repeats):
        for operator in wanted.operators:
            order = list(wanted.units)
            draw.shuffle(order)
            left += [(serial, operator) for serial in order if have[serial, operator] <= trial]
    return left


def study_of_records(store: RunStore, job: Job, wanted: Study, *, simulate: bool) -> StudyResult:
    """Study what the records hold of the units. Raises UsageError if the runs do not cross."""
    lines = _of_study(store, job, wanted, simulate=simulate)
    chosen = [line for line in lines if not wanted.operators or line.operator in wanted.operators]
    try:
        crossing = cross(chosen, by=wanted.by.value)
    except ValueError as error:
        runs = f"Complete runs of these units: {len(chosen)}"
        cure = "; --operators A,B leaves out those of others" if wanted.by is DifferBy.operator else ""
        raise UsageError(f"{store.location}: {error}. {runs}{cure}") from None
    crossed = [run for unit in crossing.runs for appraiser in unit for run in appraiser]
    return StudyResult(
        part=job.module.part,
        simulated=simulate,
        name=wanted.name,
        by=wanted.by.value,
        crossing=crossing,
        readings=studies(crossing, store.series(crossed)),
    )


def _of_study(store: RunStore, job: Job, wanted: Study, *, simulate: bool) -> list[RunLine]:
    """Complete runs of the units: of the study if it has a name, else all but those with known faults."""
    return [
        line
        for line in store.lines(part=job.module.part, simulated=simulate)
        if line.serial in wanted.units
        and line.outcome in COMPLETE
        and (line.batch == wanted.name if wanted.name else line.purpose not in NOT_WHOLE)
    ]


def read_known_bad(path: Path, job: Job) -> list[tuple[str, str]]:
    """Read serial numbers and faults, `OB-0042, K3 never operates` a line; # begins a remark.

    Raises UsageError with every line that is none.
    """
    result: list[tuple[str, str]] = []
    mistakes: list[str] = []
    for number, line in listed_lines(path, "known faults"):
        serial, comma, fault = (part.strip() for part in line.partition(","))
        wrong = serial_mistake(serial, job.sequence) if comma else "expected SERIAL, FAULT"
        try:
            faults = parse_fault(fault, job.module, job.fixture) if not wrong else ()
        except UsageError as error:
            wrong, faults = str(error), ()
        if len(faults) > 1:
            wrong = "expected a single fault"
        if wrong:
            mistakes.append(f"{path}:{number}: {wrong}; found {line!r}")
        result += [(serial, each.name) for each in faults[:1]]
    if not result and not mistakes:
        mistakes.append(f"{path}: no known fault is in it; expected SERIAL, FAULT a line")
    if mistakes:
        raise UsageError("\n".join(mistakes))
    return result


def _run_known_bad(
    opened: _GaugeBench, wanted: Sequence[tuple[str, str]], operator: str | None
) -> Iterator[KnownBad]:
    """Run every unit with its known fault. Raises BenchError if a run was stopped."""
    diagnosers: dict[tuple[int, ...], Diagnoser] = {}  # what all faults would show is the same for every unit
    for number, (serial, fault) in enumerate(wanted, start=1):
        opened.place(serial, f"put unit {serial} in with the fault {fault!r} switched on", [fault])
        simulated = opened.bench.simulator is not None
        notes = "" if simulated else f"known fault: {fault}"
        result = opened.test(serial, operator, [fault] if simulated else [], notes)
        if result.outcome == "stopped":
            raise BenchError(f"the run of {serial} was stopped: {result.reason}", instrument="bench")
        tested = KnownBad(
            serial=serial,
            fault=fault,
            run_id=result.run_id,
            outcome=result.outcome,
            named=_named(opened, result, diagnosers),
        )
        if not opened.quiet:
            text = "failed, and named" if tested.good else "NOT as it should"
            typer.echo(f"{number}/{len(wanted)} {serial}, {fault}: {text}, {result.duration_s:.1f} s")
        yield tested


def _named(
    opened: _GaugeBench, result: RunResult, diagnosers: dict[tuple[int, ...], Diagnoser]
) -> tuple[str, ...]:
    """What the diagnosis names, however long it takes; nothing of a run that did not fail."""
    if result.outcome != "fail":
        return ()
    try:
        recorded = read_recorded(opened.store, opened.store.run(result.run_id), opened.bench.planned)
        return Diagnosed(recorded, double=False, diagnosers=diagnosers).names
    except (CircuitError, RecordsError):
        return ()


def _listed(option: str, text: str) -> tuple[str, ...]:
    names = tuple(name.strip() for name in text.split(",") if name.strip())
    if len(names) < 2 or len(set(names)) < len(names):
        raise UsageError(f"{option} {text!r}: expected two or more different names, with commas between")
    return names
