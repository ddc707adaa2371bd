"""Whether a lead on a wrong pin explains what failed, and whether a fault of the unit explains it as well.

A slip is there in all states of a setup, and changes every capture as the circuit says; so does a fault.
Each is held against all captures, complex: the columns of each are known up to one phase, of the instant at
which it began.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np

from harness.arrays import Complex, Floats
from harness.circuit.elements import BenchImpedances
from harness.circuit.lead_slips import Lead, Slip, in_words, is_exchange, leads_of, possible_slips, slipped
from harness.circuit.solve import transfer
from harness.errors import CircuitError
from harness.faults.effects import FaultSet, FaultyCircuits
from harness.faults.lead_levels import are_near
from harness.job.faults import ONE_RESISTANCE_OHM, Fault, single_faults
from harness.job.fixture import Setup
from harness.job.job import Job
from harness.job.module import LEGS
from harness.job.state import State
from harness.plan.setups import input_numbers

# How far a capture may be from a prediction, as a fraction of it. Common practice, no source.
AS_GOOD = 0.02  # a good unit, where a reading failed: 0.2 dB
EXPLAINED = 0.05  # a slip or a fault, where a reading failed: parts have tolerances
WEAK = 0.02  # of the e.m.f.: less is made by strays, of which the order of magnitude is known
OF_STRAYS = 0.75  # of the larger of two weak levels: a factor of four
UNFORESEEN = 3e-3  # of the e.m.f.: what a leg that nothing drives picks up by strays
AMPLIFIED = 1.05  # of the e.m.f.s together: more than any passive unit brings to a leg
NEARER = 0.5  # times as far from what was seen as a good unit, is what explains it
SIGMAS = 3.0
FLOOR = 1e-5  # of the e.m.f.
MOST_NAMED = 3  # slips in one sentence


@dataclass(frozen=True, kw_only=True, eq=False)
class Look:
    """What one capture showed. values: volts per volt of each e.m.f., (legs, 2); standard: of each of them.

    failed: whether a reading that failed was made from it.
    """

    setup: Setup
    state: State
    frequencies_hz: tuple[float, float]
    values: Complex
    standard: Floats
    failed: bool = False


@dataclass(frozen=True, kw_only=True)
class LeadExplanation:
    """Slips that each explain everything that failed, and the faults of a unit that do so too.

    of_fixture: slips of a fixture's wires that a fault of the unit explains as well. They raise no doubt:
    what the fault coverage says is detected fails.
    """

    slips: tuple[Slip, ...]
    faults: tuple[Fault, ...]
    of_fixture: tuple[Slip, ...] = ()


def turned(predicted: Complex, seen: Complex) -> Complex:
    """A prediction, (legs, 2), with the phase of each column as that of what was seen."""
    agree = np.sum(predicted.conj() * seen, axis=0)
    size = np.abs(agree)
    return np.asarray(predicted * np.where(size > 0, agree / np.where(size > 0, size, 1), 1))


def fits_roughly(seen: Complex, predicted: Complex) -> bool:
    """Whether a capture in which nothing failed, or at the low level, could show a prediction."""
    return are_near(seen, turned(predicted, seen))


def fits(look: Look, predicted: Complex, within: float, good: Complex | None = None) -> bool:
    """Whether a capture shows a prediction within a fraction and its uncertainty; weak levels by size.

    good: of a good unit with right leads, which does not fit, and must be twice as far from what is seen. A
    leg without a signal may float, and pick up a little of anything: one that has lost its own, and one of a
    channel that nothing drives. Behind an amplifier a leg shows the difference of two that may be large and
    nearly alike, so that a fraction of what a good unit makes of them counts.
    """
    seen, largest = look.values, np.maximum(np.abs(look.values), np.abs(predicted))
    weak = largest < WEAK
    apart = np.where(weak, np.abs(np.abs(seen) - np.abs(predicted)), np.abs(seen - turned(predicted, seen)))
    allowed = np.where(weak, OF_STRAYS, within) * largest + SIGMAS * look.standard + FLOOR
    if good is not None:
        silent = np.abs(seen).max(axis=1) < WEAK
        allowed = allowed + UNFORESEEN * silent[:, None]
        most = np.abs(good).sum(axis=1, keepdims=True)
        allowed = np.where(most > AMPLIFIED, np.maximum(allowed, within * most), allowed)
        wrong = np.linalg.norm(seen - turned(good, seen))
        if np.linalg.norm(seen - turned(predicted, seen)) > NEARER * wrong + FLOOR:
            return False
    return bool(np.all(apart <= allowed))


class LeadsPredicted:
    """Computes what a job's setups show with leads on wrong pins, or with faults in the unit."""

    def __init__(self, job: Job, impedances: BenchImpedances) -> None:
        self._job = job
        self._circuits = FaultyCircuits(job.module, job.fixture, impedances)
        self._made: dict[tuple[str, State, tuple[float, float], Slip | None, FaultSet], Complex] = {}

    @cached_property
    def _faults(self) -> tuple[Fault, ...]:
        return tuple(single_faults(self._job.module, self._job.fixture, contact_ohm=ONE_RESISTANCE_OHM))

    def slips(self, setup: Setup) -> tuple[Slip, ...]:
        """Every slip that a setup can have."""
        return possible_slips(self._job.module, setup)

    def of(
        self,
        setup: Setup,
        state: State,
        frequencies_hz: tuple[float, float],
        *,
        slip: Slip | None = None,
        faults: FaultSet = (),
    ) -> Complex:
        """The transfer, (legs, 2). Raises CircuitError if the circuit has no solution."""
        key = setup.name, state, frequencies_hz, slip, faults
        if key not in self._made:  # the readings of a run are held against the same slips and faults again
            circuit = self._circuits.of(faults, setup, state)
            circuit = circuit if slip is None else slipped(circuit, setup, slip)
            self._made[key] = transfer(circuit, frequencies_hz)
        return self._made[key]

    def explain(self, looks: Sequence[Look]) -> LeadExplanation | None:
        """Which single slips and which single faults explain what failed; None where a good unit does.

        A slip must fit each capture of a failed reading that a good unit does not explain, and roughly all
        others of these setups; in other setups, whose leads may be other wires, it may as well not be there.
        If a fault of the unit explains it as well, slips of a fixture's wires are returned in `of_fixture`.
        """
        failed, others = self._shared_out(looks)
        if not failed:
            return None
        setups = {look.setup.name: look.setup for look in failed}
        slips: Sequence[Slip] = self._slips_of(list(setups.values()))
        for look in failed:
            good = self._at(look)
            slips = [slip for slip in slips if self._slip_fits(slip, look, good)]
        for look in others:
            if look.setup.name not in setups and fits_roughly(look.values, self._at(look)):
                continue
            slips = [slip for slip in slips if self._slip_fits(slip, look)]
        slips = without_repeats(slips)
        if not slips:
            return LeadExplanation(slips=(), faults=())
        faults = tuple(self._that_fit(self._faults, failed, others))
        of_fixture: tuple[Slip, ...] = ()
        if faults and all(setup.select is not None for setup in setups.values()):
            slips, of_fixture = (), tuple(slips)
        return LeadExplanation(slips=slips, faults=faults, of_fixture=of_fixture)

    def _slips_of(self, setups: Sequence[Setup]) -> tuple[Slip, ...]:
        """Every slip of some setups, and every exchange of two inputs' leads that no setup has both of."""
        leads = dict.fromkeys(lead for setup in setups for lead in leads_of(setup) if lead.end == "input")
        exchanged = [
            Slip(places=((one, (other.pin,)), (other, (one.pin,)))) for one, other in combinations(leads, 2)
        ]
        listed = [*(slip for setup in setups for slip in self.slips(setup)), *exchanged]
        return tuple({frozenset(slip.places): slip for slip in reversed(listed)}.values())[::-1]

    def shown_instead(self, looks: Sequence[Look]) -> tuple[Setup | None, ...]:
        """Which other setup's connections these setups showed in place of their own; None: no connection.

        A relay of the switchboard that stays open or closed does this to every setup that needs it. Empty if
        no other setup explains all that failed, and roughly all else in the same setups, or if a single fault
        of the unit explains it as well.
        """
        failed, others = self._shared_out(looks)
        setups = {look.setup.name for look in failed}
        if not failed or any(look.setup.select is None for look in failed):
            return ()
        here = [look for look in others if look.setup.name in setups]
        found = tuple(
            setup
            for setup in (None, *(each for each in self._job.fixture.setups if each.select is not None))
            if self._is_shown(setup, failed, here)
        )
        return () if found and any(True for _ in self._that_fit(self._faults, failed, others)) else found

    def _is_shown(self, setup: Setup | None, failed: Sequence[Look], here: Sequence[Look]) -> bool:
        """Whether a setup's connections explain what failed, and roughly what passed in the same setups."""
        try:
            return all(
                fits(look, self._instead(look, setup), EXPLAINED, self._at(look)) for look in failed
            ) and all(fits_roughly(look.values, self._instead(look, setup)) for look in here)
        except CircuitError:
            return False

    def _instead(self, look: Look, setup: Setup | None) -> Complex:
        """What the inputs of a setup would show with another one's connections, or with none: (legs, 2)."""
        result = np.zeros_like(look.values)
        if setup is not None:
            shown = self.of(setup, look.state, look.frequencies_hz)[: len(result)]
            result[: len(shown)] = shown
        return result

    def any_explains(self, faults: Sequence[Fault], looks: Sequence[Look]) -> bool:
        """Whether one of these faults explains everything that failed, and roughly all other captures."""
        failed, others = self._shared_out(looks)
        return any(True for _ in self._that_fit(faults, failed, others))

    def _shared_out(self, looks: Sequence[Look]) -> tuple[list[Look], list[Look]]:
        """The captures of failed readings that a good unit does not explain, and all others."""
        failed = [look for look in looks if look.failed and not fits(look, self._at(look), AS_GOOD)]
        return failed, [look for look in looks if look not in failed]

    def _that_fit(
        self, faults: Iterable[Fault], failed: Sequence[Look], others: Sequence[Look]
    ) -> Iterable[Fault]:
        for fault in faults:
            try:
                if all(
                    fits(look, self._at(look, (fault,)), EXPLAINED, self._at(look)) for look in failed
                ) and all(fits_roughly(look.values, self._at(look, (fault,))) for look in others):
                    yield fault
            except CircuitError:
                continue

    def _at(self, look: Look, faults: FaultSet = ()) -> Complex:
        return self.of(look.setup, look.state, look.frequencies_hz, faults=faults)

    def _slip_fits(self, slip: Slip, look: Look, good: Complex | None = None) -> bool:
        """Whether a slip fits a capture of a failed reading, closely; roughly without `good`."""
        if good is not None and not set(slip.leads) & set(leads_of(look.setup)):
            return False  # nothing changes, and a good unit does not fit
        try:
            predicted = self.of(look.setup, look.state, look.frequencies_hz, slip=slip)
        except CircuitError:
            return False
        if good is None:
            return fits_roughly(look.values, predicted)
        return fits(look, predicted, EXPLAINED, good)


def without_repeats(slips: Iterable[Slip]) -> tuple[Slip, ...]:
    """Slips that were not told apart, fewer: a lead that may be off is not named for silent pins as well.

    Those of the fewest leads alone: two leads do not slip where one explains it.
    """
    listed = list(slips)
    fewest = min((len(slip.places) for slip in listed), default=0)
    listed = [slip for slip in listed if len(slip.places) == fewest or is_exchange(slip)]
    off = {slip.leads for slip in listed if not any(pins for _, pins in slip.places)}
    return tuple(slip for slip in listed if slip.leads not in off or not any(pins for _, pins in slip.places))


def instead_in_words(setups: Iterable[Setup], instead: Sequence[Setup | None]) -> str:
    """What some setups showed in place of their own connections, and which relays may be the cause."""
    setups = list(setups)
    shown = " or ".join("no connection" if one is None else f"those of setup {one.name!r}" for one in instead)
    selected = {channel for setup in (*setups, *filter(None, instead)) for channel in setup.select or ()}
    channels = ", ".join(map(str, sorted(selected)))
    names = ", ".join(repr(setup.name) for setup in setups)
    turned = ". If all of a board work the other way round, look at active_low in its profile"
    return (
        f"in place of the connections of setup {names} the inputs show {shown}: "
        f"look at the relays of the switchboard's channels {channels}{turned if len(setups) > 1 else ''}"
    )


def lead_names(setup: Setup) -> dict[Lead, str]:
    """What hands call each lead of a setup: `generator hot`, `input 1`."""
    ends = (*(f"generator {leg}" for leg in (LEGS if setup.drive is not None else ())),)
    inputs = (f"input {number}" for number in input_numbers(setup))
    return dict(zip(leads_of(setup), (*ends, *inputs), strict=True))


def named_leads(setup: Setup, slips: Sequence[Slip]) -> tuple[str, ...]:
    """The leads that some slips concern, those of the setup alone."""
    names = lead_names(setup)
    return tuple(dict.fromkeys(names[lead] for slip in slips for lead in slip.leads if lead in names))


def slips_in_words(setup: Setup, slips: Sequence[Slip]) -> str:
    """The first few of several possible slips."""
    leads = [lead for slip in slips for lead in slip.leads]
    names = {lead: f"{lead.end} on {lead.pin}" for lead in leads} | lead_names(setup)
    return ", or ".join(dict.fromkeys(in_words(slip, names) for slip in slips[:MOST_NAMED]))
