"""One table of what sees what: every check that is tried, in every state that is tried, against every fault.

A column is a view in a state at a frequency: its captures serve all quantities at once, so they are weighed
together. All limits come from the tolerance of parts and the bench.
"""

from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from harness.arrays import Floats
from harness.circuit.elements import BenchImpedances
from harness.compose.views import View, setups_of
from harness.faults.effects import FaultSet
from harness.faults.margins import PORTION, PredictedReadings, over_currents
from harness.faults.signatures import signatures, transfers_of
from harness.job.fixture import PortName, Setup
from harness.job.job import Job
from harness.job.module import Module
from harness.job.sequence import Check, Tone
from harness.job.state import State
from harness.measure.tones import Stimulus
from harness.plan.build import trial_plan
from harness.plan.model import Acquisition, Planned, driven_channel
from harness.quantities.estimates import NO_EVIDENCE
from harness.quantities.quantity import AnyQuantity
from harness.quantities.registry import SUGGESTED
from harness.quantities.tolerance import TOLERANCE
from harness.reading import Limit


@dataclass(frozen=True, kw_only=True)
class CheckTried:
    """A quantity in one column.

    read: of every reading the channel that is driven (or that is read, where nothing drives it) and the net.
    """

    quantity: AnyQuantity
    limit: Limit | None
    read: frozenset[tuple[str, str]]


@dataclass(frozen=True, kw_only=True, eq=False)
class Column:
    """One view in one state at one frequency. captures: how many it takes.

    margins: of every fault of the table, by the reading that sees it best; NO_EVIDENCE if none does, or if
    the fault was not weighed.
    """

    view: View
    state: State
    frequency_hz: float
    checks: tuple[CheckTried, ...]
    captures: int
    margins: Floats


@dataclass
class CoverTable:
    """Columns against fault sets, as far as they have been weighed.

    base: the job without setups and checks of its own: its fixture's loads and plugs, its tone. drives: the
    inputs that are driven in turn. always: margins of what every plan has: the over-current check before it,
    and the current of latching relays' pulses.
    """

    base: Job
    faults: tuple[FaultSet, ...]
    drives: tuple[PortName, ...]
    impedances: BenchImpedances
    columns: list[Column] = field(default_factory=list)
    always: Floats = field(init=False)

    def __post_init__(self) -> None:
        k = self.base.sequence.coverage_factor
        self.always = np.full(len(self.faults), NO_EVIDENCE)
        if self.impedances.supply_current:
            stops = over_currents(self.base.module, self.faults, coverage_factor=k)
            self.always = np.array([margin for margin, _ in stops])

    def best(self) -> Floats:
        """The largest margin of every fault in any column."""
        return np.asarray(np.max([self.always, *(column.margins for column in self.columns)], axis=0))

    def weigh(
        self,
        views: Sequence[View],
        states: Sequence[State],
        *,
        wanted: Sequence[int],
        frequency_hz: float,
        executor: Executor | None = None,
    ) -> list[Column]:
        """Weigh views in some states for some of the faults, and keep the columns.

        All views are taken in one setup for each drive, as if the scope had inputs enough: a few more of them
        on the circuit change less than any limit. Raises JobError where a view can't show what is asked,
        CircuitError.
        """
        job = self.trial(views, states, frequency_hz)
        if not job.sequence.checks or all(setup.through for setup in job.fixture.setups):
            return []
        plan = trial_plan(job, impedances=self.impedances)
        columns = [
            Column(
                view=view,
                state=state,
                frequency_hz=frequency_hz,
                checks=_checks_of(job, plan.state_readings, state, number),
                captures=len(setups_of(self.base.module, view, self.drives, ())),
                margins=np.full(len(self.faults), NO_EVIDENCE),
            )
            for state in states
            for number, view in enumerate(views)
        ]
        homes: dict[tuple[str, str], list[Floats]] = {}
        for column in columns:
            for owner in (str(views.index(column.view)), ""):
                homes.setdefault((owner, column.state.name), []).append(column.margins)
        made = signatures(job, plan, [self.faults[row] for row in wanted], executor=executor)
        places = {row: place for place, row in enumerate(wanted)}
        for channel, own in self._by_channel(wanted).items():
            part = [
                each for each in plan.state_readings if not channel or driven_channel(each) in ("", channel)
            ]
            part.sort(key=lambda each: each.captures)
            for start in range(0, len(own), PORTION):
                rows = own[start : start + PORTION]
                units = PredictedReadings(job, plan, made, [places[row] for row in rows])
                for each in part:
                    estimates = each.quantity.predict(each, units)
                    if estimates is not None:
                        broken = estimates.margins(each.limit).broken[1:]
                        home = _view_of(each.key.check), each.measurand.state
                        for best in homes.get(home, [self.always]):
                            best[rows] = np.maximum(best[rows], broken)
        self.columns += columns
        return columns

    def stirred(
        self,
        views: Sequence[View],
        states: Sequence[State],
        *,
        wanted: Sequence[int],
        frequency_hz: float,
        executor: Executor | None = None,
    ) -> Floats:
        """How far faults move any leg in view in each state, of the e.m.f.: (wanted, states).

        Much quicker than to weigh them, since nothing of the spread of parts is solved. Raises CircuitError.
        """
        stimulus = Stimulus(
            kind="pair", frequency_hz=frequency_hz, level_vrms=1.0, mains_hz=self.base.mains_hz
        )
        setups = self._setups(views)
        pairs = [
            Acquisition(number=0, setup=setup.name, state=state, stimulus=stimulus)
            for state in states
            for setup in setups
        ]
        made = transfers_of(
            replace(self.base, fixture=replace(self.base.fixture, setups=setups)),
            pairs,
            [(), *(self.faults[row] for row in wanted)],
            impedances=self.impedances,
            executor=executor,
        )
        moved = np.abs(made[1:] - made[0]).max(axis=(2, 3), initial=0.0)
        moved = moved.reshape(len(wanted), len(states), len(setups))
        return np.asarray(moved.max(axis=2, initial=0.0))

    def _by_channel(self, wanted: Sequence[int]) -> dict[str, list[int]]:
        """Faults by the one channel that their relay is in; "" for all others.

        A relay that serves one channel is weighed while this channel is driven.
        """
        result: dict[str, list[int]] = {}
        for row in wanted:
            own = {self._channels.get(name, "") for name in subjects(self.faults[row])}
            result.setdefault(own.pop() if len(own) == 1 else "", []).append(row)
        return result

    @cached_property
    def _channels(self) -> dict[str, str]:
        """The channel of every relay that is in one channel alone."""
        result: dict[str, str] = {}
        if len(self.base.module.channels) > 1:
            for relay in self.base.module.relays:
                channels = {pole.channel for pole in relay.poles}
                if len(channels) == 1:
                    result[relay.name] = next(iter(channels))
        return result

    def _setups(self, views: Sequence[View]) -> tuple[Setup, ...]:
        """One for each drive that these views show anything of."""
        loopbacks = tuple(self.base.fixture.loopbacks)
        made = (_together(self.base.module, views, drive, loopbacks) for drive in self.drives)
        return tuple(setup for setup in made if setup is not None)

    def trial(self, views: Sequence[View], states: Sequence[State], frequency_hz: float) -> Job:
        """The base job with these views alone, all that they show, in these states."""
        through = tuple(setup for setup in self.base.fixture.setups if setup.through)
        checks = [
            check
            for number, view in enumerate(views)
            for check in checks_tried(self.base, view, number, frequency_hz)
            if not (check.quantity.legs_apart and self.impedances.drives_legs_together)
        ]
        tone = _tone(self.base, frequency_hz)
        if self.impedances.supply_current:
            checks += [
                suggested_check(quantity, limit, (), tone)
                for quantity, _ in SUGGESTED
                for limit in by_tolerance(quantity)
                if not quantity.at_ports
            ]
        return replace(
            self.base,
            fixture=replace(self.base.fixture, setups=(*through, *self._setups(views))),
            sequence=replace(self.base.sequence, states=tuple(states), checks=tuple(checks)),
        )


def subjects(fault_set: FaultSet) -> set[str]:
    """The relays, parts and ports that faults are of, without contact and leg."""
    return {fault.subject.split(".")[0] for fault in fault_set}


def _view_of(check: str) -> str:
    """The number of the view that a check belongs to; "" of one that belongs to all."""
    return check.partition(" ")[0] if " " in check else ""


def _together(
    module: Module, views: Sequence[View], drive: PortName, loopbacks: tuple[str, ...]
) -> Setup | None:
    """A setup of a drive with all in view that the views have of it; None if that is nothing."""
    ports = dict.fromkeys(
        port for view in views for setup in setups_of(module, view, [drive], ()) for port in setup.view
    )
    if not ports:
        return None
    return Setup(name=f"drive {drive}", drive=drive, view=tuple(ports), loopbacks=loopbacks)


def _tone(job: Job, frequency_hz: float) -> Tone:
    return Tone(frequency_hz=frequency_hz, level_vrms=job.sequence.checks[0].tone.level_vrms)


def suggested_check(quantity: AnyQuantity, limit: Limit | None, at: tuple[str, ...], tone: Tone) -> Check:
    """A check of a quantity as it is suggested, at some nets."""
    return Check(
        name=quantity.name, quantity=quantity, at=at, tone=tone, limit=limit, options=quantity.options()
    )


def checks_tried(job: Job, view: View, number: int, frequency_hz: float) -> Iterator[Check]:
    """A check of each quantity that a view shows; number: the view's, with which the checks' names begin."""
    for quantity, _ in SUGGESTED:
        options, at = quantity.options(), view.nets
        across = quantity.across(options)
        if not quantity.at_ports or quantity.between_channels or (across and not view.beside):
            continue  # what a comparison of channels sees, the levels of both see as well
        if quantity.drive_in_view(amplified=job.module.may_invert) and not view.with_drive:
            continue
        if across:
            at = view.nets[:1]
        if quantity.of_both_legs:
            at = tuple(net for net in at if not is_unbalanced(job, net))
        if quantity.judges_silent_ports:
            options = quantity.options.model_validate({"silent_ports_below": TOLERANCE})
        for limit in by_tolerance(quantity) if at else ():
            check = suggested_check(quantity, limit, at, _tone(job, frequency_hz))
            kind = "" if limit is None else limit.kind
            yield replace(check, name=f"{number} {quantity.name} {kind}", options=options)


def is_unbalanced(job: Job, net: str) -> bool:
    """Whether a port's cold is the ground."""
    return any(port.net == net and port.unbalanced for port in job.module.ports)


def by_tolerance(quantity: AnyQuantity) -> tuple[Limit | None, ...]:
    """Limits that come from the tolerance of parts: one; None alone for a quantity that takes none.

    One of each kind for what is read across channels: where channels are joined one kind is read, elsewhere
    the other.
    """
    if quantity.limits is None:
        return (None,)
    kinds = quantity.limits.tolerance
    if not quantity.across(quantity.options()):
        kinds = kinds[:1]
    return tuple(Limit(kind=kind, unit=quantity.limits.unit, tolerance=True) for kind in kinds)


def _checks_of(job: Job, readings: Sequence[Planned], state: State, number: int) -> tuple[CheckTried, ...]:
    """What the readings of a view in a state are of, by the checks that they belong to."""
    own = [each for each in readings if each.measurand.state == state.name]
    made = []
    for check in (check for check in job.sequence.checks if _view_of(check.name) in ("", str(number))):
        read = frozenset(_read(each) for each in own if each.key.check == check.name)
        if read:
            made.append(CheckTried(quantity=check.quantity, limit=check.limit, read=read))
    return tuple(made)


def _read(reading: Planned) -> tuple[str, str]:
    """The channel that is driven, or read where nothing drives it, and the net."""
    channel = driven_channel(reading) if reading.quantity.driven else reading.measurand.channel
    return channel, reading.measurand.net
