"""A bench that stays open from unit to unit, off and verified while hands are at the fixture."""

import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

import typer

from harness.cli.errand import Errand, begin_run, bench_of, leave_nothing_on, run_on
from harness.cli.hands import PersonAtTheBench, require_person
from harness.cli.watch import live_view
from harness.cli.wrapping import WIDTH
from harness.errors import BenchError
from harness.session.events import Event, HookupBegun, ReadingsMade, StateBegun
from harness.workbench.held import WallClock
from harness.workbench.planning import planned
from harness.workbench.simulated import SimulatedBench, simulated_bench

if TYPE_CHECKING:
    from harness.cli.stopping import Stopping
    from harness.job.job import Job
    from harness.measure.reference import Reference
    from harness.plan.model import Plan
    from harness.records.run import Noted, Outcome
    from harness.records.store import RunStore
    from harness.roles import Bench
    from harness.session.arrival import Arrived
    from harness.session.events import Hands
    from harness.session.stage import Stage


@dataclass(frozen=True, kw_only=True)
class Workplace:
    """A job with its bench, and whose hands are at it; `simulated` is None at a real one."""

    job: "Job"
    plan: "Plan"
    bench_file: Path | None
    hands: "Hands"
    simulated: "SimulatedBench | None"

    @property
    def bench_name(self) -> str:
        """Of its bench file."""
        return self.job.bench.name if self.job.bench else ""


@contextmanager
def workplace(
    job: "Job", bench: Path | None, *, simulate: bool, hasten: float, first: str
) -> "Iterator[Workplace]":
    """Where units are tested: the job's bench, or a simulated one with the unit `first` in its fixture.

    bench: another bench file than the job's own; `check_place` has been asked before.
    """
    from harness.workbench.job_files import read_job

    if not simulate:
        leave_nothing_on(job, bench)
        plan = planned(job, bench)
        require_person(plan)
        yield Workplace(job=job, plan=plan, bench_file=bench, hands=PersonAtTheBench(job), simulated=None)
        return
    with simulated_bench(job.folder, serial=first, faults=[], hasten=hasten) as simulated:
        there = read_job(job.folder, simulated.bench_file)
        yield Workplace(
            job=there,
            plan=planned(there, simulated.bench_file),
            bench_file=simulated.bench_file,
            hands=simulated,
            simulated=simulated,
        )


@dataclass(frozen=True, kw_only=True)
class Tested:
    """One run on the station: how it ended, how long it took, and how many readings had which verdict."""

    run_id: int
    outcome: "Outcome"
    reason: str
    seconds: float
    readings: int
    passed: int


class Station:
    """Opens the bench with its first run, keeps it, and opens it anew after it failed; a context manager."""

    def __init__(self, store: "RunStore", hands: "Hands", stopping: "Stopping") -> None:
        self._store, self._hands, self._stopping = store, hands, stopping
        self._open = ExitStack()
        self._bench: Bench | None = None
        self._left_a: Mapping[str, float] = {}
        self._reference: Reference | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._open.__exit__(kind, error, trace)

    def look(self, errand: Errand) -> "Arrived":
        """Look at the unit in the fixture before its run. Raises BenchError and its kinds."""
        from harness.session.arrival import what_arrived

        self._stopping.check()
        return what_arrived(self._stage(errand, 0), self._left_a)

    def test(self, errand: Errand, noted: "Sequence[Noted]" = ()) -> Tested:
        """Run a unit; `noted` is kept with it. A bench that fails stops the run, is made safe and closed.

        Raises what is not the bench's: a person's stop, records that cannot be written; and BenchError where
        the bench cannot be opened, or cannot be made safe.
        """
        self._stopping.check()
        bench = self._opened(errand)
        begun_s = time.monotonic()
        run_id = begin_run(errand, self._store, noted)(bench)
        errand = replace(errand, kept=errand.kept or self._reference)
        watch = live_view(
            errand.job, errand.plan, title=f"{errand.serial}: {errand.job.sequence.name}", told=False
        ) or _Progress(errand.serial)
        try:
            ended = run_on(bench, run_id, errand, self._store, self._hands, self._stopping, watch=watch)
        except BenchError as error:
            self._close()
            record = self._store.run(run_id)
            return Tested(
                run_id=run_id,
                outcome="stopped",
                reason=str(error),
                seconds=time.monotonic() - begun_s,
                readings=record.readings,
                passed=record.verdicts.get("pass", 0),
            )
        seconds = time.monotonic() - begun_s
        self._leave(errand, run_id)
        return Tested(
            run_id=run_id,
            outcome=ended.outcome,
            reason=ended.reason,
            seconds=seconds,
            readings=len(ended.readings),
            passed=sum(reading.verdict == "pass" for reading in ended.readings),
        )

    def _leave(self, errand: Errand, run_id: int) -> None:
        """Note what the unit draws as it leaves, and switch everything off before hands come near it."""
        from harness.session.arrival import signature

        self._keep_reference(errand, run_id)
        try:
            self._left_a = signature(self._stage(errand, run_id))
        except BenchError as error:
            typer.echo(f"after the run: {error}", err=True)
            self._left_a = {}
            self._close()

    def _keep_reference(self, errand: Errand, run_id: int) -> None:
        """A through hookup that hands must make is made once for all units of the station."""
        from harness.measure.reference import Reference

        through = errand.plan.through
        if through is not None and through.select is None and self._reference is None:
            taken = self._store.references(run_id)
            self._reference = Reference.from_dict(taken[-1]) if taken else None

    def _stage(self, errand: Errand, run_id: int) -> "Stage":
        from harness.session.run import stage_of

        def ignore(event: Event) -> None:
            """What the supply shows here is looked at as a whole."""

        return stage_of(
            errand.plan,
            errand.job,
            self._opened(errand),
            self._store,
            run_id,
            hands=self._hands,
            observe=ignore,
            clock=WallClock(),
        )

    def _opened(self, errand: Errand) -> "Bench":
        if self._bench is None:
            self._bench = self._open.enter_context(bench_of(errand))
        return self._bench

    def _close(self) -> None:
        """Leave the bench safe; the next unit opens it anew. Raises BenchError for what stays on."""
        self._bench, self._left_a = None, {}
        self._open.close()


class _Progress:
    """One line that is written over while a unit is tested; nothing where it is no terminal."""

    def __init__(self, serial: str) -> None:
        self._serial, self._shown = serial, sys.stderr.isatty()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._write("")

    @contextmanager
    def put_away(self) -> Iterator[None]:
        """Clear the line."""
        self._write("")
        yield

    def __call__(self, event: Event) -> None:
        """Show how far the run is."""
        match event:
            case HookupBegun(hookup=hookup):
                self._write(f"{self._serial}: {hookup.name}")
            case StateBegun(state=state, done=done, total=total):
                self._write(f"{self._serial}: {done} of {total}, {state.name}")
            case ReadingsMade():
                pass

    def _write(self, text: str) -> None:
        if self._shown:
            sys.stderr.write(f"\r{text[: WIDTH - 1]:<{WIDTH - 1}}" + ("\r" if not text else ""))
            sys.stderr.flush()
