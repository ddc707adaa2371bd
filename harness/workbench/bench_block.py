"""Whether the last check of the bench by a golden or a known-bad unit lets units be tested."""

import json
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Literal, get_args

from harness.errors import BenchError

if TYPE_CHECKING:
    from harness.records.store import RunStore

CheckKind = Literal["golden", "known-bad"]


@dataclass(frozen=True, kw_only=True)
class BenchCheck:
    """What a check of the bench found; `new_history` says why a golden unit's history begins here."""

    check: CheckKind
    good: bool
    why: str
    new_history: str = ""

    @property
    def text(self) -> str:
        """What the records keep with the run."""
        return json.dumps(asdict(self), ensure_ascii=False)


def latest_checks(store: "RunStore", bench: str, *, simulated: bool) -> dict[str, tuple[int, BenchCheck]]:
    """Give the last check of each kind on a bench, with its run."""
    found: dict[str, tuple[int, BenchCheck]] = {}
    for run_id, event in sorted(store.latest_events("bench check").items(), reverse=True):
        check = BenchCheck(**json.loads(event.text))
        if check.check in found:
            continue
        header = store.run(run_id).header
        if (header.bench_name, header.simulated) == (bench, simulated):
            found[check.check] = run_id, check
        if len(found) == len(get_args(CheckKind)):
            break
    return found


def check_block(store: "RunStore", bench: str, *, simulated: bool, despite: str, who: str | None) -> str:
    """Refuse a bench whose last check was bad; gives what is to be kept with the runs of who goes on.

    "" where nothing is in the way. despite: why somebody goes on all the same. Raises BenchError.
    """
    bad = [one for one in latest_checks(store, bench, simulated=simulated).values() if not one[1].good]
    if not bad:
        return ""
    told = "; ".join(f"{check.why} ({check.check} unit, run {run_id})" for run_id, check in bad)
    if despite and who:
        return f"{who} went on despite a bad check of the bench: {despite}. {told}"
    raise BenchError(
        f"its last check was bad: {told}. Units are not tested on it. See to the bench and check it again "
        "with `switchwalk gauge`; or go on with --operator NAME --despite REASON, kept with each run",
        instrument=f"bench {bench!r}",
    )
