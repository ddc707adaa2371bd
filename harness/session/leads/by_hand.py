"""A setup that hands make: asked for, proven at a low level, and corrected before anything is measured.

What the scope shows, complex, is compared with what the circuit predicts for the right leads and for each
slip of them, in states that tell the slips apart. A slip that no state tells from the right leads leaves
these leads not proven. Where no single slip explains what is seen, each lead is looked at by its levels.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import islice
from math import sqrt

import numpy as np

from harness.arrays import Complex
from harness.circuit.lead_slips import Lead, Slip, pins_of, ports_of
from harness.circuit.predict import predict_states
from harness.errors import CircuitError, ReadingError, SetupError
from harness.faults.lead_levels import Levels, Misplaced, PredictedLevels, misplaced, unmoved
from harness.faults.lead_or_unit import (
    LeadsPredicted,
    fits_roughly,
    lead_names,
    named_leads,
    slips_in_words,
    without_repeats,
)
from harness.job.fixture import Setup, SourceAdded
from harness.job.module import LEGS
from harness.job.state import IDLE_STATE, State, single_control_states
from harness.plan.setups import input_numbers
from harness.records.run import Event, LeadsLookedAt, LeadsSeenTo, MadeByHand
from harness.session.context import RunContext, impedances
from harness.session.events import Hands, Remark
from harness.session.setup_check import capture_low, look_of, refuse_dc
from harness.session.through import low_stimulus
from harness.session.through_signal import LOW_LEVEL_VRMS

CHECKS = 3  # as made; with the named leads corrected; with all leads checked: a difference then is the unit's
MOST_STATES = 8  # that are looked at beside idle, and their number is only so large if they tell leads apart
MOST_TRIED = 16  # states in which slips are predicted, to find those that tell them apart
MOST_NAMED = 3  # pins that a lead reads alike on
OFF_OHM = 1e9


@dataclass(frozen=True, kw_only=True)
class LeadsFound:
    """What is known of a setup's leads once hands made it.

    proven: each of these showed in some state what no other position of it would. not_proven: why the others
    did not.
    looked_at: whether hands looked at every lead, so that what differs still is the unit's.
    """

    proven: tuple[str, ...] = ()
    not_proven: Mapping[str, str] = field(default_factory=dict)
    looked_at: bool = False


class RecordedHands:
    """Hands whose work is recorded with the run: which setup they made or corrected, and when."""

    def __init__(self, hands: Hands, who: str, record: Callable[[Event, str], None]) -> None:
        self._hands, self._who, self._record = hands, who, record

    def make(self, setup: Setup) -> None:
        """Make a setup, and record it."""
        self._hands.make(setup)
        made = MadeByHand(setup=setup.name, who=self._who)
        self._record(made, f"setup {setup.name!r}: made by hand, says {self._who}")

    def correct(self, setup: Setup, leads: Sequence[str], message: str) -> None:
        """Correct leads of a setup, and record it."""
        self._hands.correct(setup, leads, message)
        seen_to = LeadsSeenTo(setup=setup.name, who=self._who, leads=tuple(leads))
        which = ", ".join(leads) or "every lead"
        self._record(seen_to, f"setup {setup.name!r}: {which} checked, says {self._who}")


def make_by_hand(context: RunContext, setup: Setup, states: Sequence[State] = ()) -> LeadsFound:
    """Have a setup made, and its leads corrected until each shows what it should; what is known of them then.

    A difference that remains after every lead was checked is the unit's, and is measured as such; a remark
    says so. states: in which the setup is going to be measured. Raises BenchError for DC on a pin, SetupError
    if the unit is not in the circuit at all.
    """
    context.make_safe()
    context.hands.make(setup)
    if setup.drive is None or not setup.view or not context.plan.stimuli:
        return LeadsFound(not_proven=dict.fromkeys(lead_names(setup).values(), "nothing is driven"))
    check = _LeadCheck(context, setup, states)
    for number in range(CHECKS):
        try:
            result = check.look()
        except ReadingError as error:
            raise SetupError(f"setup {setup.name!r}: {error}", instrument="the wiring") from error
        if result is None:
            if number > 0:
                _report(context, setup, (), "now every lead is right")
            return check.found(looked_at=number == CHECKS - 1)
        if number < CHECKS - 1:
            context.make_safe()
            message = f"{result.message}. Nothing is measured until this is corrected"
            _report(context, setup, result.leads, message)
            context.hands.correct(setup, () if number > 0 else result.leads, result.message)
        elif not result.leads:
            raise SetupError(f"setup {setup.name!r}: {result.message}", instrument="the wiring")
        else:
            message = f"{result.message}. All leads were checked, so it counts as the unit's"
            _report(context, setup, result.leads, message)
    return check.found(looked_at=True)


def _report(context: RunContext, setup: Setup, leads: tuple[str, ...], message: str) -> None:
    """Show what was found of a setup's leads, and record it."""
    text = f"setup {setup.name!r}: {message}"
    context.observe(Remark(text=text))
    context.record(LeadsLookedAt(setup=setup.name, leads=leads), text)


class _LeadCheck:
    """What a setup shows, held against the right leads and every slip of them."""

    def __init__(self, context: RunContext, setup: Setup, states: Sequence[State]) -> None:
        self._context, self._setup = context, setup
        bench = context.bench
        self._predicted = LeadsPredicted(context.job, impedances(bench.generator, bench.oscilloscope))
        self._slips = self._predicted.slips(setup)
        self._singles = single_control_states(context.job.module.state_controls)
        more = (state for state in states if state.powered and state not in self._singles)
        self._states = (*self._singles, *islice(more, max(0, MOST_TRIED - len(self._singles))))
        self._at: dict[tuple[Slip | None, State], Complex] = {}
        self._untold: tuple[Slip, ...] = self._slips

    def look(self) -> Misplaced | None:
        """What is wrong with the leads, None if nothing is."""
        context, setup = self._context, self._setup
        context.set_state(setup, IDLE_STATE)
        refuse_dc(context, setup, IDLE_STATE)
        seen = {IDLE_STATE: self._capture(IDLE_STATE)}
        right = self._fits(None, seen)
        wanted: Iterator[State] = self._telling() if right else iter(self._singles[1:])
        for state in islice(wanted, MOST_STATES if right else len(self._singles)):
            context.set_state(setup, state)
            seen[state] = self._capture(state)
        context.set_state(setup, IDLE_STATE)
        as_they_should = {
            state: values for state, values in seen.items() if self._fits(None, {state: values})
        }
        self._untold = self._not_told(as_they_should)
        slips = without_repeats(slip for slip in self._slips if self._fits(slip, seen))
        is_right = len(as_they_should) == len(seen)
        if (is_right or slips) and (alone := unmoved(self._by_level, np.abs(seen[IDLE_STATE]))):
            return Misplaced(leads=(), message=alone)
        if is_right:
            return None
        if slips:
            return Misplaced(leads=named_leads(setup, slips), message=slips_in_words(setup, slips))
        if not set(self._singles) <= set(seen):
            for state in self._singles[1:]:
                if state not in seen:
                    context.set_state(setup, state)
                    seen[state] = self._capture(state)
            context.set_state(setup, IDLE_STATE)
        levels = np.stack([np.abs(seen[state]) for state in self._singles])
        return misplaced(self._by_level, levels)

    def found(self, *, looked_at: bool) -> LeadsFound:
        """Which leads are proven by the last look."""
        names = lead_names(self._setup)
        why = {lead: self._why_not(lead) for lead in names}
        return LeadsFound(
            proven=tuple(name for lead, name in names.items() if not why[lead]),
            not_proven={name: why[lead] for lead, name in names.items() if why[lead]},
            looked_at=looked_at,
        )

    def _why_not(self, lead: Lead) -> str:
        """Why a lead is not proven, "" if it is."""
        untold = [slip for slip in self._untold if lead in slip.leads]
        alone = [slip.places[0][1] for slip in untold if len(slip.places) == 1]
        if () in alone:
            return "shows the same if it is off"
        pins = [pins[0] for pins in alone if len(pins) == 1]
        if pins:
            more = f" and {len(pins) - MOST_NAMED} more" if len(pins) > MOST_NAMED else ""
            return f"shows the same on {', '.join(pins[:MOST_NAMED])}{more}"
        names = lead_names(self._setup)
        others = dict.fromkeys(names[other] for slip in untold for other in slip.leads if other != lead)
        return f"shows the same if swapped with {', '.join(others)}" if others else ""

    def _telling(self) -> Iterator[State]:
        """States that tell slips from the right leads which idle and those before did not."""
        known = [IDLE_STATE]
        while untold := [
            slip for slip in self._slips if not any(self._tells(slip, state) for state in known)
        ]:
            told = {
                state: sum(self._tells(slip, state) for slip in untold)
                for state in self._states
                if state not in known
            }
            best = max(told, key=lambda state: told[state], default=None)
            if best is None or not told[best]:
                return
            known.append(best)
            yield best

    def _not_told(self, seen: Mapping[State, Complex]) -> tuple[Slip, ...]:
        """The slips that none of these states tells from the right leads."""
        return tuple(slip for slip in self._slips if not any(self._tells(slip, state) for state in seen))

    def _tells(self, slip: Slip, state: State) -> bool:
        try:
            return not fits_roughly(self._of(slip, state), self._of(None, state))
        except CircuitError:
            return True

    def _fits(self, slip: Slip | None, seen: Mapping[State, Complex]) -> bool:
        try:
            return all(fits_roughly(values, self._of(slip, state)) for state, values in seen.items())
        except CircuitError:
            return False

    def _of(self, slip: Slip | None, state: State) -> Complex:
        key = slip, state
        if key not in self._at:
            frequencies_hz = low_stimulus(self._context).tones.frequencies_hz
            self._at[key] = self._predicted.of(self._setup, state, frequencies_hz, slip=slip)
        return self._at[key]

    @cached_property
    def _by_level(self) -> PredictedLevels:
        return _predict_levels(self._context, self._setup, self._singles)

    def _capture(self, state: State) -> Complex:
        peaks_v = dict.fromkeys(input_numbers(self._setup), LOW_LEVEL_VRMS / sqrt(2.0))
        stimulus = low_stimulus(self._context)
        fitted = capture_low(self._context, self._setup, state, stimulus, peaks_v)
        return look_of(self._setup, state, fitted).values


def _predict_levels(context: RunContext, setup: Setup, states: Sequence[State]) -> PredictedLevels:
    """The levels at each pin for each position of the generator's leads."""
    module = context.job.module
    pins = pins_of(module)
    whole = replace(setup, view=ports_of(module), controls_viewed={})

    def levels(source: SourceAdded | None) -> Levels:
        result = predict_states(
            module,
            context.job.fixture,
            replace(whole, source_added=source),
            states,
            frequencies_hz=low_stimulus(context).tones.frequencies_hz,
            impedances=impedances(context.bench.generator, context.bench.oscilloscope),
        )
        return np.abs(np.stack([prediction.transfer for prediction in result]))

    right = levels(setup.source_added)
    swapped = "the generator's hot and cold leads are swapped"
    by_message = {"": right, swapped: right[..., ::-1]}
    leads: dict[str, tuple[str, ...]] = {swapped: ("generator hot", "generator cold")}
    for column, leg in enumerate(LEGS):
        off = levels(SourceAdded(leg=leg, series_ohm=OFF_OHM, tolerance=0.0))
        both = np.repeat(off[..., [1 - column]] / 2, 2, axis=-1)  # two outputs of one impedance on one pin
        other = LEGS[1 - column]
        for message, result in (
            (f"the generator's {leg} lead is off, or not on {setup.drive}.{leg}", off),
            (f"the generator's {leg} lead is on {setup.drive}.{other} with the {other} lead", both),
        ):
            by_message[message], leads[message] = result, (f"generator {leg}",)
    return PredictedLevels(
        pins=pins,
        own=tuple(pins.index(f"{port}.{leg}") for port in setup.view for leg in LEGS),
        inputs=input_numbers(setup),
        levels=by_message,
        generator_leads=leads,
    )
