"""The walk through a setup's states: set, settle, record.

A state's captures are computed, committed and shown while the next state settles and is recorded, and no
reading is shown before it is committed. A run that is killed loses at most the state that was recorded last,
and the readings that wait to be measured again.
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

from harness.errors import TRANSIENT, BenchError, ReadingError, SetupError
from harness.job.state import IDLE_STATE, State
from harness.measure.reference import Reference
from harness.measure.transfer import GENERATOR_ACCURACY, Transfer, Unturned, make_unturned, turned
from harness.plan.model import (
    Acquisition,
    Plan,
    Planned,
    SetupVisit,
    StateVisit,
)
from harness.plan.setups import drive_rows, input_numbers
from harness.reading import Reading
from harness.roles import SupplyReading
from harness.session.context import RunContext, peaks_of
from harness.session.instruments import NotTaken
from harness.session.leads.doubt import LeadDoubts
from harness.session.leads.sync import sync_is_proven
from harness.session.recorder import (
    CaptureRequest,
    FittedCapture,
    Measured,
    RawCapture,
    make_reading,
    make_state_reading,
    missing_reading,
)
from harness.session.repeats.confirmation import is_doubtful
from harness.session.repeats.operations import cycle_reading
from harness.session.setup_check import check_setup
from harness.session.state_changes import ChangeWalk


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
        self.context, self._reference, self._is_held = context, reference, is_held
        self._prove_controls = prove_controls
        self._waiting = list(context.plan.state_readings)
        self.measured: dict[int, Measured] = {}
        self._powered = True
        self._sync_proven = False
        self.begun = 0
        self.held: list[tuple[Planned, Reading]] = []  # neither recorded nor shown before confirmed
        self.failed: list[tuple[Planned, Reading]] = []  # twice; a lead may explain them
        self.unproven: list[tuple[Planned, Reading]] = []  # recorded as they are; a lead may explain them
        self.leads = LeadDoubts(context)
        self.readings: list[Reading] = []

    def again(self, part: Plan) -> "Walk":
        """A walk through a part of the plan, in which every reading is held back."""
        context = replace(self.context, plan=part)
        return Walk(context, self._reference, self._prove_controls, is_held=lambda reading: True)

    def release(self) -> None:
        """Open every channel of the switchboard, until the relays have settled."""
        try:
            self.context.board.set(frozenset())
        except TRANSIENT as error:
            self._recover(error)
        self.context.wait_until(time.monotonic() + self.context.settle_s)

    def measure_setup(self, visit: SetupVisit) -> None:
        """Walk through the states of a setup that is made; leaves the relay supply on."""
        context = self.context
        proven = False
        if visit.cycles:
            self._through_cycles(visit)
            proven = True
        for state in visit.states:
            context.begin_recording(visit.setup, state.state, self.begun)
            settled_s, unset = self._begin(visit, state.state)
            context.catch_up(until_s=settled_s)
            if not unset:
                context.wait_until(settled_s)
                if not proven and not state.state.pulsed:
                    self._check_setup(visit, state.state)
                proven = proven or not state.state.pulsed
            self._record(visit, state, unset)
        self._power(IDLE_STATE)
        if visit.changes:
            self._through_changes(visit, proven=proven)

    def _keep(self, state: State, done: int, made: Sequence[tuple[Planned, Reading]]) -> None:
        """Record the readings that stand; what did not pass is held back until it was measured again."""
        self.held += [pair for pair in made if self._is_held(pair[1])]
        self.unproven += [
            pair for pair in made if pair[1].verdict == "unproven" and not self._is_held(pair[1])
        ]
        standing = [reading for _, reading in made if not self._is_held(reading)]
        self.context.add_readings(state, done, standing)
        self.readings += standing

    def _through_cycles(self, visit: SetupVisit) -> None:
        """The control lines that are operated again and again, before anything louder."""
        context = self.context
        self._check_at_idle(visit)
        for cycle in visit.cycles:
            operated = State(on=(cycle.given.control,))
            doing = f"{cycle.given.control} on and off {cycle.given.operations} times"
            context.begin_recording(visit.setup, operated, self.begun, doing)
            reading = cycle_reading(context, visit, cycle, recover=self._recover_in)
            self._keep(operated, self.begun, [(cycle, reading)])

    def _through_changes(self, visit: SetupVisit, *, proven: bool) -> None:
        """The changes of state of a setup, after its levels."""
        if not proven:
            self._check_at_idle(visit)
        changes = ChangeWalk(self.context, visit, recover=self._recover_in, keep=self._keep, done=self.begun)
        self.begun = changes.walk()

    def _check_at_idle(self, visit: SetupVisit) -> None:
        self._power(IDLE_STATE)
        self.context.set_state(visit.setup, IDLE_STATE)
        self._check_setup(visit, IDLE_STATE)

    def _check_setup(self, visit: SetupVisit, state: State) -> None:
        try:
            try:
                look = check_setup(self.context, visit.setup, state)
            except TRANSIENT as error:
                self._recover_in(visit, state, error)
                look = check_setup(self.context, visit.setup, state)
        except ReadingError as error:
            raise SetupError(f"setup {visit.setup.name!r}: {error}", instrument="the wiring") from error
        self.leads.saw(visit.setup, look)

    def _power(self, state: State) -> None:
        supply, module = self.context.bench.supply, self.context.job.module
        if state.powered == self._powered:
            return
        if not state.powered and self.context.supply_watch.sees:
            self.context.supply_watch.look_once_more(limit_a=module.supply.limit_a)
        if state.powered:
            supply.set(voltage_v=module.supply.voltage_v, limit_a=module.supply.limit_a)
        supply.switch(on=state.powered)
        self._powered = state.powered

    def _begin_state(self, visit: SetupVisit, state: State) -> float:
        """Switch the relay supply and set a state; returns the time when it has settled.

        Before the supply goes off, latching relays are brought to where the state has them.
        """
        if not state.powered and self.context.job.module.set_controls:
            powered = replace(state, powered=True)
            self._power(powered)
            self.context.set_state(visit.setup, powered)
        self._power(state)
        return self.context.begin_state(visit.setup, state)

    def _begin(self, visit: SetupVisit, state: State) -> tuple[float, NotTaken | None]:
        """Set a state; when it has settled, or why it is not set: a state is never tried twice."""
        try:
            return self._begin_state(visit, state), None
        except TRANSIENT as error:
            return 0.0, self._recover(error)

    def _recover(self, error: BenchError) -> NotTaken:
        lost = self.context.recovery.after(error)
        self._powered = False
        if not self.context.board.reads_back:
            self._prove_controls()
            self._powered = True
        return lost

    def _recover_in(self, visit: SetupVisit, state: State, error: BenchError) -> NotTaken:
        """Recover, and set the state anew for what is still to be recorded in it."""
        context = self.context
        lost = self._recover(error)
        state = IDLE_STATE if state.pulsed else state
        context.wait_until(self._begin_state(visit, state))
        if state.powered and context.supply_watch.sees:
            context.supply_watch.check(state, limit_a=context.job.module.supply.limit_a)
        return lost

    def _record(self, visit: SetupVisit, planned: StateVisit, unset: NotTaken | None) -> None:
        """Take every capture of a state; one that the bench failed to take is missing, with the reason.

        Its computation is deferred until another state settles or is recorded.
        """
        context = self.context
        supply: SupplyReading | NotTaken | None = unset
        watch = context.supply_watch
        if planned.state.powered and watch.sees and not unset:
            try:
                read = watch.average if planned.judges_supply else watch.check
                supply = read(planned.state, limit_a=context.job.module.supply.limit_a)
                if planned.state.pulsed:
                    context.hold(visit.setup, IDLE_STATE)  # no coil is driven for longer than that
            except TRANSIENT as error:
                supply = self._recover_in(visit, planned.state, error)
        for acquisition in planned.acquisitions:
            raw = unset or self._capture(visit, acquisition)
            context.recorder.defer(partial(self._measure, visit, acquisition, raw))
            self.begun += 1
        context.recorder.defer(partial(self._finish, planned, supply, self.begun))

    def _capture(self, visit: SetupVisit, acquisition: Acquisition) -> RawCapture | NotTaken:
        setup, stimulus = visit.setup, acquisition.stimulus
        prediction = self.context.plan.predictions.get(acquisition.number)
        peaks_v = dict.fromkeys(input_numbers(setup), 0.0)
        if prediction is not None:
            peaks_v = peaks_of(setup, prediction, stimulus.level_vrms)
        number, state = acquisition.number, acquisition.state
        request = CaptureRequest(setup=setup, state=state, stimulus=stimulus, peaks_v=peaks_v, number=number)
        try:
            self.context.drive.apply(stimulus)
            if stimulus.kind == "synced" and not self._sync_proven:
                self._sync_proven = sync_is_proven(self.context.recorder, request)
            return self.context.recorder.capture(request)
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
                else (planned, make_reading(planned, [supply], sequence=self.context.job.sequence))
                for planned in of_supply
            ]
        pairs += [(planned, self._reading(planned)) for planned in self._take_out(self._is_ready)]
        self._keep(visit.state, done, pairs)
        for number in (acquisition.number for acquisition in visit.acquisitions):
            measured = self.measured[number]
            # A channel match waits for its other channel; the samples of a whole run would fill the memory.
            fitted = measured.fitted and measured.fitted.without_samples()
            self.measured[number] = replace(measured, fitted=fitted)

    def _is_ready(self, planned: Planned) -> bool:
        return bool(planned.captures) and self.measured.keys() >= set(planned.captures)

    def _take_out(self, is_wanted: Callable[[Planned], bool]) -> list[Planned]:
        wanted = [planned for planned in self._waiting if is_wanted(planned)]
        self._waiting = [planned for planned in self._waiting if not is_wanted(planned)]
        return wanted

    def _reading(self, planned: Planned) -> Reading:
        context = self.context
        measured = [self.measured[number] for number in planned.captures]
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
        unturned: Unturned | None = None
        transfer: Transfer | None = None
        missing = capture if isinstance(capture, NotTaken) else NotTaken(reason="")
        try:
            if not isinstance(capture, NotTaken):
                fitted = self.context.recorder.fit(capture)
                unturned = self._unturned(acquisition, fitted)
                if unturned is not None:
                    transfer = turned(
                        unturned,
                        prediction=self.context.plan.predictions[acquisition.number].transfer,
                        drive_rows=drive_rows(visit.setup),
                        passive=not self.context.job.module.may_invert,
                    )
        except ReadingError as error:
            missing = NotTaken(reason=str(error))
        at_one = None
        if transfer is not None:
            at_one = self.context.predict_at_one(visit.setup, acquisition.state, acquisition.stimulus)
        self.measured[acquisition.number] = Measured(
            setup=visit.setup,
            stimulus=acquisition.stimulus,
            fitted=fitted,
            transfer=transfer,
            prediction=self.context.plan.predictions.get(acquisition.number),
            missing=missing,
            at_one=at_one,
            unturned=unturned,
        )

    def _unturned(self, acquisition: Acquisition, fitted: FittedCapture) -> Unturned | None:
        if not acquisition.stimulus.tells_legs_apart:
            return None
        emf_vrms = (acquisition.stimulus.level_vrms / 2, acquisition.stimulus.level_vrms / 2)
        reference = None
        if self._reference is not None:
            reference = self._reference.at(fitted.fit.frequencies_hz[:2], emf_vrms)
        return make_unturned(
            fitted.capture,
            fitted.fit,
            emf_vrms=emf_vrms,
            reference=reference,
            gain_accuracy=self.context.gain_accuracy,
            generator_accuracy=GENERATOR_ACCURACY,
            level_drifts=self.context.level_drifts,
            acquisition=f"acquisition {acquisition.number}",
        )
