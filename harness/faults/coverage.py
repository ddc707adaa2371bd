"""Whether a sequence as written would see each single fault, by which reading, and what it cannot see."""

from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np

from harness.circuit.elements import BenchImpedances
from harness.circuit.expand import is_operated
from harness.descriptions.faults import Fault, single_faults
from harness.descriptions.job import Job
from harness.faults.contacts import WorstContact, smallest_seen
from harness.faults.edges import weigh_edges
from harness.faults.effects import Suspect
from harness.faults.groups import groups_of, told_apart
from harness.faults.margins import SURE, Margins, Prospect, weigh_margins, words_for
from harness.faults.signatures import signatures
from harness.plan.model import Plan

NOTHING = 1e-5  # of an e.m.f.: a change below this is none that any reading could show
TELLING = {"dB": 1e-3, "deg": 0.05, "A": 1e-3, "ohm": 0.05}  # the least change worth telling of
OVER_CURRENT = "over-current, each line alone before the plan"


@dataclass(frozen=True, kw_only=True)
class FaultSeen:
    """One hard fault: `by` the reading that sees it best, `margin` in expanded uncertainties past its limit.

    `readings`: how many would be judged fail. Where it is not seen, `why` says what it does instead.
    """

    fault: Fault
    seen: bool
    by: str
    margin: float
    readings: int
    why: str


@dataclass(frozen=True, kw_only=True)
class TightLimit:
    """A reading whose limit a healthy unit may not keep: the spread of sound parts reaches past it."""

    reading: str
    margin: float  # expanded uncertainties between a nominal unit and the limit; below 1


@dataclass(frozen=True, kw_only=True)
class Coverage:
    """What a plan would see of every hard fault, and how far resistive contacts must go to be seen.

    groups: names of faults that are seen and read alike, two or more each; distinct: how many different
    things the seen faults show.
    """

    faults: tuple[FaultSeen, ...]
    groups: tuple[tuple[str, ...], ...]
    distinct: int
    contacts: tuple[WorstContact, ...]
    tight: tuple[TightLimit, ...]

    @property
    def seen(self) -> tuple[FaultSeen, ...]:
        """The faults that are seen."""
        return tuple(one for one in self.faults if one.seen)

    @property
    def unseen(self) -> tuple[FaultSeen, ...]:
        """The faults that are not."""
        return tuple(one for one in self.faults if not one.seen)


def hard_faults(job: Job) -> tuple[Fault, ...]:
    """Every single fault but resistive contacts, which are a matter of degree."""
    return tuple(
        fault for fault in single_faults(job.module, job.fixture) if fault.kind != "throw resistance"
    )


def judge_faults(
    job: Job, plan: Plan, *, impedances: BenchImpedances, executor: Executor | None = None
) -> tuple[FaultSeen, ...]:
    """Say for every hard fault whether a plan would see it, and nothing else. Raises CircuitError."""
    faults = hard_faults(job)
    shown = signatures(job, plan, faults, impedances=impedances, executor=executor)
    return _judged(
        weigh_margins(job, plan, shown), Prospect(job=job, plan=plan, signatures=shown), impedances
    )


def cover(job: Job, plan: Plan, *, impedances: BenchImpedances, executor: Executor | None = None) -> Coverage:
    """Say for every single fault of a job whether its plan would see it.

    Raises CircuitError where a circuit has no solution.
    """
    shown = signatures(job, plan, hard_faults(job), impedances=impedances, executor=executor)
    made = weigh_margins(job, plan, shown)
    prospect = Prospect(job=job, plan=plan, signatures=shown)
    judged = _judged(made, prospect, impedances)
    groups = groups_of(told_apart(prospect), [row for row, one in enumerate(judged) if one.seen])
    return Coverage(
        faults=judged,
        groups=tuple(tuple(shown.names[row] for row in group) for group in groups if len(group) > 1),
        distinct=len(groups),
        contacts=smallest_seen(job, plan, impedances=impedances, executor=executor),
        tight=tight_limits(made),
    )


def _judged(made: Margins, prospect: Prospect, impedances: BenchImpedances) -> tuple[FaultSeen, ...]:
    judged = tuple(
        _judge(suspect[0], row, made, prospect) for row, suspect in enumerate(prospect.signatures.suspects)
    )
    return _with_edges(judged, prospect.job, prospect.plan, impedances)


def _judge(fault: Fault, row: int, made: Margins, prospect: Prospect) -> FaultSeen:
    margins = made.margins[row]
    best = int(margins.argmax())
    seen = bool(margins[best] >= SURE)
    by = ""
    if seen:
        by = OVER_CURRENT if best == len(made.readings) else words_for(made.readings[best])
    return FaultSeen(
        fault=fault,
        seen=seen,
        by=by,
        margin=float(margins[best]),
        readings=int((margins >= SURE).sum()),
        why="" if seen else _why(row, made, prospect),
    )


def _with_edges(
    judged: tuple[FaultSeen, ...], job: Job, plan: Plan, impedances: BenchImpedances
) -> tuple[FaultSeen, ...]:
    """Look among the readings of changes of state for what no level shows."""
    left = [one for one in judged if not one.seen] if plan.edge_readings else []
    found = weigh_edges(job, plan, [(one.fault,) for one in left], impedances=impedances)
    by = {one.fault: evidence for one, evidence in zip(left, found, strict=True) if evidence is not None}
    return tuple(
        replace(one, seen=True, by=by[one.fault].by, margin=by[one.fault].margin, readings=1, why="")
        if one.fault in by
        else one
        for one in judged
    )


def _why(row: int, made: Margins, prospect: Prospect) -> str:
    """What an unseen fault does to the readings."""
    shown = prospect.signatures
    changed = np.abs(shown.transfers[row] - shown.healthy).max(initial=0.0)
    if changed < NOTHING:
        if not np.allclose(shown.supply_a[row], shown.healthy_supply_a):
            return "only the relay supply's current shows it, and no check reads enough of that"
        return f"changes nothing that is looked at{_idle(prospect, shown.suspects[row])}"
    changes = [
        (abs(change) / TELLING[unit], change, unit, reading)
        for reading, margin in zip(made.readings, made.margins[row, :-1], strict=True)
        if np.isfinite(margin)
        for change, unit in [prospect.change(reading, row)]
        if np.isfinite(change)
    ]
    most = max(changes, key=lambda one: one[0], default=None)
    if most is None or most[0] < 1:
        return "moves no reading by as much as 0.001 dB"
    _, change, unit, reading = most
    if unit == "A":
        change, unit = 1e3 * change, "mA"
    limit, allowed = reading.limit, ""
    if limit is not None and limit.kind == "within" and limit.high is not None:
        width = f"{100 * limit.high:g} %" if limit.relative else f"{limit.high:g} {limit.unit}"
        allowed = f", where {width} is allowed"
    return f"the most it does is {change:+.3g} {unit} in {words_for(reading)}{allowed}"


def _idle(prospect: Prospect, suspect: Suspect) -> str:
    """Which relay of the suspect never moves in the states of the plan, if one doesn't."""
    for fault in suspect:
        relay = next((r for r in prospect.job.module.relays if fault.subject.split(".")[0] == r.name), None)
        if relay is None:
            continue
        stands = {is_operated(relay, state) for state in prospect.signatures.states}
        if len(stands) == 1:
            return f": {relay.name} is {'operated' if stands.pop() else 'at rest'} in every state"
    return ""


def tight_limits(made: Margins) -> tuple[TightLimit, ...]:
    """Readings whose limits the spread of sound parts, and the bench's own doubt, reach past."""
    return tuple(
        TightLimit(reading=words_for(reading), margin=float(margin))
        for reading, margin in zip(made.readings, made.sound, strict=True)
        if margin < SURE
    )
