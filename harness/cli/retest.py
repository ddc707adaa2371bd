"""Whether a unit that has been run may be run again, who says so, and why."""

import sys
from collections.abc import Sequence as Many
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.cli.serials import ask
from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.descriptions.job import Job
    from harness.records.history import RunLine
    from harness.records.store import RunStore


@dataclass(frozen=True, kw_only=True)
class Retest:
    """Leave to run a unit again; `number` from 1, `allowed` None where the sequence sets no bound."""

    number: int
    allowed: int | None
    who: str
    why: str
    before: str  # how its last run ended, in words

    @property
    def text(self) -> str:
        """What the records keep."""
        of = "" if self.allowed is None else f" of {self.allowed}"
        return f"retest {self.number}{of}, by {self.who}: {self.why}. Before it {self.before}"


def earlier_runs(store: "RunStore", job: "Job", serial: str, *, simulate: bool) -> "list[RunLine]":
    """The complete runs that tested a unit, oldest first; studies of the bench are none."""
    from harness.statistics.yields import tests_of_units

    return tests_of_units(store.lines(part=job.module.part, serial=serial, simulated=simulate))


def check_count(serial: str, earlier: "Many[RunLine]", allowed: int | None) -> None:
    """Raises UsageError where a unit has had all its retests."""
    if allowed is not None and len(earlier) > allowed:
        told = "no retest" if allowed == 0 else f"{allowed} retest{'s' if allowed > 1 else ''}"
        raise UsageError(
            f"unit {serial} has been run {len(earlier)} time{'s' if len(earlier) > 1 else ''}, the last "
            f"{said(earlier[-1])}; sequence.toml allows {told} (key sequence.retests)"
        )


def said(line: "RunLine") -> str:
    """How a run ended."""
    return f"{line.outcome.upper()} in run {line.run_id} of {line.started:%Y-%m-%d %H:%M} UTC"


def leave_for(
    serial: str, earlier: "Many[RunLine]", allowed: int | None, *, who: str, why: str, attended: bool
) -> Retest | None:
    """Get leave to run a unit again; None for its first run. who, why: what the command line says already.

    Raises UsageError where it has had all its retests, or nobody gives a name and a reason.
    """
    if not earlier:
        return None
    check_count(serial, earlier, allowed)
    before = said(earlier[-1])
    number = len(earlier)
    if not why and attended and sys.stdin.isatty():
        of = "" if allowed is None else f" of {allowed}"
        question = f"unit {serial}: {before}. Retest {number}{of}: why? (empty: not run) "
        why = ask(question)
        if why and not who:
            who = ask("Who says so? ")
    if not why or not who:
        raise UsageError(
            f"unit {serial}: {before}. It is run again only with a name and a reason: --operator NAME "
            "--again REASON"
        )
    return Retest(number=number, allowed=allowed, who=who, why=why, before=before)
