"""Whether a unit may be tested now: its serial number, its earlier runs, the bench's checks, a run's lock.

The bench is checked by a golden unit, which must read as it did, and by known faults, which must be named.
"""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from drivers.claim import claim
from harness.errors import BenchError, UsageError
from harness.job.job import Job
from harness.job.sequence import CheckSequence
from harness.records.history import RunLine, labels
from harness.records.run import BenchCheck, CheckKind, Noted, Outcome, RefusalOverridden, RetestAllowed
from harness.records.store import RunStore
from harness.session.planned_job import BENCH_FILE
from harness.statistics.drift import Shift, golden_shifts
from harness.statistics.yields import COMPLETE, tests_of_units
from harness.toml_files.values import compiled
from harness.units import counted

NAMED_FIRST = 3  # readings, or faults, that the recorded sentence names


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
    return {
        made.event.check: CheckMade(run_id=run_id, at=made.at, check=made.event)
        for run_id, made in sorted(store.latest_events(BenchCheck, runs).items())
    }


def check_bench_block(
    store: RunStore, job: Job, *, simulated: bool, override: str = "", who: str | None = None
) -> tuple[Noted, ...]:
    """Refuse a bench whose last checks were bad or are too old; returns what is recorded with a run.

    () if nothing is wrong. A good check by a golden unit clears a bad one by known faults before it.
    override: why somebody tests on it all the same. Raises BenchError.
    """
    name = job.bench.name if job.bench else ""
    checks = latest_checks(store, name, simulated=simulated)
    message = "; ".join(_what_is_wrong(checks, job.sequence.golden_every_s))
    if not message:
        return ()
    if override and who:
        text = f"{who} overrode the checks of the bench: {override}. {message}"
        return ((RefusalOverridden(who=who, why=override), text),)
    raise BenchError(
        f"{message}. Units are not tested on it. See to the bench and check it with `switchwalk gauge "
        "golden`; or go on with --operator NAME --override REASON, kept with each run",
        instrument=f"bench {name!r}",
    )


def _what_is_wrong(checks: Mapping[CheckKind, CheckMade], golden_every_s: float | None) -> Iterator[str]:
    golden = checks.get("golden")
    for kind, made in checks.items():
        cleared = golden is not None and golden.check.good and golden.run_id > made.run_id
        if not made.check.good and not cleared:
            yield f"its last check was bad: {made.check.why} ({kind} unit, run {made.run_id})"
    if golden_every_s is None:
        return
    wanted = f"the sequence requires one every {golden_every_s / 3600:g} h"
    if golden is None:
        yield f"it was never checked with a golden unit, and {wanted}"
    elif golden.check.good and (age_s := (datetime.now(UTC) - golden.at).total_seconds()) > golden_every_s:
        yield (
            f"its last check with a golden unit (run {golden.run_id}) is {age_s / 3600:.1f} h old, and "
            f"{wanted}"
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

    new_history: why its history begins with this run, "" if it is continued.
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


def keep_known_bad(store: RunStore, result: Sequence[KnownBad]) -> None:
    """Keep with the last run of a check by known faults whether all were failed and named."""
    bad = [unit for unit in result if not unit.good]
    why = "every unit failed, and its fault was named"
    if bad:
        faults = "; ".join(unit.fault for unit in bad[:NAMED_FIRST])
        why = f"{len(bad)} of {len(result)} known faults were not failed or not named: {faults}"
    check = BenchCheck(check="known-bad", good=not bad, why=why)
    store.add_event(result[-1].run_id, check, why)


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
    if outcome != "pass":
        why = f"{serial} ended in {outcome.upper()}"
    elif moved:
        names = labels(shift.key for shift in shifts)
        named = "; ".join(names[shift.key] for shift in moved[:NAMED_FIRST])
        why = f"{len(moved)} of {len(shifts)} readings of {serial} moved: {named}"
    elif shifts:
        why = f"{serial} agrees with its history"
    else:
        why = f"{serial} is recorded, and later runs are compared with it"
    good = outcome == "pass" and not moved
    return BenchCheck(check="golden", good=good, why=why, new_history=new_history)


LONGEST_SERIAL = 64
NOBODY = "nobody named"


def serial_mistake(serial: str, sequence: CheckSequence) -> str:
    """What is wrong with a serial number; "" if nothing is."""
    if not serial or len(serial) > LONGEST_SERIAL or not serial.isprintable() or serial != serial.strip():
        return f"expected 1 to {LONGEST_SERIAL} printable characters, no space at the ends"
    pattern = sequence.serial_pattern
    if pattern is not None and compiled(pattern).fullmatch(serial) is None:
        return f"the sequence wants the pattern {pattern}"
    return ""


def check_serial(serial: str, sequence: CheckSequence) -> None:
    """Raises UsageError for what can be no serial number."""
    if wrong := serial_mistake(serial, sequence):
        raise UsageError(f"serial {serial!r}: {wrong}")


def is_serial(text: str, sequence: CheckSequence) -> bool:
    """Whether a text is surely a serial number: the sequence has a pattern, and it matches."""
    return sequence.serial_pattern is not None and not serial_mistake(text, sequence)


@dataclass(frozen=True, kw_only=True)
class Retest:
    """Permission to run a unit again; `number` from 1, `allowed` None if the sequence sets no bound."""

    number: int
    allowed: int | None
    who: str
    why: str
    before: str  # how its last run ended, in words

    @property
    def noted(self) -> Noted:
        """The event and the text that are recorded with the run."""
        of = "" if self.allowed is None else f" of {self.allowed}"
        text = f"retest {self.number}{of}, by {self.who}: {self.why}. Before it {self.before}"
        return RetestAllowed(number=self.number, allowed=self.allowed, who=self.who, why=self.why), text


def passed_before(store: RunStore, job: Job, serial: str, *, simulated: bool) -> str:
    """In which run a unit has passed already, as a sentence; "" if in none."""
    before = store.passed(serial, job.module.part, simulated=simulated)
    if before is None:
        return ""
    return (
        f"unit {serial} has already passed, in run {before.run_id} of "
        f"{before.header.started:%Y-%m-%d %H:%M} UTC"
    )


def earlier_runs(store: RunStore, job: Job, serial: str, *, simulated: bool) -> list[RunLine]:
    """The complete runs that tested a unit, oldest first, without studies of the bench."""
    return tests_of_units(store.lines(part=job.module.part, serial=serial, simulated=simulated))


def check_count(serial: str, earlier: Sequence[RunLine], allowed: int | None) -> None:
    """Raises UsageError if a unit has had all its retests."""
    if allowed is not None and len(earlier) > allowed:
        text = counted(allowed, "retest") if allowed else "no retest"
        raise UsageError(
            f"unit {serial} has been run {counted(len(earlier), 'time')}, the last "
            f"{how_it_ended(earlier[-1])}; sequence.toml allows {text} (key sequence.retests)"
        )


def make_retest(serial: str, earlier: Sequence[RunLine], job: Job, *, who: str, why: str) -> Retest | None:
    """Permission to run a unit again; None for its first run. Raises UsageError beyond its retests."""
    if not earlier:
        return None
    allowed, before = job.sequence.retests, how_it_ended(earlier[-1])
    check_count(serial, earlier, allowed)
    return Retest(number=len(earlier), allowed=allowed, who=who, why=why, before=before)


def how_it_ended(line: RunLine) -> str:
    """`FAIL in run 12 of 2026-03-04 10:00 UTC`."""
    return f"{line.outcome.upper()} in run {line.run_id} of {line.started:%Y-%m-%d %H:%M} UTC"


def admit(
    store: RunStore, job: Job, serial: str, *, simulated: bool, who: str | None, again: str, override: str
) -> tuple[Noted, ...]:
    """Refuse a unit that may not be run now; returns why it may, as recorded with its run.

    who: the operator. again: why a unit that has passed is run again. override: why a bench is used whose
    last check was bad. Raises UsageError for the unit, BenchError for the bench.
    """
    passed = passed_before(store, job, serial, simulated=simulated)
    if passed and not again:
        raise UsageError(f"{passed}; it is run again only for a reason (again)")
    earlier = earlier_runs(store, job, serial, simulated=simulated)
    retest = make_retest(serial, earlier, job, who=who or NOBODY, why=again or "no reason given")
    block = check_bench_block(store, job, simulated=simulated, override=override, who=who)
    return block if retest is None else (retest.noted, *block)


def whole_run_due(store: RunStore, job: Job, *, simulated: bool) -> str:
    """Why the next unit has a whole run although shortest ones are asked for; "" if it need not.

    The sequence's `full_every` counts the units that had a verdict with the same module, fixture and sequence
    files since the last whole run; the first has one. A run that ended at its first FAIL is neither.
    """
    every = job.sequence.full_every
    if every is None:
        return ""
    wants = f"the sequence wants a whole run for one unit in {every} (full_every)"
    shortest = 0
    for line in reversed(tests_of_units(store.lines(part=job.module.part, simulated=simulated))):
        if line.sequence_name != job.sequence.name or line.extent == "until fail":
            continue
        files = store.run(line.run_id).header.files[:BENCH_FILE]
        if [file.sha256 for file in files] != [file.sha256 for file in job.files[:BENCH_FILE]]:
            break
        if line.extent == "whole":
            return "" if shortest < every - 1 else f"{wants}; the last was run {line.run_id}"
        shortest += 1
    return f"{wants}; none is recorded with these files"


@contextmanager
def run_lock(store: RunStore, run_id: int) -> Iterator[None]:
    """Hold a run against other processes. Raises BenchError that says which one holds it."""
    location = store.location if "://" in store.location else Path(store.location).resolve().as_uri()
    with claim(f"{location}#{run_id}", instrument=f"run {run_id}"):
        yield


def refuse_running(store: RunStore, run_id: int) -> None:
    """Refuse a run that another process holds. Raises BenchError that names the process."""
    with run_lock(store, run_id):
        pass
