"""Whether a sequence as written would see each single fault, by which reading, and what it cannot see."""

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.circuit.elements import BenchImpedances
from harness.circuit.expand import is_operated
from harness.faults.changes import weigh_changes
from harness.faults.effects import FaultSet
from harness.faults.margins import (
    SURE,
    Margins,
    PredictedReadings,
    groups_of,
    told_apart,
    weigh_margins,
    words_for,
)
from harness.faults.signatures import Signatures, signatures
from harness.job.faults import LISTED_RESISTANCES_OHM, Fault, single_faults
from harness.job.fixture import Termination
from harness.job.job import Job
from harness.job.module import Module
from harness.plan.build import trial_plan
from harness.plan.model import Plan, Planned

Flags = NDArray[np.bool_]

NOTHING = 1e-5  # of an e.m.f.: a change below this is none that any reading could show
TELLING = {"dB": 1e-3, "deg": 0.05, "A": 1e-3, "ohm": 0.05}  # the least change worth telling of
NOT_STEADY = ("relay slow to operate", "relay slow to release", "relay long bounce", "throw intermittent")
COARSE_OHM = tuple(float(ohm) for ohm in np.logspace(-1, 6, 15))
FINE = 8  # steps within one coarse step: 15 % each
OVER_CURRENT = "over-current, each control line alone before the plan"


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What is seen of something: `by` the reading that sees it best, `margin` in expanded uncertainties past
    its limit.

    `readings`: how many would be judged fail. Where it is not seen, `why` says what it does instead.
    """

    seen: bool
    by: str
    margin: float
    readings: int
    why: str


@dataclass(frozen=True, kw_only=True)
class FaultSeen(Seen):
    """What is seen of one fault."""

    fault: Fault

    @property
    def name(self) -> str:
        """The fault's."""
        return self.fault.name


@dataclass(frozen=True, kw_only=True)
class SuspectSeen(Seen):
    """What is seen of faults that a unit has at once, or of one that is on no list."""

    name: str


@dataclass(frozen=True, kw_only=True)
class TightLimit:
    """A reading whose limit a good unit may not keep: the spread of good parts reaches past it."""

    reading: str
    margin: float  # expanded uncertainties between a nominal unit and the limit; below 1


@dataclass(frozen=True, kw_only=True)
class WorstContact:
    """What a contact may read unseen: up to `smallest_seen_ohm`; None where no resistance is seen."""

    contact: str  # `K1.1.hot released`
    smallest_seen_ohm: float | None
    by: str  # the reading that sees it first
    check: str  # and the name of its check; "" where no resistance is seen


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
        """The faults that are not."""
        return tuple(fault for fault in self.faults if not fault.seen)


def hard_faults(job: Job) -> tuple[Fault, ...]:
    """Every single fault but resistive contacts, which are a matter of degree."""
    return single_faults(job.module, job.fixture, contact_ohm=())


def judge_faults(job: Job, plan: Plan, *, impedances: BenchImpedances) -> tuple[FaultSeen, ...]:
    """Say for every hard fault whether a plan would see it, and nothing else. Raises CircuitError."""
    faults = hard_faults(job)
    shown = signatures(job, plan, faults, impedances=impedances)
    made = weigh_margins(job, plan, shown)
    return _of_faults(faults, _judge(job, plan, made, shown, impedances))


def judge_suspects(
    job: Job,
    plan: Plan,
    fault_sets: Sequence[FaultSet],
    *,
    impedances: BenchImpedances,
    executor: Executor | None = None,
) -> tuple[SuspectSeen, ...]:
    """The same for faults of a person's own choice, and for several at once. Raises CircuitError."""
    shown = signatures(job, plan, fault_sets, impedances=impedances, executor=executor)
    judged = _judge(job, plan, weigh_margins(job, plan, shown), shown, impedances)
    return tuple(SuspectSeen(name=name, **vars(one)) for name, one in zip(shown.names, judged, strict=True))


def cover(job: Job, plan: Plan, *, impedances: BenchImpedances, executor: Executor | None = None) -> Coverage:
    """Say for every single fault of a job whether its plan would see it.

    Raises CircuitError where a circuit has no solution.
    """
    faults = hard_faults(job)
    shown = signatures(job, plan, faults, impedances=impedances, executor=executor)
    made = weigh_margins(job, plan, shown)
    judged = _of_faults(faults, _judge(job, plan, made, shown, impedances))
    apart = told_apart(PredictedReadings(job, plan, shown))
    groups = groups_of(apart, [row for row, one in enumerate(judged) if one.seen])
    return Coverage(
        faults=judged,
        resistive=_resistive(job, plan, impedances=impedances, executor=executor),
        groups=tuple(tuple(shown.names[row] for row in group) for group in groups if len(group) > 1),
        distinct=len(groups),
        contacts=smallest_seen(job, plan, impedances=impedances, executor=executor),
        tight=tight_limits(made),
    )


def _resistive(
    job: Job, plan: Plan, *, impedances: BenchImpedances, executor: Executor | None
) -> tuple[FaultSeen, ...]:
    """The list's bad contacts, by levels alone: one that moves leaves its gap whatever it reads."""
    bad = [fault for ohm in LISTED_RESISTANCES_OHM for fault in contact_faults(job.module, ohm)]
    shown = signatures(job, plan, bad, impedances=impedances, executor=executor)
    return _of_faults(bad, _by_levels(job, plan, weigh_margins(job, plan, shown), shown))


def _of_faults(faults: Sequence[Fault], seen: Sequence[Seen]) -> tuple[FaultSeen, ...]:
    return tuple(FaultSeen(fault=fault, **vars(one)) for fault, one in zip(faults, seen, strict=True))


def _judge(job: Job, plan: Plan, made: Margins, shown: Signatures, impedances: BenchImpedances) -> list[Seen]:
    """By levels and currents, and among the readings of changes of state for what none of these shows."""
    judged = _by_levels(job, plan, made, shown)
    left = [row for row, one in enumerate(judged) if not one.seen] if plan.change_readings else []
    result = weigh_changes(job, plan, [shown.fault_sets[row] for row in left], impedances=impedances)
    for row, evidence in zip(left, result, strict=True):
        if evidence is not None:
            judged[row] = Seen(seen=True, by=evidence.by, margin=evidence.margin, readings=1, why="")
    return judged


def _by_levels(job: Job, plan: Plan, made: Margins, shown: Signatures) -> list[Seen]:
    best = made.margins.argmax(axis=1)
    margin = made.margins[np.arange(len(best)), best]
    seen = margin >= SURE
    whys = dict(zip(np.flatnonzero(~seen).tolist(), _reasons(job, plan, made, shown, ~seen), strict=True))
    return [
        Seen(
            seen=row not in whys,
            by="" if row in whys else _name_of(made, int(best[row])),
            margin=float(margin[row]),
            readings=int((made.margins[row] >= SURE).sum()),
            why=whys.get(row, ""),
        )
        for row in range(len(best))
    ]


def _name_of(made: Margins, column: int) -> str:
    return OVER_CURRENT if column == len(made.readings) else words_for(made.readings[column])


def _reasons(job: Job, plan: Plan, made: Margins, shown: Signatures, unseen: Flags) -> list[str]:
    """What each unseen fault does to the readings instead."""
    rows = np.flatnonzero(unseen)
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
    job: Job,
    shown: Signatures,
    row: int,
    telling: float,
    change: float,
    unit: str,
    reading: Planned | None,
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
    return f"its largest effect is {change:+.3g} {unit} in {words_for(reading)}{allowed}"


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


def tight_limits(made: Margins) -> tuple[TightLimit, ...]:
    """Readings whose limits the spread of good parts, and the bench's own uncertainty, reach past."""
    return tuple(
        TightLimit(reading=words_for(reading), margin=float(margin))
        for reading, margin in zip(made.readings, made.good, strict=True)
        if margin < SURE
    )


def contact_faults(module: Module, ohm: float) -> tuple[Fault, ...]:
    """Every contact, of this resistance."""
    return tuple(
        Fault(kind="throw resistance", subject=pole.name, throw=throw, resistance_ohm=ohm)
        for relay in module.relays
        for pole in relay.poles
        for throw in pole.throws
    )


def smallest_seen(
    job: Job, plan: Plan, *, impedances: BenchImpedances, executor: Executor | None = None
) -> tuple[WorstContact, ...]:
    """Find them all, to about 15 %: first over whole decades, then within the step where it happens."""
    contacts = contact_faults(job.module, COARSE_OHM[0])
    coarse = [_with(contact, ohm) for contact in contacts for ohm in COARSE_OHM]
    margins, _ = _margins(job, plan, coarse, impedances, executor)
    margins = margins.reshape(len(contacts), len(COARSE_OHM))
    fine: list[Fault] = []
    for row, contact in enumerate(contacts):
        seen = np.flatnonzero(margins[row] >= SURE)
        first = int(seen[0]) if len(seen) else len(COARSE_OHM) - 1
        low, high = COARSE_OHM[max(first - 1, 0)], COARSE_OHM[first]
        fine += [_with(contact, float(ohm)) for ohm in np.geomspace(low, high, FINE + 1)[1:]]
    margins, best = _margins(job, plan, fine, impedances, executor)
    margins = margins.reshape(len(contacts), FINE)
    result = []
    for row, contact in enumerate(contacts):
        seen = np.flatnonzero(margins[row] >= SURE)
        place = row * FINE + (int(seen[0]) if len(seen) else FINE - 1)
        reading = plan.state_readings[best[place]] if len(seen) else None
        result.append(
            WorstContact(
                contact=f"{contact.subject} {contact.throw}",
                smallest_seen_ohm=fine[place].resistance_ohm if len(seen) else None,
                by="" if reading is None else words_for(reading),
                check="" if reading is None else reading.key.check,
            )
        )
    return tuple(result)


@dataclass(frozen=True, kw_only=True)
class HeavierLoad:
    """What contacts would be seen at with another load. good: whether good units would pass.

    least_ohm: for each contact, in the order of `contact_faults`; None where no resistance is seen.
    """

    load_ohm: float
    least_ohm: tuple[float | None, ...]
    good: bool


def with_loads(
    job: Job, loads_ohm: Sequence[float], *, impedances: BenchImpedances, executor: Executor | None = None
) -> tuple[HeavierLoad, ...]:
    """Try the same checks with heavier loads across the ports that have one, to half a decade."""
    result = []
    contacts = contact_faults(job.module, COARSE_OHM[0])
    for load_ohm in loads_ohm if job.fixture.loads else ():
        loads = {
            net: Termination(across_ohm=load_ohm, leg_ohm=None, tolerance=load.tolerance)
            for net, load in job.fixture.loads.items()
        }
        other = replace(job, fixture=replace(job.fixture, loads=loads))
        plan = trial_plan(other, impedances=impedances)
        tried = [_with(contact, ohm) for contact in contacts for ohm in COARSE_OHM]
        shown = signatures(other, plan, tried, impedances=impedances, executor=executor)
        made = weigh_margins(other, plan, shown)
        seen = (made.margins[:, :-1].max(axis=1, initial=-np.inf) >= SURE).reshape(len(contacts), -1)
        first = [COARSE_OHM[int(row.argmax())] if row.any() else None for row in seen]
        good = bool((made.good >= SURE).all())
        result.append(HeavierLoad(load_ohm=load_ohm, least_ohm=tuple(first), good=good))
    return tuple(result)


def _with(contact: Fault, ohm: float) -> Fault:
    return Fault(kind=contact.kind, subject=contact.subject, throw=contact.throw, resistance_ohm=ohm)


def _margins(
    job: Job,
    plan: Plan,
    faults: Sequence[Fault],
    impedances: BenchImpedances,
    executor: Executor | None,
) -> tuple[np.ndarray, np.ndarray]:
    """The largest margin of each, and which reading's it is."""
    made = weigh_margins(job, plan, signatures(job, plan, faults, impedances=impedances, executor=executor))
    readings = made.margins[:, :-1]
    if not readings.size:
        return np.full(len(faults), -np.inf), np.zeros(len(faults), dtype=int)
    return readings.max(axis=1), readings.argmax(axis=1)
