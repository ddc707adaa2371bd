"""A unit in the fixture of a bench, real or simulated, and its test from the first switch to the report."""

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from harness.errors import UsageError
from harness.workbench.bench_block import check_block
from harness.workbench.described import Described
from harness.workbench.held import WallClock, begin_with, header_of, held, how_to_go_on
from harness.workbench.planning import hookups_of, impedances_of, planned, profile_folder
from harness.workbench.report import write_report_of
from harness.workbench.retest import retest_kept
from harness.workbench.serial import serial_mistake
from harness.workbench.simulated import fault_notes, simulated_bench
from harness.workbench.terminable import terminable

if TYPE_CHECKING:
    from harness.job.fixture import Hookup
    from harness.job.job import Job
    from harness.plan.model import Plan
    from harness.reading import Reading
    from harness.records.run import Noted, Outcome, Purpose, RunHeader
    from harness.records.store import RunStore
    from harness.roles import Bench
    from harness.session.events import Event, Hands, Observer

SIMULATED = "simulated"


@dataclass(frozen=True, kw_only=True)
class RunResult:
    """A unit's run as it ended: its readings, its page, and the faults that would explain it best.

    likely: faults that are not told apart, the likeliest first; () where none is named.
    """

    run_id: int
    outcome: "Outcome"
    reason: str
    readings: "tuple[Reading, ...]"
    report: Path
    likely: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class UnitAtBench:
    """A unit in the fixture, the job it goes through, and who moves leads; nothing is open yet.

    bench_file: None for the job's own. notes: what is kept with its runs.
    """

    job: "Job"
    plan: "Plan"
    serial: str
    simulated: bool
    bench_file: Path | None
    hands: "Hands"
    notes: str
    simulated_faults: tuple[str, ...] = ()

    def test(
        self,
        records: "RunStore",
        *,
        operator: str | None = None,
        again: bool = False,
        reason: str = "",
        despite: str = "",
        observe: "Observer | None" = None,
    ) -> RunResult:
        """Run the unit through the whole job and write its page; the bench is opened, and left safe.

        again: a unit that has passed is run only with it; reason: why. despite: why a bench whose last check
        was bad is used all the same, with an operator. observe: sees every event of the run.
        Raises what is no verdict on the unit: UsageError, BenchError, RecordsError, each with its kinds.
        """
        from harness.session.run import run_plan

        before = records.passed(self.serial, self.job.module.part, simulated=self.simulated)
        if before is not None and not again:
            raise UsageError(
                f"unit {self.serial} passed already, in run {before.run_id} of "
                f"{before.header.started:%Y-%m-%d %H:%M} UTC; again=True runs it again"
            )
        kept = (
            *retest_kept(records, self.job, self.serial, simulate=self.simulated, who=operator, why=reason),
            *self.check_bench(records, despite=despite, operator=operator),
        )
        with self.opened() as bench:
            run_id = begin_with(records, self.header(bench, operator=operator), kept)
            with held(records, run_id, note=how_to_go_on(run_id, self.serial)):
                ended = run_plan(
                    self.plan,
                    self.job,
                    bench,
                    records,
                    run_id,
                    hands=self.hands,
                    observe=observe or unobserved,
                    clock=WallClock(),
                )
        known = Described(job=self.job, plan=self.plan, impedances=impedances_of(self.job, self.bench_file))
        reported = write_report_of(records, run_id, records.place, known)
        return RunResult(
            run_id=run_id,
            outcome=ended.outcome,
            reason=ended.reason,
            readings=ended.readings,
            report=reported.page,
            likely=() if reported.found is None else reported.found.names,
        )

    @contextmanager
    def opened(self) -> "Iterator[Bench]":
        """Open the bench; it is left safe on every way out, also where this process is told to end."""
        from drivers.bench import open_bench

        if self.job.bench is None:
            raise UsageError("this job has no bench")
        folder = profile_folder(self.job, self.bench_file)
        with terminable(), open_bench(self.job.bench, folder=folder, marked=not self.simulated) as bench:
            yield bench

    def header(self, bench: "Bench", *, operator: str | None, purpose: "Purpose" = "") -> "RunHeader":
        """What is known of a run of this unit that begins now."""
        return header_of(
            self.job,
            self.plan,
            bench,
            serial=self.serial,
            operator=operator,
            simulated=self.simulated,
            notes=self.notes,
            bench_file=self.bench_file,
            purpose=purpose,
            simulated_faults=self.simulated_faults,
        )

    def check_bench(
        self, records: "RunStore", *, despite: str = "", operator: str | None = None
    ) -> "tuple[Noted, ...]":
        """Refuse a bench whose last check was bad; gives what is kept with a run that goes on despite it."""
        return check_block(records, self.job, simulated=self.simulated, despite=despite, who=operator)


def unobserved(event: "Event") -> None:
    """Nobody is watching."""


@contextmanager
def unit_at_bench(
    job: str | Path,
    *,
    serial: str,
    bench: str | Path | None = None,
    hands: "Hands | None" = None,
    faults: Sequence[str] = (),
    hasten: float = 1.0,
) -> Iterator[UnitAtBench]:
    """Read and plan a job for a unit that is in the fixture; a simulated bench is started, and ended after.

    job: its folder. bench: a bench file, "simulated", or None for the job's own. hands: who moves leads on a
    real bench, where no switchboard does. faults, hasten: of a simulated unit, and of a simulated bench's
    clock. Raises JobError with every mistake of the files, UsageError for what cannot be run.
    """
    from harness.workbench.job_files import read_job

    folder = Path(job)
    simulate = bench == SIMULATED
    bench_file = None if bench is None or simulate else Path(bench)
    described = read_job(folder, bench_file)
    wrong = serial_mistake(serial, described.sequence)
    if wrong:
        raise UsageError(f"serial {serial!r}: {wrong}")
    if not simulate:
        yield _at_real_bench(described, serial, bench_file, hands, faults=faults, hasten=hasten)
        return
    with ExitStack() as open_things:
        simulated = open_things.enter_context(
            simulated_bench(folder, serial=serial, faults=faults, hasten=hasten)
        )
        there = read_job(folder, simulated.bench_file)
        yield UnitAtBench(
            job=there,
            plan=planned(there, simulated.bench_file),
            serial=serial,
            simulated=True,
            bench_file=simulated.bench_file,
            hands=simulated,
            notes=fault_notes(faults),
            simulated_faults=tuple(faults),
        )


def _at_real_bench(
    job: "Job",
    serial: str,
    bench_file: Path | None,
    hands: "Hands | None",
    *,
    faults: Sequence[str],
    hasten: float,
) -> UnitAtBench:
    if faults or hasten != 1.0:
        raise UsageError("faults and a hastened clock are for a simulated bench")
    if job.bench is None:
        raise UsageError(
            f"{job.folder}: no bench.toml in the job; name a bench file, or {SIMULATED!r} to do without one"
        )
    plan = planned(job, bench_file)
    return UnitAtBench(
        job=job,
        plan=plan,
        serial=serial,
        simulated=False,
        bench_file=bench_file,
        hands=hands or _NoHands(plan),
        notes="",
    )


class _NoHands:
    """Nobody is there to move leads: refuses a plan that wants it, before anything is opened."""

    def __init__(self, plan: "Plan") -> None:
        by_hand = [repr(hookup.name) for hookup in hookups_of(plan) if hookup.select is None]
        if by_hand:
            raise UsageError(
                f"a person moves the leads of {', '.join(by_hand)}, and nobody can be asked here. Use "
                "`switchwalk run`, or give the hookup select = […], switchboard channels that make it"
            )

    def make(self, hookup: "Hookup") -> None:
        raise UsageError(f"hookup {hookup.name!r} needs hands")

    def correct(self, hookup: "Hookup", leads: Sequence[str], said: str) -> None:
        raise UsageError(f"hookup {hookup.name!r} needs hands: {said}")
