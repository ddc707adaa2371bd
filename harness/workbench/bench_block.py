"""Whether the last check of the bench by a golden or a known-bad unit lets units be tested."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from harness.errors import BenchError
from harness.records.run import BenchCheck, CheckKind, Noted, RefusalOverridden

if TYPE_CHECKING:
    from harness.job.job import Job
    from harness.records.store import RunStore


@dataclass(frozen=True, kw_only=True)
class CheckMade:
    """A check of the bench, the run that it was, and when, in UTC."""

    run_id: int
    at: datetime
    check: BenchCheck


def latest_checks(store: "RunStore", bench: str, *, simulated: bool) -> dict[CheckKind, CheckMade]:
    """Give the last check of each kind on a bench."""
    lines = store.lines(simulated=simulated)
    runs = {line.run_id for line in lines if line.purpose and line.bench_name == bench}
    found: dict[CheckKind, CheckMade] = {}
    for run_id, made in sorted(store.latest_events(BenchCheck, runs).items()):
        found[made.event.check] = CheckMade(run_id=run_id, at=made.at, check=made.event)
    return found


def check_block(
    store: "RunStore", job: "Job", *, simulated: bool, despite: str, who: str | None
) -> tuple[Noted, ...]:
    """Refuse a bench that its last checks do not vouch for; gives what is kept with the runs of who goes on.

    () where nothing is in the way. despite: why somebody goes on all the same. Raises BenchError.
    """
    name = job.bench.name if job.bench else ""
    checks = latest_checks(store, name, simulated=simulated)
    told = "; ".join(_in_the_way(checks, job.sequence.golden_every_s))
    if not told:
        return ()
    if despite and who:
        text = f"{who} went on despite what the checks of the bench say: {despite}. {told}"
        return ((RefusalOverridden(who=who, why=despite), text),)
    raise BenchError(
        f"{told}. Units are not tested on it. See to the bench and check it with `switchwalk gauge`; or go "
        "on with --operator NAME --despite REASON, kept with each run",
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
