"""Whether a unit may be tested now: its serial number, its earlier runs, and what the bench's checks say."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from harness.errors import UsageError
from harness.job.job import Job
from harness.job.sequence import Sequence as CheckSequence
from harness.records.history import RunLine
from harness.records.run import Noted, RetestAllowed
from harness.records.store import RunStore
from harness.session.bench_checks import check_bench_block
from harness.statistics.yields import tests_of_units

LONGEST_SERIAL = 64
NOT_SAID = "nobody named"


def serial_mistake(serial: str, sequence: CheckSequence) -> str:
    """Say what is wrong with a serial number; "" if nothing is."""
    if not serial or len(serial) > LONGEST_SERIAL or not serial.isprintable() or serial != serial.strip():
        return f"expected 1 to {LONGEST_SERIAL} printable characters, no space at the ends"
    pattern = sequence.serial_pattern
    if pattern is not None and re.fullmatch(pattern, serial) is None:
        return f"the sequence wants the pattern {pattern}"
    return ""


def check_serial(serial: str, sequence: CheckSequence) -> None:
    """Raises UsageError for what can be no serial number."""
    wrong = serial_mistake(serial, sequence)
    if wrong:
        raise UsageError(f"serial {serial!r}: {wrong}")


def is_serial(text: str, sequence: CheckSequence) -> bool:
    """Whether a text is plainly a serial number: it matches the sequence's pattern, if there is one."""
    return sequence.serial_pattern is not None and not serial_mistake(text, sequence)


@dataclass(frozen=True, kw_only=True)
class Retest:
    """Leave to run a unit again; `number` from 1, `allowed` None if the sequence sets no bound."""

    number: int
    allowed: int | None
    who: str
    why: str
    before: str  # how its last run ended, in words

    @property
    def noted(self) -> Noted:
        """What the records keep."""
        of = "" if self.allowed is None else f" of {self.allowed}"
        text = f"retest {self.number}{of}, by {self.who}: {self.why}. Before it {self.before}"
        return RetestAllowed(number=self.number, allowed=self.allowed, who=self.who, why=self.why), text


def passed_before(store: RunStore, job: Job, serial: str, *, simulated: bool) -> str:
    """Say in which run a unit has passed already; "" if in none."""
    before = store.passed(serial, job.module.part, simulated=simulated)
    if before is None:
        return ""
    return (
        f"unit {serial} passed already, in run {before.run_id} of {before.header.started:%Y-%m-%d %H:%M} UTC"
    )


def earlier_runs(store: RunStore, job: Job, serial: str, *, simulated: bool) -> list[RunLine]:
    """The complete runs that tested a unit, oldest first; studies of the bench are none."""
    return tests_of_units(store.lines(part=job.module.part, serial=serial, simulated=simulated))


def check_count(serial: str, earlier: Sequence[RunLine], allowed: int | None) -> None:
    """Raises UsageError if a unit has had all its retests."""
    if allowed is not None and len(earlier) > allowed:
        told = "no retest" if allowed == 0 else f"{allowed} retest{'s' if allowed > 1 else ''}"
        raise UsageError(
            f"unit {serial} has been run {len(earlier)} time{'s' if len(earlier) > 1 else ''}, the last "
            f"{how_it_ended(earlier[-1])}; sequence.toml allows {told} (key sequence.retests)"
        )


def make_retest(serial: str, earlier: Sequence[RunLine], job: Job, *, who: str, why: str) -> Retest | None:
    """Leave to run a unit again; None for its first run. Raises UsageError beyond its retests."""
    if not earlier:
        return None
    check_count(serial, earlier, job.sequence.retests)
    return Retest(
        number=len(earlier),
        allowed=job.sequence.retests,
        who=who,
        why=why,
        before=how_it_ended(earlier[-1]),
    )


def how_it_ended(line: RunLine) -> str:
    """How a run ended."""
    return f"{line.outcome.upper()} in run {line.run_id} of {line.started:%Y-%m-%d %H:%M} UTC"


def admit(
    store: RunStore, job: Job, serial: str, *, simulated: bool, who: str | None, again: str, override: str
) -> tuple[Noted, ...]:
    """Refuse a unit that may not be run now; returns what is kept with its run of why it is.

    who: the operator. again: why a unit that has passed is run again. override: why a bench is used whose
    last check was bad. Raises UsageError for the unit, BenchError for the bench.
    """
    passed = passed_before(store, job, serial, simulated=simulated)
    if passed and not again:
        raise UsageError(f"{passed}; it is run again only for a reason (again)")
    retest = make_retest(
        serial,
        earlier_runs(store, job, serial, simulated=simulated),
        job,
        who=who or NOT_SAID,
        why=again or "no reason given",
    )
    block = check_bench_block(store, job, simulated=simulated, override=override, who=who)
    return block if retest is None else (retest.noted, *block)
