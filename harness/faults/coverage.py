"""Whether a sequence as written would see each single fault, by which reading, and what it cannot see."""

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np

from harness.arrays import Flags
from harness.circuit.expand import is_operated
from harness.faults.changes import weigh_changes
from harness.faults.contact_levels import ContactLevels, WorstContact
from harness.faults.effects import NOT_STEADY, FaultSet, suspect_name
from harness.faults.margins import (
    CLEAR,
    SURE,
    Margins,
    PredictedReadings,
    describe,
    groups_of,
    told_apart,
    weigh_margins,
)
from harness.faults.provable import TightLimit, tight_limits
from harness.faults.signatures import Signatures
from harness.job.faults import Fault, single_faults
from harness.job.job import Job
from harness.job.own_faults import doubles_of
from harness.plan.model import Plan, Planned

NOTHING = 1e-5  # of an e.m.f.: a change below this is none that any reading could show
TELLING = {"dB": 1e-3, "deg": 0.05, "A": 1e-3, "ohm": 0.05}  # the least change worth telling of
PAIRS = 2048  # of faults, that are judged at a time
OVER_CURRENT = "over-current, each control line alone before the plan"


@dataclass(frozen=True, kw_only=True)
class FaultSeen:
    """What is seen of a fault, or of several that a unit has at once.

    seen: clearly, so that nearly every unit with it fails on nearly every bench. by: the reading that sees it
    best; margin: in expanded uncertainties past its limit. readings: how many would be judged fail. why: what
    it does instead, if it is not seen.
    """

    fault_set: FaultSet
    seen: bool
    by: str
    margin: float
    readings: int
    why: str

    @property
    def fault(self) -> Fault:
        """The only one, or the first."""
        return self.fault_set[0]

    @property
    def is_barely_seen(self) -> bool:
        """Whether some units with it fail and some do not, as they and their benches differ."""
        return not self.seen and self.margin >= SURE

    @property
    def name(self) -> str:
        """As a person may ask for it."""
        return suspect_name(self.fault_set)


@dataclass(frozen=True, kw_only=True)
class Coverage:
    """What a plan would see of every hard fault, and how far resistive contacts must go to be seen.

    groups: names of faults that are seen and read alike, two or more each; distinct: how many different
    things the seen faults show. resistive: the list's bad contacts, which are in none of these figures.
    """

    faults: tuple[FaultSeen, ...]
    resistive: tuple[FaultSeen, ...]
    groups: tuple[tuple[str, ...], ...]
    distinct: int
    contacts: tuple[WorstContact, ...]
    tight: tuple[TightLimit, ...]

    @property
    def seen(self) -> tuple[FaultSeen, ...]:
        """The faults that are seen."""
        return tuple(fault for fault in self.faults if fault.seen)

    @property
    def unseen(self) -> tuple[FaultSeen, ...]:
        """The faults that are not, or not clearly."""
        return tuple(fault for fault in self.faults if not fault.seen)


def hard_faults(job: Job) -> tuple[Fault, ...]:
    """Every single fault but resistive contacts, which are a matter of degree."""
    return single_faults(job.module, job.fixture, contact_ohm=())


def judge_faults(
    job: Job, plan: Plan, faults: Sequence[Fault | FaultSet], *, executor: Executor | None = None
) -> tuple[FaultSeen, ...]:
    """Say for every fault, or combination of faults, whether a plan would see it. Raises CircuitError."""
    return _judge(job, plan, weigh_margins(job, plan, faults, executor=executor))


def cover(job: Job, plan: Plan, *, executor: Executor | None = None) -> Coverage:
    """Say for every single fault of a job whether its plan would see it.

    Raises CircuitError if a circuit has no solution.
    """
    made = weigh_margins(job, plan, hard_faults(job), executor=executor)
    judged = _judge(job, plan, made)
    apart = told_apart(PredictedReadings(job, plan, made.signatures))
    groups = groups_of(apart, [row for row, fault in enumerate(judged) if fault.seen])
    # a bad contact that moves leaves its gap whatever it reads, so levels alone count
    contacts = ContactLevels(job, plan, executor=executor)
    resistive = _by_levels(job, plan, contacts.listed())
    return Coverage(
        faults=judged,
        resistive=tuple(resistive),
        groups=tuple(tuple(judged[row].name for row in group) for group in groups if len(group) > 1),
        distinct=len(groups),
        contacts=contacts.smallest_seen(),
        tight=tight_limits(job, plan),
    )


@dataclass(frozen=True, kw_only=True)
class Doubles:
    """What a plan would see of units with two faults at once. possible: how many pairs there are.

    hidden: pairs that are missed though one of their faults alone is seen. missed: all that are.
    """

    possible: int
    missed: int
    hidden: tuple[FaultSeen, ...]


def cover_doubles(
    job: Job,
    plan: Plan,
    alone: Sequence[FaultSeen],
    *,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Doubles:
    """Judge every pair of faults, or of suspects with several faults each.

    alone: these, as they are judged alone. Raises CircuitError.
    """
    seen = {each.fault_set for each in alone if each.seen}
    doubles = list(doubles_of([each.fault_set for each in alone]))
    missed: list[FaultSeen] = []
    for start in range(0, len(doubles), PAIRS):
        judged = judge_faults(job, plan, doubles[start : start + PAIRS], executor=executor)
        missed += [each for each in judged if not each.seen]
        progress(min(start + PAIRS, len(doubles)), len(doubles))
    hidden = tuple(
        each
        for each in missed
        if any(
            each.fault_set[:cut] in seen or each.fault_set[cut:] in seen
            for cut in range(1, len(each.fault_set))
        )
    )
    return Doubles(possible=len(doubles), missed=len(missed), hidden=hidden)


def _judge(job: Job, plan: Plan, made: Margins) -> tuple[FaultSeen, ...]:
    """By levels and currents, and among the readings of changes of state for what none of these shows."""
    judged = _by_levels(job, plan, made)
    unseen = [row for row, fault in enumerate(judged) if not fault.seen] if plan.change_readings else []
    result = weigh_changes(job, plan, [judged[row].fault_set for row in unseen])
    for row, evidence in zip(unseen, result, strict=True):
        if evidence is not None:
            judged[row] = replace(
                judged[row], seen=True, by=evidence.by, margin=evidence.margin, readings=1, why=""
            )
    return tuple(judged)


def _by_levels(job: Job, plan: Plan, made: Margins) -> list[FaultSeen]:
    best = made.margins.argmax(axis=1)
    margin = made.margins[np.arange(len(best)), best]
    unseen, names = margin < SURE, [*map(describe, made.readings), OVER_CURRENT]
    whys = dict(zip(np.flatnonzero(unseen).tolist(), _reasons(job, plan, made, unseen), strict=True))
    for row in np.flatnonzero(~unseen & (margin < CLEAR)).tolist():
        whys[row] = (
            f"{names[best[row]]} would be {margin[row]:.3g} expanded uncertainties past its limit, and only "
            f"from {CLEAR:g} on nearly all units with it fail"
        )
    return [
        FaultSeen(
            fault_set=fault_set,
            seen=row not in whys,
            by="" if unseen[row] else names[best[row]],
            margin=float(margin[row]),
            readings=int((made.margins[row] >= SURE).sum()),
            why=whys.get(row, ""),
        )
        for row, fault_set in enumerate(made.signatures.fault_sets)
    ]


def _reasons(job: Job, plan: Plan, made: Margins, unseen: Flags) -> list[str]:
    """What each unseen fault does to the readings instead."""
    rows, shown = np.flatnonzero(unseen), made.signatures
    units = PredictedReadings(job, plan, shown, rows)
    most: list[tuple[float, float, str, Planned | None]] = [(0.0, 0.0, "", None)] * len(rows)
    for column, reading in enumerate(made.readings if len(rows) else ()):
        judged = np.isfinite(made.margins[rows, column])
        estimates = reading.quantity.predict(reading, units) if judged.any() else None
        if estimates is None:
            continue
        changes, unit = estimates.change()
        for place in np.flatnonzero(judged & np.isfinite(changes[1:])):
            change = float(changes[1 + place])
            if most[place][3] is None or abs(change) / TELLING[unit] > most[place][0]:
                most[place] = (abs(change) / TELLING[unit], change, unit, reading)
    return [_reason(job, shown, int(row), *each) for row, each in zip(rows, most, strict=True)]


def _reason(
    job: Job, shown: Signatures, row: int, telling: float, change: float, unit: str, reading: Planned | None
) -> str:
    """change: the one of all readings that is most worth telling of, and its unit."""
    if any(fault.kind in NOT_STEADY for fault in shown.fault_sets[row]):
        return "an effect in time or by chance, which no level shows"
    if np.abs(shown.transfers[row] - shown.good).max(initial=0.0) < NOTHING:
        if not np.allclose(shown.supply_a[row], shown.good_supply_a):
            return "only the supply current shows it, and no check measures that closely enough"
        return f"changes nothing that the sequence measures{_idle(job, shown, shown.fault_sets[row])}"
    if reading is None or telling < 1:
        return "changes no reading by as much as 0.001 dB"
    if unit == "A":
        change, unit = 1e3 * change, "mA"
    limit, allowed = reading.limit, ""
    if limit is not None and limit.kind == "within" and limit.high is not None:
        width = f"{100 * limit.high:g} %" if limit.relative else f"{limit.high:g} {limit.unit}"
        allowed = f", where {width} is allowed"
    return f"its largest effect is {change:+.3g} {unit} in {describe(reading)}{allowed}"


def _idle(job: Job, shown: Signatures, fault_set: FaultSet) -> str:
    """Which relay of the fault set never moves in the states of the plan, if one doesn't."""
    for fault in fault_set:
        relay = next((r for r in job.module.relays if fault.subject.split(".")[0] == r.name), None)
        if relay is None:
            continue
        stands = {is_operated(relay, state) for state in shown.states}
        if len(stands) == 1:
            return f": {relay.name} is {'operated' if stands.pop() else 'released'} in every state"
    return ""
