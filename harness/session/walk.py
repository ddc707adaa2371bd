"""The walk through a setup's states: set, settle, record.

A state's captures are computed, committed and shown while the next state settles and is recorded, and no
reading is shown before it is committed. A run that is killed loses at most the state that was recorded last,
and the readings that wait to be measured again.
"""

import time
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from math import sqrt

import numpy as np

from harness.errors import BenchError, ReadingError, SetupError
from harness.job.state import IDLE_STATE, State
from harness.measure.reference import Reference
from harness.measure.transfer import GENERATOR_ACCURACY, Transfer, make_transfer
from harness.plan.model import (
    Acquisition,
    ChangeAcquisition,
    Plan,
    Planned,
    SetupVisit,
    StateVisit,
    only_these,
)
from harness.plan.setups import drive_rows, input_numbers
from harness.reading import Reading
from harness.roles import SupplyReading
from harness.session.confirmation import (
    confirmed,
    is_doubtful,
    is_lost,
    same_value,
    unconfirmed,
)
from harness.session.context import RunContext
from harness.session.events import Remark
from harness.session.instruments import TRANSIENT, NotTaken
from harness.session.leads.doubt import Failed, LeadDoubts, doubted
from harness.session.recorder import (
    CaptureRequest,
    FittedCapture,
    Measured,
    RawCapture,
    make_reading,
    make_state_reading,
    missing_reading,
)
from harness.session.setup_check import check_setup
from harness.session.state_changes import ChangeWalk, cycle_reading
from harness.session.supply_watch import Trouble
from harness.units import counted

ROUNDS = 2  # of measuring again; the second for readings that the bench lost in one of the first two


class Walk:
    """What a run has so far: the readings made, and the acquisitions that other readings wait for."""

    def __init__(
        self,
        context: RunContext,
        reference: Reference | None,
        prove_controls: Callable[[], None],
        *,
        is_held: Callable[[Reading], bool] = is_doubtful,
    ) -> None:
        self._context, self._reference, self._is_held = context, reference, is_held
        self._prove_controls = prove_controls
        self._waiting = list(context.plan.state_readings)
        self._measured: dict[int, Measured] = {}
        self._powered = True
        self._begun = 0
        self._held: list[tuple[Planned, Reading]] = []  # neither recorded nor shown before `confirm`
        self._failed: list[
            tuple[Planned, Reading]
        ] = []  # twice; until it is known whether a lead explains it
        self._troubles: defaultdict[str, list[Trouble]] = defaultdict(list)  # by setup
        self._unproven: list[tuple[Planned, Reading]] = []  # recorded as they are; a lead may explain them
        self.leads = LeadDoubts(context)
        self.readings: list[Reading] = []

    def measure_setup(self, visit: SetupVisit) -> None:
        """Walk through the states of a setup that is made; leaves the relay supply on."""
        context = self._context
        proven = False
        troubles = len(context.supply_watch.troubles)
        if visit.cycles:
            self._through_cycles(visit)
            proven = True
        for state in visit.states:
            context.begin_recording(visit.setup, state.state, self._begun)
            settled_s, unset = self._begin(visit, state.state)
            context.catch_up(until_s=settled_s)
            if not unset:
                context.wait_until(settled_s)
                if not proven:
                    self._check_setup(visit, state.state)
                proven = True
            self._record(visit, state, unset)
        self._power(IDLE_STATE)
        if visit.changes:
            self._through_changes(visit, proven=proven)
        self._troubles[visit.setup.name] += context.supply_watch.troubles[troubles:]

    def confirm(self, visits: Sequence[SetupVisit]) -> None:
        """Measure again what did not pass in these setups, all channels of the switchboard opened before.

        A reading that the bench lost in one of the two measurements, or that fails in the second alone, is
        measured once more: no unit fails by one measurement. Readings that need another setup as well wait
        until that can be made again.
        """
        self._context.recorder.catch_up()
        self._have_leads_looked_at(visits)
        for _ in range(ROUNDS):
            part = self._to_measure_again(visits)
            if not part.count:
                break
            self._settle(part, self._measured_again(part))
        self._conclude()

    def _have_leads_looked_at(self, visits: Sequence[SetupVisit]) -> None:
        """If leads of a setup that hands made explain what did not pass there, have them put right, once."""
        for visit in visits:
            name = visit.setup.name
            held = [self._as_failed(pair) for pair in (*self._held, *self._failed)]
            here = [each for each in held if name in each.setups]
            found = self.leads.looked_at(visit.setup, here, self._measured)
            if found is not None:
                self._failed = [
                    (
                        each,
                        doubted(reading, visit.setup, found) if self._setups_of(each) == {name} else reading,
                    )
                    for each, reading in self._failed
                ]
                self._check_earlier(visit)

    def _as_failed(self, pair: tuple[Planned, Reading]) -> Failed:
        planned, reading = pair
        return Failed(planned=planned, reading=reading, setups=frozenset(self._setups_of(planned)))

    def _check_earlier(self, visit: SetupVisit) -> None:
        """Measure again what passed in a setup before a lead of it was put right.

        Raises SetupError if a reading differs: it is in the records, and was of another pin.
        """
        held = {id(planned) for planned, _ in self._held}
        wanted = [
            planned
            for planned in self._context.plan.state_readings
            if id(planned) not in held and self._setups_of(planned) == {visit.setup.name}
        ]
        before = {reading.key: reading for reading in self.readings}
        part = only_these(self._context.plan, [planned for planned in wanted if planned.key in before])
        again = self._measured_again(part)._held if part.count else []
        for planned, reading in again:
            if not same_value(before[planned.key], reading):
                raise SetupError(
                    f"setup {visit.setup.name!r}: {planned.key.check} at {planned.measurand.where} in "
                    f"{planned.measurand.state} was recorded before {self.leads.cause(visit.setup.name)}, "
                    "and differs now. Test the unit again",
                    instrument="the wiring",
                )

    def _conclude(self) -> None:
        """Record what failed twice. Raises SetupError if a lead on a wrong pin explains it, and it alone."""
        failed, self._failed = self._failed, []
        unproven, self._unproven = self._unproven, []
        settled, error = self.leads.settled(
            [self._as_failed(pair) for pair in failed],
            [self._as_failed(pair) for pair in unproven],
            self._measured,
        )
        self._record_settled(settled)
        if error is not None:
            raise error

    def _record_settled(self, pairs: Sequence[tuple[Planned, Reading]]) -> None:
        by_state: dict[State, list[Reading]] = {}
        for planned, reading in pairs:
            by_state.setdefault(self._state_of(planned), []).append(reading)
        for state, readings in by_state.items():
            self.readings += readings
            self._context.add_readings(state, self._begun, readings)

    def _to_measure_again(self, visits: Sequence[SetupVisit]) -> Plan:
        """The part of the plan for held readings that these setups can give whole."""
        setups = {visit.setup.name for visit in visits}

        doubtful = [planned for planned, _ in self._held if self._setups_of(planned) <= setups]
        return only_these(self._context.plan, doubtful)

    def _measured_again(self, part: Plan) -> "Walk":
        """Make a part of the plan again, nothing of it recorded."""
        context = self._context
        readings = counted(part.count, "reading")
        context.observe(Remark(text=f"{readings} did not pass; measured again, all channels opened before"))
        again = Walk(
            replace(context, plan=part), self._reference, self._prove_controls, is_held=lambda reading: True
        )
        context.board.set(frozenset())
        context.wait_until(time.monotonic() + context.settle_s)
        for visit in part.visits:
            again.measure_setup(visit)
        context.recorder.catch_up()
        for number, made in again._measured.items():  # for readings that wait for another setup
            if made.fitted is not None:
                self._measured[number] = made
        return again

    def _settle(self, part: Plan, again: "Walk") -> None:
        """Record what two measurements of each of these readings come to."""
        context = self._context
        second = {id(planned): reading for planned, reading in again._held}
        settled: list[tuple[Planned, Reading]] = []
        held, self._held = self._held, []
        for planned, first in held:
            reading = second.get(id(planned))
            if reading is None or is_lost(reading):
                self._held.append((planned, first))
            elif reading.verdict == "fail" and first.verdict != "fail":
                self._held.append((planned, reading))
            else:
                result = confirmed(
                    first,
                    reading,
                    limit=planned.limit,
                    decision=context.job.sequence.decision,
                    cause=self._cause(planned),
                )
                if result.verdict == "fail":
                    self._failed.append((planned, result))
                else:
                    settled.append((planned, result))
        self._record_settled(settled)

    def _setups_of(self, planned: Planned) -> set[str]:
        """The setups that a reading needs; of the supply's, those in which it can be taken."""
        plan, name = self._context.plan, planned.measurand.state
        if planned.captures:
            made: tuple[Acquisition | ChangeAcquisition, ...] = (*plan.acquisitions, *plan.changes)
            return {each.setup for each in made if each.number in planned.captures}
        if planned.quantity.family == "cycle":
            return {visit.setup.name for visit in plan.visits if planned in visit.cycles}
        return {
            visit.setup.name
            for visit in plan.visits
            for state in visit.states
            if state.judges_supply and state.state.name == name
        }

    def _cause(self, planned: Planned) -> str:
        """What the bench was seen to do in the setups and states of a reading, "" if nothing."""
        changes = [each.change for each in self._context.plan.changes if each.number in planned.captures]
        states = {planned.measurand.state}
        states |= {state.name for change in changes for state in (change.before, change.after)}
        setups = sorted(self._setups_of(planned))
        troubles = (each for name in setups for each in self._troubles[name])
        seen = [trouble.text for trouble in troubles if trouble.states & states]
        return "; ".join(filter(None, (*seen, *map(self.leads.cause, setups))))

    def _state_of(self, planned: Planned) -> State:
        """The state that a reading is of, or that the change ends in that it is of."""
        plan, name = self._context.plan, planned.measurand.state
        changes = (change.change for change in plan.changes if change.number in planned.captures)
        after = next((change.after for change in changes), IDLE_STATE)
        states = (state.state for visit in plan.visits for state in visit.states)
        return next((state for state in states if state.name == name), after)

    def record_unconfirmed(self) -> None:
        """Record what could not be measured again; a reading that failed is unproven then."""
        for planned, first in (*self._held, *self._failed):
            reading = unconfirmed(first)
            self.readings.append(reading)
            self._context.add_readings(self._state_of(planned), self._begun, [reading])
        self._held.clear()
        self._failed.clear()

    def _keep(self, state: State, done: int, made: Sequence[tuple[Planned, Reading]]) -> None:
        """Record the readings that stand; what did not pass is held back until it was measured again."""
        self._held += [pair for pair in made if self._is_held(pair[1])]
        self._unproven += [
            pair for pair in made if pair[1].verdict == "unproven" and not self._is_held(pair[1])
        ]
        standing = [reading for _, reading in made if not self._is_held(reading)]
        self._context.add_readings(state, done, standing)
        self.readings += standing

    def _through_cycles(self, visit: SetupVisit) -> None:
        """The control lines that are operated again and again, before anything louder."""
        context = self._context
        self._check_at_idle(visit)
        for cycle in visit.cycles:
            operated = State(on=(cycle.given.control,))
            doing = f"{cycle.given.control} on and off {cycle.given.operations} times"
            context.begin_recording(visit.setup, operated, self._begun, doing)
            reading = cycle_reading(context, visit, cycle, recover=self._recover_in)
            if reading.verdict == "fail":
                self._failed.append((cycle, reading))
                continue
            context.add_readings(operated, self._begun, [reading])
            self.readings.append(reading)

    def _through_changes(self, visit: SetupVisit, *, proven: bool) -> None:
        """The changes of state of a setup, after its levels."""
        if not proven:
            self._check_at_idle(visit)
        changes = ChangeWalk(
            self._context, visit, recover=self._recover_in, keep=self._keep, done=self._begun
        )
        self._begun = changes.walk()

    def _check_at_idle(self, visit: SetupVisit) -> None:
        self._context.set_state(visit.setup, IDLE_STATE)
        self._check_setup(visit, IDLE_STATE)

    def _check_setup(self, visit: SetupVisit, state: State) -> None:
        try:
            try:
                look = check_setup(self._context, visit.setup, state)
            except TRANSIENT as error:
                self._recover_in(visit, state, error)
                look = check_setup(self._context, visit.setup, state)
        except ReadingError as error:
            raise SetupError(f"setup {visit.setup.name!r}: {error}", instrument="the wiring") from error
        self.leads.saw(visit.setup, look)

    def _power(self, state: State) -> None:
        supply, module = self._context.bench.supply, self._context.job.module
        if state.powered == self._powered:
            return
        if state.powered:
            supply.set(voltage_v=module.supply.voltage_v, limit_a=module.supply.limit_a)
        supply.switch(on=state.powered)
        self._powered = state.powered

    def _begin(self, visit: SetupVisit, state: State) -> tuple[float, NotTaken | None]:
        """Set a state; when it has settled, or why it is not set: a state is never tried twice."""
        try:
            self._power(state)
            return self._context.begin_state(visit.setup, state), None
        except TRANSIENT as error:
            return 0.0, self._recover(error)

    def _recover(self, error: BenchError) -> NotTaken:
        lost = self._context.recovery.after(error)
        self._powered = False
        if not self._context.board.reads_back:
            self._prove_controls()
            self._powered = True
        return lost

    def _recover_in(self, visit: SetupVisit, state: State, error: BenchError) -> NotTaken:
        """Recover, and set the state anew for what is still to be recorded in it."""
        context = self._context
        lost = self._recover(error)
        self._power(state)
        context.set_state(visit.setup, state)
        if state.powered:
            context.supply_watch.check(state, limit_a=context.job.module.supply.limit_a)
        return lost

    def _record(self, visit: SetupVisit, planned: StateVisit, unset: NotTaken | None) -> None:
        """Take every capture of a state; one that the bench failed to take is missing, with the reason.

        Its computation is deferred until another state settles or is recorded.
        """
        context = self._context
        supply: SupplyReading | NotTaken | None = unset
        if planned.state.powered and not unset:
            watch = context.supply_watch
            try:
                read = watch.average if planned.judges_supply else watch.check
                supply = read(planned.state, limit_a=context.job.module.supply.limit_a)
            except TRANSIENT as error:
                supply = self._recover_in(visit, planned.state, error)
        for acquisition in planned.acquisitions:
            raw = unset or self._capture(visit, acquisition)
            context.recorder.defer(partial(self._measure, visit, acquisition, raw))
            self._begun += 1
        context.recorder.defer(partial(self._finish, planned, supply, self._begun))

    def _capture(self, visit: SetupVisit, acquisition: Acquisition) -> RawCapture | NotTaken:
        setup, stimulus = visit.setup, acquisition.stimulus
        prediction = self._context.plan.predictions.get(acquisition.number)
        levels = np.zeros(2 * len(setup.view))
        if prediction is not None:
            levels = np.abs(prediction.transfer).sum(axis=1) * stimulus.level_vrms / sqrt(2.0)
        peaks_v = dict(zip(input_numbers(setup), map(float, levels), strict=True))
        number, state = acquisition.number, acquisition.state
        request = CaptureRequest(setup=setup, state=state, stimulus=stimulus, peaks_v=peaks_v, number=number)
        try:
            self._context.drive.apply(stimulus)
            return self._context.recorder.capture(request)
        except ReadingError as error:
            return NotTaken(reason=str(error))
        except TRANSIENT as error:
            return self._recover_in(visit, acquisition.state, error)

    def _finish(self, visit: StateVisit, supply: SupplyReading | NotTaken | None, done: int) -> None:
        """Judge, record and show every reading that is complete with this state."""
        pairs: list[tuple[Planned, Reading]] = []
        if supply is not None and visit.judges_supply:
            of_supply = self._take_out(
                lambda planned: not planned.captures and planned.measurand.state == visit.state.name
            )
            pairs += [
                (planned, missing_reading(planned, supply))
                if isinstance(supply, NotTaken)
                else (planned, make_reading(planned, [supply], sequence=self._context.job.sequence))
                for planned in of_supply
            ]
        pairs += [(planned, self._reading(planned)) for planned in self._take_out(self._is_ready)]
        self._keep(visit.state, done, pairs)
        for number in (acquisition.number for acquisition in visit.acquisitions):
            measured = self._measured[number]
            # A channel match waits for its other channel; the samples of a whole run would fill the memory.
            fitted = measured.fitted and measured.fitted.without_samples()
            self._measured[number] = replace(measured, fitted=fitted)

    def _is_ready(self, planned: Planned) -> bool:
        return bool(planned.captures) and self._measured.keys() >= set(planned.captures)

    def _take_out(self, is_wanted: Callable[[Planned], bool]) -> list[Planned]:
        wanted = [planned for planned in self._waiting if is_wanted(planned)]
        self._waiting = [planned for planned in self._waiting if not is_wanted(planned)]
        return wanted

    def _reading(self, planned: Planned) -> Reading:
        context = self._context
        measured = [self._measured[number] for number in planned.captures]
        reading = make_state_reading(
            planned,
            measured,
            sequence=context.job.sequence,
            reference=self._reference,
            gain_accuracy=context.gain_accuracy,
        )
        if reading.verdict != "pass" or context.plan.keep_all:
            for fitted in (capture.fitted for capture in measured if capture.fitted is not None):
                context.recorder.keep_waveform(fitted)
        return reading

    def _measure(self, visit: SetupVisit, acquisition: Acquisition, capture: RawCapture | NotTaken) -> None:
        """Find the tones and compute the transfer; if that fails, the reason makes its readings missing."""
        fitted: FittedCapture | None = None
        transfer: Transfer | None = None
        missing = capture if isinstance(capture, NotTaken) else NotTaken(reason="")
        try:
            if not isinstance(capture, NotTaken):
                fitted = self._context.recorder.fit(capture)
                transfer = self._transfer(visit, acquisition, fitted)
        except ReadingError as error:
            missing = NotTaken(reason=str(error))
        self._measured[acquisition.number] = Measured(
            setup=visit.setup,
            stimulus=acquisition.stimulus,
            fitted=fitted,
            transfer=transfer,
            prediction=self._context.plan.predictions.get(acquisition.number),
            missing=missing,
        )

    def _transfer(
        self, visit: SetupVisit, acquisition: Acquisition, fitted: FittedCapture
    ) -> Transfer | None:
        prediction = self._context.plan.predictions.get(acquisition.number)
        if prediction is None or acquisition.stimulus.kind != "pair":
            return None
        emf_vrms = (acquisition.stimulus.level_vrms / 2, acquisition.stimulus.level_vrms / 2)
        reference = None
        if self._reference is not None:
            reference = self._reference.at(fitted.fit.frequencies_hz[:2], emf_vrms)
        return make_transfer(
            fitted.capture,
            fitted.fit,
            emf_vrms=emf_vrms,
            reference=reference,
            prediction=prediction.transfer,
            drive_rows=drive_rows(visit.setup),
            gain_accuracy=self._context.gain_accuracy,
            generator_accuracy=GENERATOR_ACCURACY,
            acquisition=f"acquisition {acquisition.number}",
            passive=not self._context.job.module.amplifiers,
        )
