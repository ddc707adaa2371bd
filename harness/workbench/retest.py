"""How often a unit has been run, and whether it may be run again."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.job.job import Job
    from harness.records.history import RunLine
    from harness.records.run import Noted
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
    def noted(self) -> "Noted":
        """What the records keep."""
        from harness.records.run import RetestAllowed

        of = "" if self.allowed is None else f" of {self.allowed}"
        text = f"retest {self.number}{of}, by {self.who}: {self.why}. Before it {self.before}"
        return RetestAllowed(number=self.number, allowed=self.allowed, who=self.who, why=self.why), text


def earlier_runs(store: "RunStore", job: "Job", serial: str, *, simulate: bool) -> "list[RunLine]":
    """The complete runs that tested a unit, oldest first; studies of the bench are none."""
    from harness.statistics.yields import tests_of_units

    return tests_of_units(store.lines(part=job.module.part, serial=serial, simulated=simulate))


def check_count(serial: str, earlier: "Sequence[RunLine]", allowed: int | None) -> None:
    """Raises UsageError where a unit has had all its retests."""
    if allowed is not None and len(earlier) > allowed:
        told = "no retest" if allowed == 0 else f"{allowed} retest{'s' if allowed > 1 else ''}"
        raise UsageError(
            f"unit {serial} has been run {len(earlier)} time{'s' if len(earlier) > 1 else ''}, the last "
            f"{said(earlier[-1])}; sequence.toml allows {told} (key sequence.retests)"
        )


def retest_kept(
    store: "RunStore", job: "Job", serial: str, *, simulate: bool, who: str | None, why: str
) -> "tuple[Noted, ...]":
    """What is kept of a unit that is run again; () of one that is not. UsageError beyond its retests."""
    earlier = earlier_runs(store, job, serial, simulate=simulate)
    if not earlier:
        return ()
    check_count(serial, earlier, job.sequence.retests)
    retest = Retest(
        number=len(earlier),
        allowed=job.sequence.retests,
        who=who or "nobody named",
        why=why or "no reason given",
        before=said(earlier[-1]),
    )
    return (retest.noted,)


def said(line: "RunLine") -> str:
    """How a run ended."""
    return f"{line.outcome.upper()} in run {line.run_id} of {line.started:%Y-%m-%d %H:%M} UTC"
