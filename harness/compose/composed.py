"""Composing a job: the search, the files, and what these promise."""

import math
from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

from harness.compose.at_hand import AtHand
from harness.compose.job import composed_job
from harness.compose.plugs import loops_of
from harness.compose.search import LARGE, ComposerSearch, Found, Note
from harness.compose.settled import USUAL_DBU, Settled, settled, vrms
from harness.compose.tables import FileTable, Joined, joined, unmarked
from harness.compose.text import FIXTURE_HEAD, SEQUENCE_HEAD, fixture_tables, sequence_tables
from harness.errors import JobError
from harness.faults.coverage import FaultSeen, hard_faults, judge_faults
from harness.job.job import FIXTURE, SEQUENCE, Job, load_job
from harness.job.own_faults import own_suspects
from harness.plan.build import build_plan, trial_plan
from harness.plan.limits import GoodUnit
from harness.plan.model import Plan
from harness.plan.setups import lead_moves
from harness.plan.states import TimeEstimate, estimate_time
from harness.plan.swing import over_driven
from harness.quantities.tolerance import GOOD_SHARE

LEVELS_DBU = (USUAL_DBU, 0.0, -6.0, -12.0, -20.0, -30.0)  # the first that over-drives no amplifier


@dataclass(frozen=True, kw_only=True)
class Promise:
    """What a composed job is expected to do.

    faults: every single fault, seen or not. good: the share of good units that are expected to pass.
    moves: of leads and plugs, by hand, in one run. states: that are visited.
    """

    faults: tuple[FaultSeen, ...]
    good: float
    cost: TimeEstimate
    moves: int
    setups: int
    states: int

    @property
    def seen(self) -> tuple[FaultSeen, ...]:
        """The faults that are seen."""
        return tuple(fault for fault in self.faults if fault.seen)

    @property
    def unseen(self) -> tuple[FaultSeen, ...]:
        """The faults that are not, or not clearly."""
        return tuple(fault for fault in self.faults if not fault.seen)

    @property
    def words(self) -> str:
        """How many faults are seen, how clearly at least, and which are not clear enough to count."""
        text = f"{len(self.seen)} of {len(self.faults)} single faults are detected"
        margin, least = min(((fault.margin, fault.name) for fault in self.seen), default=(math.inf, ""))
        if math.isfinite(margin):
            text += f", least clearly {least}: {margin:.3g} expanded uncertainties past its limit"
        barely = [fault for fault in self.unseen if fault.is_barely_seen]
        if barely:
            names = "; ".join(f"{fault.name}: {fault.margin:.3g}" for fault in barely)
            text += f". Not counted, since some units with them pass: {names}"
        return f"{text}."


@dataclass(frozen=True, kw_only=True, eq=False)
class Composed:
    """A composed job, as its files will say, and what it promises.

    files: by name. at_hand: in words. tried: how many states were weighed. why_by_hand: why leads are moved
    by hand although switchboard channels are free; "".
    """

    job: Job
    plan: Plan
    files: Mapping[str, Joined]
    promise: Promise
    at_hand: str
    tried: int
    why_by_hand: str


def compose(
    folder: Path,
    at_hand: AtHand,
    *,
    bench: Path | None = None,
    replacing: bool = False,
    executor: Executor | None = None,
    small_alone: bool = True,
    note: Note = lambda text: None,
) -> Composed:
    """Compose the fixture and the sequence of a folder's module; writes nothing.

    bench: another bench file than the folder's. replacing: keep nothing of files that are there; else tables
    that a person has changed are kept. small_alone: a small unit needs no executor's help. Raises JobError
    for mistakes in the files, UsageError for files that the composer did not write and for what no job can be
    composed with, CircuitError.
    """
    there = settled(folder, replacing=replacing)
    at_hand.check(there.module)
    if small_alone and len(there.module.relays) <= LARGE:
        executor = None  # to start other processes would take longer than the work
    base = there.base(folder, at_hand)
    at_hand = replace(at_hand, selectors=there.selectors(at_hand, base.fixture.controls))
    run = ComposerSearch(base, at_hand, fixed=there.fixed, executor=executor, note=note)
    run.fill()
    found = run.found()
    made = _written_job(found, at_hand, there, folder, bench, executor=executor, note=note)
    if lost := found.seen & {fault.fault_set for fault in made.promise.unseen}:
        run.weigh_apart(lost)
        again = _written_job(run.found(), at_hand, there, folder, bench, executor=executor, note=note)
        made = max(made, again, key=lambda each: len(each.promise.seen))
    return made


def _written_job(
    found: Found,
    at_hand: AtHand,
    there: Settled,
    folder: Path,
    bench: Path | None,
    *,
    executor: Executor | None,
    note: Note,
) -> Composed:
    """The job of what was chosen, as its files will say, and what it promises."""
    job, selected = composed_job(found, at_hand)
    if ("sequence", "") not in there.theirs:
        job = _at_a_level(job, at_hand)
    words = at_hand.words(loops=bool(loops_of(job.module)))
    fixture = list(fixture_tables(job, selected, f"Composed for {words}."))
    written = _as_written(folder, bench, _joined(fixture, list(sequence_tables(job)), there))
    note("what it promises")
    plan = build_plan(written, impedances=at_hand.impedances)
    promise = _promise(written, plan, executor)
    return Composed(
        job=written,
        plan=plan,
        files=_joined(fixture, list(sequence_tables(job, promise.words)), there),
        promise=promise,
        at_hand=words,
        tried=found.tried,
        why_by_hand=selected.why_by_hand,
    )


def _at_a_level(job: Job, at_hand: AtHand) -> Job:
    """The job at the highest level that over-drives no amplifier; at the lowest if every level does."""
    made = job
    for level_dbu in LEVELS_DBU:
        checks = (
            replace(check, tone=replace(check.tone, level_vrms=vrms(level_dbu)))
            for check in job.sequence.checks
        )
        made = replace(job, sequence=replace(job.sequence, checks=tuple(checks)))
        if not job.module.amplifiers:
            break
        if not list(over_driven(made, trial_plan(made, impedances=at_hand.impedances))):
            break
    return made


def _joined(fixture: list[FileTable], sequence: list[FileTable], there: Settled) -> dict[str, Joined]:
    """Both files. Once a person has settled a loopback, all of them stay as they are."""
    if there.fixed.loopbacks:
        old = {table.key: table for table in there.tables[FIXTURE].tables if table.kind == "loopbacks"}
        fixture = [_as_it_is(old.get(table.key, table)) for table in fixture]
    return {
        FIXTURE: joined(FIXTURE_HEAD, fixture, there.tables.get(FIXTURE)),
        SEQUENCE: joined(SEQUENCE_HEAD, sequence, there.tables.get(SEQUENCE)),
    }


def _as_it_is(table: FileTable) -> FileTable:
    return replace(table, text=unmarked(table.text))


def _as_written(folder: Path, bench: Path | None, files: Mapping[str, Joined]) -> Job:
    """Read the files as a run will. Raises JobError where a person's tables no longer fit the rest."""
    with TemporaryDirectory(prefix="switchwalk-") as place:
        paths = {name: Path(place) / name for name in files}
        for name, file in files.items():
            paths[name].write_text(file.file.text, encoding="utf-8")
        try:
            return load_job(folder, bench, sequence_file=paths[SEQUENCE], fixture_file=paths[FIXTURE])
        except JobError as error:
            kept = [table.words for file in files.values() for table, fate in file.fates if fate == "kept"]
            if kept:
                error.add_note(
                    f"Nothing was written: these tables are yours and were kept, and what is composed beside "
                    f"them does not fit: {', '.join(kept)}. Change them, or delete those that may be composed"
                )
            raise


def _promise(job: Job, plan: Plan, executor: Executor | None) -> Promise:
    last, moves = plan.through, 0
    for visit in plan.visits:
        if visit.setup.select is None:
            moves += lead_moves(last, visit.setup)
        last = visit.setup
    return Promise(
        faults=judge_faults(job, plan, (*hard_faults(job), *own_suspects(job)), executor=executor),
        good=_good_share(job, plan),
        cost=estimate_time(plan, job),
        moves=moves,
        setups=len(plan.visits),
        states=len({state.state.name for visit in plan.visits for state in visit.states}),
    )


def _good_share(job: Job, plan: Plan) -> float:
    """The share of good units whose every reading passes, as if no two readings had an error in common.

    What is judged by the tolerance of parts is kept by GOOD_SHARE of them together. Any other reading passes
    if it is an expanded uncertainty inside its limit, and it spreads by one standard one.
    """
    unit, k = GoodUnit(job, plan), job.sequence.coverage_factor
    share = 1.0
    for reading in plan.state_readings:
        if reading.limit is not None and reading.limit.tolerance:
            continue
        estimates = reading.quantity.predict(reading, unit)
        inside = math.inf if estimates is None else estimates.margins(reading.limit).inside
        if math.isfinite(inside):
            share *= math.erf(max(float(inside) - 1.0, 0.0) * k / math.sqrt(2))
    by_tolerance = any(each.limit is not None and each.limit.tolerance for each in plan.readings)
    return GOOD_SHARE * share if by_tolerance else share
