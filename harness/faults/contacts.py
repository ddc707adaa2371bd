"""For every contact, the smallest series resistance that a sequence would see."""

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from harness.circuit.elements import BenchImpedances
from harness.faults.margins import weigh_margins, words_for
from harness.faults.signatures import signatures
from harness.faults.supply import SURE
from harness.job.faults import Fault
from harness.job.fixture import Termination
from harness.job.job import Job
from harness.job.module import Module
from harness.plan.build import trial_plan
from harness.plan.model import Plan

COARSE_OHM = tuple(float(ohm) for ohm in np.logspace(-1, 6, 15))
FINE = 8  # steps within one coarse step: 15 % each


@dataclass(frozen=True, kw_only=True)
class WorstContact:
    """What a contact may read unseen: up to `smallest_seen_ohm`; None where no resistance is seen."""

    contact: str  # `K1.1.hot rest`
    smallest_seen_ohm: float | None
    by: str  # the reading that sees it first
    check: str  # and the name of its check; "" where no resistance is seen


def contact_faults(module: Module, ohm: float) -> tuple[Fault, ...]:
    """Every contact, of this resistance."""
    throws: tuple[Literal["rest", "operated"], ...] = ("rest", "operated")
    return tuple(
        Fault(kind="throw resistance", subject=pole.name, throw=throw, resistance_ohm=ohm)
        for relay in module.relays
        for pole in relay.poles
        for throw in throws
        if (pole.rest if throw == "rest" else pole.operated) is not None
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
    found = []
    for row, contact in enumerate(contacts):
        seen = np.flatnonzero(margins[row] >= SURE)
        place = row * FINE + (int(seen[0]) if len(seen) else FINE - 1)
        reading = plan.state_readings[best[place]] if len(seen) else None
        found.append(
            WorstContact(
                contact=f"{contact.subject} {contact.throw}",
                smallest_seen_ohm=fine[place].resistance_ohm if len(seen) else None,
                by="" if reading is None else words_for(reading),
                check="" if reading is None else reading.key.check,
            )
        )
    return tuple(found)


@dataclass(frozen=True, kw_only=True)
class HeavierLoad:
    """What contacts would be seen at with another load. healthy: whether sound units would pass.

    least_ohm: for each contact, in the order of `contact_faults`; None where no resistance is seen.
    """

    load_ohm: float
    least_ohm: tuple[float | None, ...]
    healthy: bool


def with_loads(
    job: Job, loads_ohm: Sequence[float], *, impedances: BenchImpedances, executor: Executor | None = None
) -> tuple[HeavierLoad, ...]:
    """Try the same checks with heavier loads across the ports that have one, to half a decade."""
    found = []
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
        healthy = bool((made.sound >= SURE).all())
        found.append(HeavierLoad(load_ohm=load_ohm, least_ohm=tuple(first), healthy=healthy))
    return tuple(found)


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
