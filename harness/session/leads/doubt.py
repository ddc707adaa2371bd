"""Readings that failed: whether a lead on a wrong pin explains them, and what follows from that.

If a person made the setup, they are asked to check the leads, once, and it is measured again: what fails then
is the unit's. A fixture's wires stop the run if they alone explain what failed. If a fault of the unit
explains it as well, the unit fails, and a remark names the wires. But no fault explains that pins showed what
they should earlier in the run, and later, in the same states, did not: a wire came off, or a joint of the
unit opened. That stops the run.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.circuit.lead_slips import is_one_mistake
from harness.errors import LeadInDoubt
from harness.faults.lead_or_unit import (
    LeadExplanation,
    LeadsPredicted,
    Look,
    fits_roughly,
    instead_in_words,
    named_leads,
    slips_in_words,
)
from harness.job.fixture import Setup
from harness.plan.model import Plan, Planned
from harness.reading import LeadOrUnit, Reading
from harness.records.run import LeadsLookedAt
from harness.session.context import RunContext
from harness.session.events import Remark
from harness.session.leads.by_hand import LeadsFound
from harness.session.recorder import Measured

MOST_NAMED = 3  # faults that explain what a lead explains


@dataclass(frozen=True, kw_only=True)
class Failed:
    """A reading that failed, and the setups that it was made in."""

    planned: Planned
    reading: Reading
    setups: frozenset[str]


class LeadDoubts:
    """What is known of the leads of a run's setups."""

    def __init__(self, context: RunContext) -> None:
        self._context = context
        self._low_looks: dict[str, Look] = {}  # by setup, before anything was measured there
        self._looked_at: dict[str, str] = {}  # what hands did after readings failed, "" if before
        self._to_compare: set[str] = set()  # setups that are measured again as a whole
        self._unlike: dict[str, Look] = {}  # what setups showed the second time, other than the first

    @property
    def _predicted(self) -> LeadsPredicted:
        return self._context.leads_predicted

    def saw(self, setup: Setup, look: Look | None) -> None:
        """What a setup showed at the low level."""
        if look is not None:
            self._low_looks.setdefault(setup.name, look)

    def saw_again(self, setups: set[str], again: "LeadDoubts") -> None:
        """What these setups showed when all of each was measured once more stands for what they showed."""
        before = {name: look for name, look in self._low_looks.items() if name not in setups}
        self._low_looks = before | again._low_looks

    def saw_second(self, again: "LeadDoubts") -> None:
        """What setups showed when a part of each was measured a second time: kept if it is something else."""
        for name, look in again._low_looks.items():
            first = None if name in self._looked_at else self._low_looks.get(name)
            if first is None or (first.state, first.frequencies_hz) != (look.state, look.frequencies_hz):
                continue
            if not fits_roughly(look.values, first.values):
                self._unlike[name] = replace(look, failed=True)

    def made_by_hand(self, setup: Setup, found: LeadsFound) -> None:
        """Hands made a setup: what differs after they looked at every lead is the unit's."""
        if found.looked_at:
            self._looked_at[setup.name] = ""

    def cause(self, setup: str) -> str:
        """What hands did in a setup that changed its readings, "" if nothing."""
        return self._looked_at.get(setup, "")

    def looked_at(self, setup: Setup, failed: Sequence[Failed], measured: Mapping[int, Measured]) -> bool:
        """Have leads of a setup that hands made put right, once, if they explain what failed there.

        Returns whether hands were asked.
        """
        if setup.select is not None or setup.name in self._looked_at:
            return False
        found = self._explanation(self._in_question(failed), measured, {setup.name})
        if found is None or not found.slips:
            return False
        context, leads = self._context, named_leads(setup, found.slips)
        context.make_safe()
        message = f"{slips_in_words(setup, found.slips)}: this would explain the readings that failed"
        text = f"setup {setup.name!r}: {message}. They are measured again once somebody has checked it"
        context.observe(Remark(text=text))
        context.record(LeadsLookedAt(setup=setup.name, leads=leads), text)
        context.hands.correct(setup, leads, message)
        # If a fault explains it as well, a reading that passes then may be of a contact that comes and goes.
        self._looked_at[setup.name] = "" if found.faults else f"a person checked {', '.join(leads)}"
        return True

    def settled(
        self, failed: Sequence[Failed], unproven: Sequence[Failed], measured: Mapping[int, Measured]
    ) -> tuple[list[tuple[Planned, Reading]], LeadInDoubt | None]:
        """The failed readings as they count, and the error that ends the run if leads alone explain them.

        unproven: readings that are, whatever explains them; a lead is named for these as well.
        """
        context = self._context
        plain = [(each.planned, each.reading) for each in failed]
        in_question = self._in_question([*failed, *unproven])
        names = {name for each in in_question for name in each.setups}
        found = self._explanation(in_question, measured, None)
        has_changed = found is not None and bool(found.of_fixture) and bool(names & self._to_compare)
        if found is None or not (found.slips or found.of_fixture):
            found, has_changed = self._second_explanation(names), True
        if found is None:
            return self._settled_by_connections(failed, in_question, measured)
        if has_changed:  # a fault that was there from the start would have shown earlier as well
            found = replace(found, slips=found.slips or found.of_fixture, of_fixture=(), faults=())
        slips = found.slips or tuple(slip for slip in found.of_fixture if is_one_mistake(slip))
        if not slips:
            return plain, None
        setups = [visit.setup for visit in context.plan.visits if visit.setup.name in names]
        setup = next((each for each in setups if named_leads(each, slips)), setups[0])
        if not found.slips:
            text = (
                f"setup {setup.name!r}: the readings that failed count as the unit's. Look at the "
                "fixture's wires and plugs as well, which could show the same: "
                f"{slips_in_words(setup, slips)}"
            )
            context.observe(Remark(text=text))
            context.record(LeadsLookedAt(setup=setup.name, leads=named_leads(setup, slips)), text)
            return plain, None
        doubtful = [
            (each.planned, doubted(each.reading, setup, found) if each in in_question else each.reading)
            for each in failed
        ]
        if not found.faults:
            channels = ", ".join(map(str, setup.select or ()))
            relays = f" and at the relays of the switchboard's channels {channels}" if channels else ""
            why = "no single fault of the unit does"
            if has_changed:
                why = "earlier in this run the same pins showed what they should"
            return doubtful, LeadInDoubt(
                f"setup {setup.name!r}: {slips_in_words(setup, slips)}. This explains all that did not pass, "
                f"and {why}: look at the lead{relays}, and test the unit again",
                instrument="the wiring",
            )
        text = f"setup {setup.name!r}: {both_in_words(setup, found)}"
        context.observe(Remark(text=text))
        context.record(LeadsLookedAt(setup=setup.name, leads=named_leads(setup, found.slips)), text)
        return doubtful, None

    def _settled_by_connections(
        self, failed: Sequence[Failed], in_question: Sequence[Failed], measured: Mapping[int, Measured]
    ) -> tuple[list[tuple[Planned, Reading]], LeadInDoubt | None]:
        """As `settled`, for readings that no lead explains: a fixture's relays may not have made a setup."""
        looks = looks_at(self._context.plan, in_question, measured, self._low_looks)
        instead = self._predicted.shown_instead(looks) if in_question else ()
        if not instead:
            return [(each.planned, each.reading) for each in failed], None
        setups = {look.setup.name: look.setup for look in looks if look.failed}
        message = instead_in_words(setups.values(), instead)
        doubtful = [
            (each.planned, _unproven(each.reading, message) if each in in_question else each.reading)
            for each in failed
        ]
        return doubtful, LeadInDoubt(
            f"{message}. No single fault of the unit explains this", instrument="the wiring"
        )

    def came_later(self, failed: Sequence[Failed], measured: Mapping[int, Measured]) -> set[str]:
        """The setups where a lead that came off after a while would explain what failed.

        What passed there was measured before it came off, or the lead is right: to be measured again.
        """
        in_question = self._in_question(failed)
        found = self._explanation(in_question, measured, None)
        if found is None or found.slips or found.faults:
            return set()
        looks = looks_at(self._context.plan, in_question, measured, self._low_looks)
        troubled = {look.setup.name for look in looks if look.failed}
        rest = [look for look in looks if look.failed or look.setup.name not in troubled]
        later = self._predicted.explain(rest)
        if later is None or not (later.slips or later.of_fixture or self._predicted.shown_instead(rest)):
            return set()
        if self._predicted.any_explains(later.faults, looks):
            return set()  # from the start, and it shows in some states alone
        self._to_compare |= troubled
        return troubled

    def _second_explanation(self, names: set[str]) -> LeadExplanation | None:
        """Which leads explain what one of these setups showed the second time, and did not the first."""
        for name in sorted(names & self._unlike.keys()):
            found = self._predicted.explain([self._unlike[name]])
            if found is not None and (found.slips or found.of_fixture):
                return found
        return None

    def _in_question(self, failed: Sequence[Failed]) -> list[Failed]:
        """Readings that a lead may explain which nobody has looked at yet."""
        return [
            each
            for each in failed
            if each.planned.quantity.family != "supply" and not each.setups <= self._looked_at.keys()
        ]

    def _explanation(
        self, failed: Sequence[Failed], measured: Mapping[int, Measured], setups: set[str] | None
    ) -> LeadExplanation | None:
        """What explains readings that failed, from all captures of these setups, of all if None."""
        if not failed:
            return None
        plan = self._context.plan
        looks = looks_at(plan, failed, measured, self._low_looks)
        wanted = [look for look in looks if setups is None or look.setup.name in setups]
        return self._predicted.explain(wanted)


def looks_at(
    plan: Plan, failed: Sequence[Failed], measured: Mapping[int, Measured], low_looks: Mapping[str, Look]
) -> list[Look]:
    """What each capture of a run showed, and of which a reading failed.

    low_looks: by setup, what was seen before anything was measured there.
    What is made from no transfer, such as noise, is held against all that its setups show.
    """
    made = {number: each.transfer for number, each in measured.items() if each.transfer is not None}
    captures = {number for each in failed for number in each.planned.captures}
    whole = {name for each in failed if not made.keys() & set(each.planned.captures) for name in each.setups}
    looks = [replace(look, failed=name in whole) for name, look in low_looks.items()]
    for acquisition in plan.acquisitions:
        transfer = made.get(acquisition.number)
        if transfer is None:
            continue
        looks.append(
            Look(
                setup=measured[acquisition.number].setup,
                state=acquisition.state,
                frequencies_hz=acquisition.stimulus.tones.frequencies_hz,
                values=transfer.values,
                standard=np.sqrt(transfer.square),
                failed=acquisition.number in captures or acquisition.setup in whole,
            )
        )
    return looks


def both_in_words(setup: Setup, found: LeadExplanation) -> str:
    """The leads that explain what failed, then the faults that do."""
    faults = " or ".join(fault.name for fault in found.faults[:MOST_NAMED])
    return slips_in_words(setup, found.slips) + (f", or the unit: {faults}" if faults else "")


def doubted(reading: Reading, setup: Setup, found: LeadExplanation) -> Reading:
    """A reading that failed, which a lead of a setup explains: unproven, with what else would explain it."""
    faults = tuple(fault.name for fault in found.faults)
    leads = named_leads(setup, found.slips)
    return _unproven(reading, f"setup {setup.name!r}: {both_in_words(setup, found)}", leads, faults)


def _unproven(
    reading: Reading, reason: str, leads: tuple[str, ...] = (), faults: tuple[str, ...] = ()
) -> Reading:
    return replace(
        reading,
        verdict="unproven",
        reason=reason,
        facts=(*reading.facts, LeadOrUnit(leads=leads, faults=faults)),
    )
