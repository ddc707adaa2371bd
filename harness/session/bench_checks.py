"""Checks of the bench by a golden unit or by known faults, and whether the last ones let units be tested."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from harness.errors import BenchError
from harness.job.job import Job
from harness.records.history import RunLine, labels
from harness.records.run import BenchCheck, CheckKind, Noted, Outcome, RefusalOverridden
from harness.records.store import RunStore
from harness.statistics.drift import Shift, golden_shifts
from harness.statistics.yields import COMPLETE

TOLD_FIRST = 3  # readings, or faults, that the records' own sentence names


@dataclass(frozen=True, kw_only=True)
class CheckMade:
    """A check of the bench, the run that it was, and when, in UTC."""

    run_id: int
    at: datetime
    check: BenchCheck


def latest_checks(store: RunStore, bench: str, *, simulated: bool) -> dict[CheckKind, CheckMade]:
    """The last check of each kind on a bench."""
    lines = store.lines(simulated=simulated)
    runs = {line.run_id for line in lines if line.purpose and line.bench_name == bench}
    found: dict[CheckKind, CheckMade] = {}
    for run_id, made in sorted(store.latest_events(BenchCheck, runs).items()):
        found[made.event.check] = CheckMade(run_id=run_id, at=made.at, check=made.event)
    return found


def check_bench_block(
    store: RunStore, job: Job, *, simulated: bool, override: str = "", who: str | None = None
) -> tuple[Noted, ...]:
    """Refuse a bench that its last checks do not vouch for; returns what is kept with runs that go on.

    () if nothing is in the way. override: why somebody goes on all the same. Raises BenchError.
    """
    name = job.bench.name if job.bench else ""
    checks = latest_checks(store, name, simulated=simulated)
    told = "; ".join(_in_the_way(checks, job.sequence.golden_every_s))
    if not told:
        return ()
    if override and who:
        text = f"{who} went on despite what the checks of the bench say: {override}. {told}"
        return ((RefusalOverridden(who=who, why=override), text),)
    raise BenchError(
        f"{told}. Units are not tested on it. See to the bench and check it with `switchwalk gauge golden`; "
        "or go on with --operator NAME --despite REASON, kept with each run",
        instrument=f"bench {name!r}",
    )


def _in_the_way(checks: Mapping[CheckKind, CheckMade], golden_every_s: float | None) -> Iterator[str]:
    for kind, made in checks.items():
        if not made.check.good:
            yield f"its last check was bad: {made.check.why} ({kind} unit, run {made.run_id})"
    if golden_every_s is None:
        return
    wanted = f"the sequence wants one every {golden_every_s / 3600:g} h"
    golden = checks.get("golden")
    if golden is None:
        yield f"it was never checked by a golden unit, and {wanted}"
    elif golden.check.good and (age_s := (datetime.now(UTC) - golden.at).total_seconds()) > golden_every_s:
        yield (
            f"its last check by a golden unit (run {golden.run_id}) is {age_s / 3600:.1f} h old, and {wanted}"
        )


@dataclass(frozen=True, kw_only=True)
class Golden:
    """A golden unit's run against its history: run numbers, and every reading's shift."""

    serial: str
    bench: str
    run_id: int
    outcome: str
    history: tuple[int, ...]
    shifts: tuple[Shift, ...]
    check: BenchCheck

    @property
    def moved(self) -> tuple[Shift, ...]:
        """Readings that have moved, the furthest first."""
        return tuple(shift for shift in self.shifts if shift.moved)


@dataclass(frozen=True, kw_only=True)
class KnownBad:
    """A unit with a known fault: how its run ended, and what was named."""

    serial: str
    fault: str
    run_id: int
    outcome: str
    named: tuple[str, ...]

    @property
    def good(self) -> bool:
        """Whether it failed, and its fault is the likeliest or not told apart from that."""
        return self.outcome == "fail" and self.fault in self.named


def compare_golden(store: RunStore, run_id: int, *, new_history: str) -> Golden:
    """Compare a golden unit's run with its history on the bench, and keep what that says with the run.

    new_history: why its history begins with this run, "" if it goes on.
    """
    record = store.run(run_id)
    header = record.header
    if record.outcome == "interrupted":
        raise ValueError(f"run {run_id} has not ended")
    lines = store.lines(part=header.part, serial=header.serial, simulated=header.simulated)
    history = [] if new_history else golden_history(store, lines, header.bench_name, before=run_id)
    shifts = golden_shifts(store.series([*history, run_id]), run_id) if history else []
    check = _golden_check(header.serial, record.outcome, shifts, new_history)
    store.add_event(run_id, check, check.why)
    return Golden(
        serial=header.serial,
        bench=header.bench_name,
        run_id=run_id,
        outcome=record.outcome,
        history=tuple(history),
        shifts=tuple(shifts),
        check=check,
    )


def keep_known_bad(store: RunStore, found: Sequence[KnownBad]) -> None:
    """Keep with the last run of a check by known faults whether all were failed and named."""
    bad = [one for one in found if not one.good]
    why = "every known fault was failed and named"
    if bad:
        faults = "; ".join(one.fault for one in bad[:TOLD_FIRST])
        why = f"{len(bad)} of {len(found)} known faults were not failed or not named: {faults}"
    check = BenchCheck(check="known-bad", good=not bad, why=why)
    store.add_event(found[-1].run_id, check, why)


def golden_history(store: RunStore, lines: Sequence[RunLine], bench: str, *, before: int) -> list[int]:
    """The golden unit's good checks on this bench, since its history began."""
    chosen = [
        line.run_id
        for line in lines
        if line.purpose == "golden"
        and line.bench_name == bench
        and line.outcome in COMPLETE
        and line.run_id < before
    ]
    history: list[int] = []
    for run_id, made in sorted(store.latest_events(BenchCheck, chosen).items()):
        check = made.event
        if check.new_history:
            history = []
        if check.good:
            history.append(run_id)
    return history


def _golden_check(serial: str, outcome: Outcome, shifts: Sequence[Shift], new_history: str) -> BenchCheck:
    moved = [shift for shift in shifts if shift.moved]
    why = f"{serial} reads as it did" if shifts else f"{serial} is kept as what later runs are held against"
    if outcome != "pass":
        why = f"{serial} ended in {outcome.upper()}"
    elif moved:
        told = labels(shift.key for shift in shifts)
        named = "; ".join(told[shift.key] for shift in moved[:TOLD_FIRST])
        why = f"{len(moved)} of {len(shifts)} readings of {serial} moved: {named}"
    good = outcome == "pass" and not moved
    return BenchCheck(check="golden", good=good, why=why, new_history=new_history)
