"""`switchwalk compose`: write a job's fixture and sequence from its module and what is at hand."""

import multiprocessing
import os
import re
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any, TypeVar

import typer

from harness.cli import options
from harness.cli.coverage import cluster, double_lines, doubles_data, missed_lines, pairs_done
from harness.cli.terminal import duration, print_result, shown_progress, wrapped
from harness.compose.at_hand import COMMON_LOAD, AtHand
from harness.compose.composed import Composed
from harness.compose.composed import compose as compose_job
from harness.compose.tables import Joined
from harness.errors import UsageError
from harness.faults.coverage import cover_doubles
from harness.job.fixture import Termination
from harness.job.job import BENCH
from harness.report.coverage import interruptions_deferred
from harness.session.asked_of_bench.profiles import bench_offer
from harness.session.planned_job import impedances_of
from harness.units import counted, parse_quantity

SCOPE_INPUTS = (2, 4)
_RANGE = re.compile(r"(\d{1,3})(?:-(\d{1,3}))?")


def compose(
    job: Annotated[Path, typer.Argument(metavar="JOB", help="Folder with module.toml.")],
    bench: options.BenchPath = None,
    scope_inputs: Annotated[
        int | None, typer.Option(metavar="COUNT", help="Scope inputs, 2 or 4  [default: the bench's, or 4].")
    ] = None,
    select: Annotated[
        str | None,
        typer.Option(
            metavar="CHANNELS",
            help='Switchboard channels that are free to make setups, such as "9-16,20"  [default: all of the '
            "bench's that no control line needs].",
        ),
    ] = None,
    by_hand: Annotated[bool, typer.Option("--by-hand", help="A person moves the leads.")] = False,
    load: Annotated[
        list[str] | None,
        typer.Option(
            metavar="OHM",
            help='A load at hand, across a pair ("10 kohm") or from each leg ("legs 300 ohm"); may be '
            "repeated.",
        ),
    ] = None,
    pad: Annotated[
        list[str] | None,
        typer.Option(
            metavar="LOSS",
            help='A loopback plug at hand instead of coded ones: "0 dB" is straight, others are pads of 600 '
            "ohm; one for each loop in turn.",
        ),
    ] = None,
    workers: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Share the work with a Dask cluster's scheduler.")
    ] = None,
    doubles: Annotated[
        bool, typer.Option("--doubles", help="Evaluate every pair of faults too; takes minutes.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Print what would change; write nothing.")
    ] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over files that somebody else wrote or changed.")
    ] = False,
    as_json: options.AsJson = False,
) -> None:
    """Write fixture.toml and sequence.toml for the module of a folder.

    Chooses loads, loopback plugs, setups, states, checks and limits, so that every single fault that can be
    seen is seen, with few moves of leads and in little time. What cannot be seen is named with the reason.
    Composing again keeps every table that was changed by hand.
    """
    at_hand = _at_hand(job, bench, scope_inputs, select, load or (), pad or (), by_hand=by_hand)
    try:
        with _executor(workers) as executor, shown_progress("compose", "searching") as progress:
            made = compose_job(
                job,
                at_hand,
                bench=bench,
                replacing=replace,
                executor=executor,
                small_alone=workers is None,
                note=progress.note,
            )
        impedances_of(made.job, bench)
    except KeyboardInterrupt:
        raise KeyboardInterrupt(f"stopped by hand: nothing in {job} was changed") from None
    if not dry_run:
        with interruptions_deferred():
            _write(job, made)
    data, lines = _data(made), [*_lines(job, made, at_hand, dry_run=dry_run)]
    if doubles:
        with _executor(workers) as executor:
            pairs = cover_doubles(
                made.job, made.plan, made.promise.faults, executor=executor, progress=pairs_done
            )
        data["doubles"] = doubles_data(pairs)
        lines += double_lines(pairs)
    print_result(data, lines, as_json=as_json)


def _at_hand(
    job: Path,
    bench: Path | None,
    scope_inputs: int | None,
    select: str | None,
    loads: Sequence[str],
    pads: Sequence[str],
    *,
    by_hand: bool,
) -> AtHand:
    """What the options say, and the bench file for what they leave open. Raises UsageError, JobError."""
    if scope_inputs is not None and scope_inputs not in SCOPE_INPUTS:
        raise UsageError(f"--scope-inputs: found {scope_inputs}; expected 2 or 4")
    if by_hand and select is not None:
        raise UsageError("--by-hand and --select contradict each other; expected one of them")
    path = bench if bench is not None else job / BENCH
    offer = bench_offer(path) if bench is not None or path.exists() else None
    if offer is not None and scope_inputs is not None and scope_inputs > offer.scope_inputs:
        raise UsageError(
            f"--scope-inputs: found {scope_inputs}; the scope of {path} has {offer.scope_inputs} inputs"
        )
    usual = AtHand()
    return AtHand(
        scope_inputs=scope_inputs or (offer.scope_inputs if offer else usual.scope_inputs),
        selectors=() if by_hand else None if select is None else _channels(select),
        boards=offer.switchboard_channels if offer else None,
        loads=tuple(map(_load, loads)) or (COMMON_LOAD,),
        losses_db=tuple(map(_loss, pads)),
        impedances=offer.impedances if offer else usual.impedances,
        bench=offer.bench if offer else None,
    )


def _channels(text: str) -> tuple[int, ...]:
    """Read "9-16,20". Raises UsageError."""
    numbers: list[int] = []
    if not text.replace(",", "").strip():
        raise UsageError(f'--select: found "{text}"; expected channels such as 9-16 or 9,10,20, or --by-hand')
    for part in filter(None, (each.strip() for each in text.split(","))):
        match = _RANGE.fullmatch(part)
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (1, 0)
        if not 1 <= first <= last:
            raise UsageError(f'--select: found "{part}"; expected channels such as 9-16 or 9,10,20')
        numbers += range(first, last + 1)
    if len(set(numbers)) < len(numbers):
        raise UsageError(f'--select: found "{text}"; expected every channel once')
    return tuple(numbers)


def _load(text: str) -> Termination:
    words = text.strip()
    legs = words.startswith("legs")
    try:
        ohm = parse_quantity(words.removeprefix("legs").strip(), "resistance")
    except ValueError as error:
        raise UsageError(f"--load: {error}") from None
    return Termination(leg_ohm=ohm) if legs else Termination(across_ohm=ohm)


def _loss(text: str) -> float:
    try:
        return parse_quantity(text.strip(), "ratio_db", sign="not negative")
    except ValueError as error:
        raise UsageError(f"--pad: {error}") from None


@contextmanager
def _executor(workers: str | None) -> Iterator[Executor | None]:
    """A cluster's workers, or this machine's processors."""
    if workers is not None:
        with cluster(workers) as executor:
            yield executor
        return
    cores = os.cpu_count() or 1
    if cores < 2:
        yield None
        return
    executor = _Helpers(cores, mp_context=multiprocessing.get_context("spawn"))
    try:
        yield executor
    except BaseException:
        for helper in multiprocessing.active_children():
            helper.terminate()  # in the middle of work that nobody wants any more
        raise
    finally:
        executor.shutdown(cancel_futures=True)


T = TypeVar("T")


class _Helpers(ProcessPoolExecutor):
    """Processes that start as they are needed. A Ctrl-C at the terminal, which every process there gets, is
    for the command's own process.
    """

    def submit(self, function: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Start another process if none is free."""
        with interruptions_deferred():
            return super().submit(function, *args, **kwargs)


def _write(job: Path, made: Composed) -> None:
    """Raises UsageError where a file can't be written."""
    for name, file in made.files.items():
        if not file.changes:
            continue
        path = job / name
        try:
            path.write_text(file.file.text, encoding="utf-8", newline="\n")
        except OSError as error:
            raise UsageError(f"{path}: cannot be written: {error.strerror or error}") from None


def _data(made: Composed) -> dict[str, Any]:
    promise = made.promise
    return {
        "possible": len(promise.faults),
        "seen": len(promise.seen),
        "unseen": [{"fault": fault.name, "why": fault.why} for fault in promise.unseen],
        "good_units_pass": promise.good,
        "moves": promise.moves,
        "setups": promise.setups,
        "states": promise.states,
        "states_tried": made.tried,
        **asdict(promise.cost),
        "files": {
            name: [{"table": table.words, "fate": fate} for table, fate in file.fates]
            for name, file in made.files.items()
        },
    }


def _lines(job: Path, made: Composed, at_hand: AtHand, *, dry_run: bool) -> Iterator[str]:
    promise, cost = made.promise, made.promise.cost
    seen, possible = len(promise.seen), len(promise.faults)
    yield from wrapped(made.job.module.title)
    share = 100 * seen / max(possible, 1)
    yield from wrapped(f"{seen} of {possible} single faults detected ({share:.1f} %){_least(made)}")
    yield from wrapped(f"good units expected to pass: {_percent(promise.good)}")
    by_hand = ""
    if promise.moves:
        by_hand = (
            f", and {counted(promise.moves, 'move')} of leads and plugs (about {duration(cost.hands_s)})"
        )
    yield from wrapped(
        f"{counted(cost.acquisitions, 'acquisition')} in {counted(promise.setups, 'setup')} and "
        f"{counted(promise.states, 'state')}; about {duration(cost.unavoidable_s)} of settling and "
        f"recording{by_hand}; {counted(sum(cost.operations.values()), 'relay operation')}"
    )
    if made.why_by_hand:
        yield from wrapped(f"A person moves the leads: {made.why_by_hand}.")
    if at_hand.bench is None:
        yield from wrapped(
            f"There is no bench.toml. This was assumed: {made.at_hand}; the scope's accuracy of 2 %, and the "
            "usual impedances."
        )
    else:
        yield from wrapped(f"Composed for {made.at_hand}.")
    yield from missed_lines(promise.unseen)
    for name, file in made.files.items():
        yield ""
        yield from _file_lines(job / name, file, dry_run=dry_run)


def _least(made: Composed) -> str:
    """Which fault is detected least clearly."""
    seen = made.promise.seen
    if not seen:
        return ""
    least = min(seen, key=lambda fault: fault.margin)
    if least.margin == float("inf"):
        return ""
    return f"; least clearly {least.name}, {least.margin:.3g} expanded uncertainties past its limit"


def _percent(share: float) -> str:
    """99.97 %, and never 100 %."""
    return "more than 99.99 %" if share > 0.9999 else f"{100 * share:.2f} %"


def _file_lines(path: Path, file: Joined, *, dry_run: bool) -> Iterator[str]:
    """What becomes of each table of one file."""
    verb = "would be written" if dry_run else "written"
    if not file.changes:
        yield f"{path}: nothing to change"
    elif all(fate == "added" for _, fate in file.fates):
        yield f"{path}: {verb}, {counted(len(file.fates), 'table')}"
        return
    else:
        yield f"{path}: {verb}"
    composed = {table.key: table for table in file.instead}
    for table, fate in file.fates:
        words = "kept, it is yours" if fate == "kept" else fate
        yield f"  {words}: {table.words}"
        if table.key in composed:
            yield "    would be composed as"
            yield from (f"      {line}" for line in composed[table.key].text.strip().splitlines())
