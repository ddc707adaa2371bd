"""How far resistive contacts must go to be seen, with the loads as they are and with heavier ones.

What a circuit shows is bilinear in the resistance of one contact, so two resistances of each are solved and
all others follow (`predictor/contact_curves.py`).
"""

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from harness.circuit.elements import BenchImpedances
from harness.faults.effects import suspect_name
from harness.faults.margins import CLEAR, SURE, Margins, describe, margins_of
from harness.faults.predictor.contact_curves import contact_curves, far_contacts
from harness.faults.signatures import Signatures, signatures
from harness.job.faults import LISTED_RESISTANCES_OHM, Fault
from harness.job.fixture import Termination
from harness.job.job import Job
from harness.job.module import Module
from harness.plan.build import trial_plan
from harness.plan.draft import KnownPredictions
from harness.plan.model import Plan
from harness.quantities.estimates import NO_EVIDENCE

NEAR_OHM = 10.0  # of the two that are solved, the nearer one
COARSE_OHM = tuple(float(ohm) for ohm in np.logspace(-1, 6, 15))
FIRST = 7  # of the coarse steps that are tried at once: those that are listed, and most contacts are seen
FINE = 8  # steps within one coarse step: 15 % each
WEIGHED = ("steady", "supply")  # families whose readings say something of a contact's resistance


@dataclass(frozen=True, kw_only=True)
class WorstContact:
    """What a contact may read unseen: up to `smallest_seen_ohm`; None if no resistance is seen."""

    contact: str  # `K1.1.hot released`
    smallest_seen_ohm: float | None
    by: str  # the reading that sees it first
    check: str  # and the name of its check; "" if no resistance is seen


def contact_faults(module: Module, ohm: float) -> tuple[Fault, ...]:
    """Every contact, of this resistance."""
    return tuple(
        Fault(kind="throw resistance", subject=pole.name, throw=throw, resistance_ohm=ohm)
        for relay in module.relays
        for pole in relay.poles
        for throw in pole.throws
    )


class ContactLevels:
    """What a plan's readings would be with any resistance of any one contact.

    every: the numbers of the contacts, in the order of `contact_faults`.
    """

    def __init__(self, job: Job, plan: Plan, *, executor: Executor | None = None) -> None:
        """Raises CircuitError."""
        self._job, self._plan = job, plan
        self._contacts = contact_faults(job.module, NEAR_OHM)
        self.every = range(len(self._contacts))
        both = [*self._contacts, *far_contacts(self._contacts)]
        self._shown = signatures(job, plan, both, executor=executor)
        near, far = np.split(self._shown.transfers, 2)
        self._curves = contact_curves(job.module, self._shown.good, self._contacts, near, far)

    def listed(self) -> Margins:
        """Judge every contact with each of the listed resistances, one resistance after the other."""
        made, steps = self.first, [COARSE_OHM.index(ohm) for ohm in LISTED_RESISTANCES_OHM]
        rows = [number * FIRST + step for step in steps for number in self.every]
        shown = made.signatures
        return replace(
            made,
            margins=made.margins[rows],
            signatures=replace(
                shown,
                fault_sets=tuple(shown.fault_sets[row] for row in rows),
                names=tuple(shown.names[row] for row in rows),
                transfers=shown.transfers[rows],
                supply_a=shown.supply_a[rows],
            ),
        )

    @cached_property
    def first(self) -> Margins:
        """Every contact with each of the first coarse steps: first all those of the first contact."""
        return self._weigh(self.every, COARSE_OHM[:FIRST])

    def _weigh(self, contacts: Sequence[int], ohms: Sequence[float]) -> Margins:
        return self._of([number for number in contacts for _ in ohms], [*ohms] * len(contacts))

    def smallest_seen(self) -> tuple[WorstContact, ...]:
        """Find them all, to about 15 %: first over whole decades, then within the step where it happens."""
        numbers: list[int] = []
        ohms: list[float] = []
        for number, first in zip(self.every, self.first_coarse(), strict=True):
            end = len(COARSE_OHM) - 1 if first is None else first
            fine = np.geomspace(COARSE_OHM[max(end - 1, 0)], COARSE_OHM[end], FINE + 1)[1:]
            numbers += [number] * FINE
            ohms += fine.tolist()
        made = self._of(numbers, ohms)
        result = []
        for number, first in zip(self.every, _first_seen(made, FINE), strict=True):
            contact = self._contacts[number]
            name = f"{contact.subject} {contact.throw}"
            if first is None:
                result.append(WorstContact(contact=name, smallest_seen_ohm=None, by="", check=""))
                continue
            row = number * FINE + first
            reading = made.readings[int(made.of_readings[row].argmax())]
            result.append(
                WorstContact(
                    contact=name,
                    smallest_seen_ohm=ohms[row],
                    by=describe(reading),
                    check=reading.key.check,
                )
            )
        return tuple(result)

    def first_coarse(self) -> list[int | None]:
        """The first coarse step at which some reading sees each contact.

        The later steps are tried only of contacts that the first ones do not show.
        """
        first = _first_seen(self.first, FIRST)
        left = [number for number, step in enumerate(first) if step is None]
        if left:
            later = COARSE_OHM[FIRST:]
            for number, step in zip(left, _first_seen(self._weigh(left, later), len(later)), strict=True):
                first[number] = None if step is None else FIRST + step
        return first

    def _of(self, contacts: Sequence[int], ohms: Sequence[float]) -> Margins:
        return margins_of(self._job, self._plan, self._signatures(contacts, ohms))

    def _signatures(self, contacts: Sequence[int], ohms: Sequence[float]) -> Signatures:
        """Of a contact with a resistance in each row."""
        rows = np.array(contacts, dtype=np.intp)
        faults = [
            replace(self._contacts[number], resistance_ohm=ohm)
            for number, ohm in zip(contacts, ohms, strict=True)
        ]
        shown = [self._curves.transfers(fault, ohm) for fault, ohm in zip(faults, ohms, strict=True)]
        return replace(
            self._shown,
            fault_sets=tuple((fault,) for fault in faults),
            names=tuple(suspect_name((fault,)) for fault in faults),
            transfers=np.stack(shown) if shown else self._shown.transfers[:0],
            supply_a=self._shown.supply_a[rows],
        )


def _first_seen(made: Margins, steps: int) -> list[int | None]:
    """The first step of each contact that some reading sees; rows of made: contacts · steps."""
    seen = (made.of_readings.max(axis=1, initial=NO_EVIDENCE) >= CLEAR).reshape(-1, steps)
    return [int(row.argmax()) if row.any() else None for row in seen]


@dataclass(frozen=True, kw_only=True)
class HeavierLoad:
    """What contacts would be seen at with another load. good: whether good units would pass.

    least_ohm: for each contact, in the order of `contact_faults`; None if no resistance is seen.
    """

    load_ohm: float
    least_ohm: tuple[float | None, ...]
    good: bool


def with_loads(
    job: Job,
    loads_ohm: Sequence[float],
    *,
    impedances: BenchImpedances,
    executor: Executor | None = None,
    known: KnownPredictions | None = None,
) -> tuple[HeavierLoad, ...]:
    """Try the same checks with heavier loads across the ports that have one, to half a decade.

    known: what other plans have predicted already.
    """
    result = []
    checks = tuple(check for check in job.sequence.checks if check.quantity.family in WEIGHED)
    for load_ohm in loads_ohm if job.fixture.loads else ():
        other = replace(
            job,
            fixture=replace(job.fixture, loads=heavier_loads(job, load_ohm)),
            sequence=replace(job.sequence, checks=checks),
        )
        plan = trial_plan(other, impedances=impedances, known=known)
        levels = ContactLevels(other, plan, executor=executor)
        least = tuple(None if step is None else COARSE_OHM[step] for step in levels.first_coarse())
        good = bool((levels.first.good >= SURE).all())
        result.append(HeavierLoad(load_ohm=load_ohm, least_ohm=least, good=good))
    return tuple(result)


def heavier_loads(job: Job, ohm: float) -> dict[str, Termination]:
    """A fixture's loads with this resistance across each."""
    return {
        net: Termination(across_ohm=ohm, leg_ohm=None, tolerance=load.tolerance)
        for net, load in job.fixture.loads.items()
    }
