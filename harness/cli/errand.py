"""Carrying out a plan on an open bench, for a run that begins and for one that goes on."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from harness.cli.stopping import Stopping, stoppable
from harness.errors import EXIT_BENCH, EXIT_FAIL, EXIT_PASS, EXIT_UNPROVEN, UsageError
from harness.workbench.held import WallClock, begin_with, header_of, held, how_to_go_on
from harness.workbench.planning import profile_folder

if TYPE_CHECKING:
    from harness.cli.watch import Watcher
    from harness.job.job import Job
    from harness.measure.reference import Reference
    from harness.plan.model import Plan
    from harness.records.run import Noted, Purpose
    from harness.records.store import RunStore
    from harness.roles import Bench
    from harness.session.events import Event, Hands, Observer
    from harness.session.run import Before, Ended

EXIT_OF = {"pass": EXIT_PASS, "fail": EXIT_FAIL, "unproven": EXIT_UNPROVEN, "stopped": EXIT_BENCH}


@dataclass(frozen=True, kw_only=True)
class Errand:
    """What is to be run, and how it was asked for.

    bench_file: None for the job's own. kept: a through reference to use while it is good. batch: its name.
    resumable: whether its records last, so that it can be gone on with where it stops. see: sees every event,
    besides whoever watches.
    """

    job: "Job"
    plan: "Plan"
    serial: str
    operator: str | None
    simulated: bool
    notes: str
    bench_file: Path | None
    transcript: Path | None
    quiet: bool
    kept: "Reference | None" = None
    batch: str = ""
    purpose: "Purpose" = ""
    simulated_faults: tuple[str, ...] = ()
    resumable: bool = True
    see: "Observer | None" = None


def carry_out(
    errand: Errand,
    store: "RunStore",
    hands: "Hands",
    begin: "Callable[[Bench], int]",
    before: "Before | None" = None,
) -> tuple[int, "Ended"]:
    """Open the bench, let `begin` say which run it is now that the bench is known, and do what is planned."""
    with stoppable() as stopping, bench_of(errand) as bench:
        run_id = begin(bench)
        return run_id, run_on(bench, run_id, errand, store, hands, stopping, before=before)


@contextmanager
def bench_of(errand: Errand) -> "Iterator[Bench]":
    """Open the bench of an errand; it is left safe on every way out."""
    from drivers.bench import open_bench

    if errand.job.bench is None:
        raise UsageError("this job has no bench")
    with open_bench(
        errand.job.bench,
        folder=profile_folder(errand.job, errand.bench_file),
        transcript=errand.transcript,
        tell=_tell,
        marked=not errand.simulated,
    ) as bench:
        yield bench


def run_on(
    bench: "Bench",
    run_id: int,
    errand: Errand,
    store: "RunStore",
    hands: "Hands",
    stopping: Stopping,
    *,
    before: "Before | None" = None,
    watch: "Watcher | None" = None,
) -> "Ended":
    """Carry out a run that has begun, on an open bench. watch: who sees it, where not a run's usual view.

    What ends it before its end is raised, and the run stands as stopped.
    """
    from harness.session.run import run_plan

    note = how_to_go_on(run_id, errand.serial) if errand.resumable else ""
    with (
        held(store, run_id, note=note),
        _watched(errand, hands, stopping, watch) as (observe, hands_watched),
    ):
        return run_plan(
            errand.plan,
            errand.job,
            bench,
            store,
            run_id,
            hands=hands_watched,
            observe=observe,
            clock=WallClock(),
            before=before,
            kept=errand.kept,
        )


def leave_nothing_on(job: "Job", bench_file: Path | None) -> None:
    """Make safe what a killed run left on, whatever is refused afterwards. Raises BenchError, its kinds."""
    from drivers.bench import make_left_safe

    if job.bench is not None:
        with stoppable():
            make_left_safe(job.bench, folder=profile_folder(job, bench_file), tell=_tell)


def _tell(text: str) -> None:
    typer.echo(text, err=True)


@contextmanager
def _watched(
    errand: Errand, hands: "Hands", stopping: Stopping, watch: "Watcher | None"
) -> "Iterator[tuple[Observer, Hands]]":
    """Shows a run, and stops it where nobody can be shown anything: the terminal or the pipe is gone."""
    from harness.cli.watch import HandsWatched, watcher

    def take(event: "Event") -> None:
        """Nobody is watching."""
        stopping.check()
        if errand.see is not None:
            errand.see(event)

    if errand.quiet:
        yield take, hands
        return
    title = f"{errand.serial}{', simulated' if errand.simulated else ''}: {errand.job.sequence.name}"
    shown = watch or watcher(errand.job, errand.plan, title=title)

    def show(event: "Event") -> None:
        take(event)
        try:
            shown(event)
        except OSError as error:
            raise KeyboardInterrupt(f"stopped: what it prints can go nowhere ({error})") from error

    shown.__enter__()
    try:
        yield show, HandsWatched(hands, shown)
    finally:
        with suppress(OSError):  # a lost terminal must not hide why the run ended
            shown.__exit__(None, None, None)


def begin_run(errand: Errand, store: "RunStore", noted: "Sequence[Noted]" = ()) -> "Callable[[Bench], int]":
    """What begins a run in the records once the bench is known, and keeps with it what was said before."""

    def begin(bench: "Bench") -> int:
        header = header_of(
            errand.job,
            errand.plan,
            bench,
            serial=errand.serial,
            operator=errand.operator,
            simulated=errand.simulated,
            notes=errand.notes,
            bench_file=errand.bench_file,
            batch=errand.batch,
            purpose=errand.purpose,
            simulated_faults=errand.simulated_faults,
        )
        return begin_with(store, header, noted)

    return begin
