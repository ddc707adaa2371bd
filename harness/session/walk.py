"""The walk through a setup's states: set, settle, record.

What was recorded is computed, committed and shown while what comes next settles and is being recorded, and
nothing is shown that is not committed. A run that is killed loses at most the state that was recorded last.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import sqrt

import numpy as np

from harness.errors import BenchError, ReadingError
from harness.job.state import State
from harness.measure.reference import Reference
from harness.measure.transfer import GENERATOR_ACCURACY, Transfer, make_transfer
from harness.plan.model import Acquisition, Planned, SetupVisit, StateVisit
from harness.plan.setups import drive_rows, input_numbers
from harness.reading import Reading
from harness.records.store import RunStore
from harness.roles import SupplyReading
from harness.session.context import RunContext
from harness.session.events import ReadingsMade, StateBegun
from harness.session.instruments import TRANSIENT, NotTaken
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


@dataclass(frozen=True, kw_only=True, eq=False)
class _Recorded:
    """A state of which everything is recorded: what the supply gave, or why it was not looked at."""

    here: StateVisit
    supply: SupplyReading | NotTaken | None


class Walk:
    """What a run has so far: the readings made, and the acquisitions that others wait for."""

    def __init__(self, context: RunContext, store: RunStore, run: int, reference: Reference | None) -> None:
        self._context, self._store, self._run, self._reference = context, store, run, reference
        self._waiting = list(context.plan.state_readings)
        self._measured: dict[int, Measured] = {}
        self._powered = True
        self._begun = 0
        self._total = len(context.plan.acquisitions) + len(context.plan.changes)
        self.readings: list[Reading] = []

    def measure_setup(self, visit: SetupVisit) -> None:
        """Walk through the states of a setup that is made; leaves the relay supply on."""
        context = self._context
        proven = False
        if visit.cycles:
            self._through_cycles(visit)
            proven = True
        for state in visit.states:
            context.observe(
                StateBegun(
                    setup=visit.setup.name,
                    state=state.state,
                    done=self._begun,
                    total=self._total,
                    operations=context.operations(),
                )
            )
            settled_s, unset = self._begin(visit, state.state)
            context.catch_up(until_s=settled_s)
            if not unset:
                context.wait_until(settled_s)
                if not proven:
                    check_setup(context, visit.setup, state.state)
                proven = True
            self._record(visit, state, unset)
        self._power(State(on=()))
        if visit.changes:
            self._through_changes(visit, proven=proven)

    def _through_cycles(self, visit: SetupVisit) -> None:
        """The control lines that are operated again and again, before anything louder."""
        context, rest = self._context, State(on=())
        context.set_state(visit.setup, rest)
        check_setup(context, visit.setup, rest)
        for cycle in visit.cycles:
            operated = State(on=(cycle.given.control,))
            context.observe(
                StateBegun(
                    setup=visit.setup.name,
                    state=operated,
                    done=self._begun,
                    total=self._total,
                    operations=context.operations(),
                    doing=f"{cycle.given.control} on and off {cycle.given.operations} times",
                )
            )
            reading = cycle_reading(context, visit, cycle, recover=self._recover_in)
            self._store.add_readings(self._run, [reading])
            self.readings.append(reading)
            context.observe(
                ReadingsMade(state=operated, done=self._begun, total=self._total, readings=(reading,))
            )

    def _through_changes(self, visit: SetupVisit, *, proven: bool) -> None:
        """The changes of state of a setup, after its levels."""
        context, rest = self._context, State(on=())
        if not proven:
            context.set_state(visit.setup, rest)
            check_setup(context, visit.setup, rest)
        changes = ChangeWalk(
            context, self._store, self._run, visit, recover=self._recover_in, done=self._begun
        )
        try:
            self._begun = changes.walk()
        finally:
            self.readings += changes.readings

    def _power(self, state: State) -> None:
        supply, module = self._context.bench.supply, self._context.job.module
        if state.powered == self._powered:
            return
        if state.powered:
            supply.set(voltage_v=module.supply.voltage_v, limit_a=module.supply.limit_a)
        supply.switch(on=state.powered)
        self._powered = state.powered

    def _begin(self, visit: SetupVisit, state: State) -> tuple[float, NotTaken | None]:
        """Set a state; when it has settled, or why it is not set: what switches is never tried twice."""
        try:
            self._power(state)
            return self._context.begin_state(visit.setup, state), None
        except TRANSIENT as error:
            return 0.0, self._recover(error)

    def _recover(self, error: BenchError) -> NotTaken:
        lost = self._context.recovery.after(error)
        self._powered = False
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

    def _record(self, visit: SetupVisit, here: StateVisit, unset: NotTaken | None) -> None:
        """Take everything that is to be taken in a state; what the bench lost is lost, and says why.

        What is to be computed of it is deferred until something else settles or is recorded.
        """
        context = self._context
        supply: SupplyReading | NotTaken | None = unset
        if here.state.powered and not unset:
            try:
                look = context.supply_watch.average if here.judges_supply else context.supply_watch.check
                supply = look(here.state, limit_a=context.job.module.supply.limit_a)
            except TRANSIENT as error:
                supply = self._recover_in(visit, here.state, error)
        for acquisition in here.acquisitions:
            raw = unset or self._capture(visit, acquisition)
            context.recorder.defer(partial(self._measure, visit, acquisition, raw))
            self._begun += 1
        context.recorder.defer(partial(self._finish, _Recorded(here=here, supply=supply), self._begun))

    def _capture(self, visit: SetupVisit, acquisition: Acquisition) -> RawCapture | NotTaken:
        try:
            self._context.drive.apply(acquisition.stimulus)
            return self._context.recorder.capture(self._request(visit, acquisition))
        except ReadingError as error:
            return NotTaken(reason=str(error))
        except TRANSIENT as error:
            return self._recover_in(visit, acquisition.state, error)

    def _finish(self, recorded: _Recorded, done: int) -> None:
        """Judge, keep and show everything that is complete with this state."""
        context, here = self._context, recorded.here
        made: list[Reading] = []
        if recorded.supply is not None and here.judges_supply:
            made += [
                self._supply_reading(planned, recorded.supply)
                for planned in self._take_out(
                    lambda one: not one.captures and one.measurand.state == here.state.name
                )
            ]
        made += [self._reading(planned) for planned in self._take_out(self._is_ready)]
        self._store.add_readings(self._run, made)
        self.readings += made
        for acquisition in here.acquisitions:
            measured = self._measured[acquisition.number]
            # A channel match waits for its other channel; the samples of a whole run would fill the memory.
            self._measured[acquisition.number] = replace(
                measured, fitted=measured.fitted and measured.fitted.without_samples()
            )
        context.observe(ReadingsMade(state=here.state, done=done, total=self._total, readings=tuple(made)))

    def _is_ready(self, planned: Planned) -> bool:
        return bool(planned.captures) and all(n in self._measured for n in planned.captures)

    def _take_out(self, wanted: Callable[[Planned], bool]) -> list[Planned]:
        result = [one for one in self._waiting if wanted(one)]
        self._waiting = [one for one in self._waiting if not wanted(one)]
        return result

    def _supply_reading(self, planned: Planned, supply: SupplyReading | NotTaken) -> Reading:
        if isinstance(supply, NotTaken):
            return missing_reading(planned, supply)
        return make_reading(planned, [supply], sequence=self._context.job.sequence)

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
            self._keep_waveforms(measured)
        return reading

    def _keep_waveforms(self, measured: Sequence[Measured]) -> None:
        for one in measured:
            if one.fitted is not None:
                self._context.recorder.keep_waveform(one.fitted)

    def _request(self, visit: SetupVisit, acquisition: Acquisition) -> CaptureRequest:
        stimulus = acquisition.stimulus
        prediction = self._context.plan.predictions.get(acquisition.number)
        peak_v = stimulus.level_vrms / sqrt(2.0)
        legs = 2 * len(visit.setup.view)
        levels = np.zeros(legs) if prediction is None else np.abs(prediction.transfer).sum(axis=1) * peak_v
        inputs = input_numbers(visit.setup)
        return CaptureRequest(
            number=acquisition.number,
            setup=visit.setup.name,
            state=acquisition.state.name,
            stimulus=stimulus,
            tones=stimulus.tones,
            silent=not stimulus.has_tone,
            peaks_v={number: float(level) for number, level in zip(inputs, levels, strict=True)},
        )

    def _measure(self, visit: SetupVisit, acquisition: Acquisition, capture: RawCapture | NotTaken) -> None:
        """Find the tones and make the transfer; what cannot be is why its readings are missing."""
        fitted: FittedCapture | None = None
        transfer: Transfer | None = None
        missing = capture if isinstance(capture, NotTaken) else NotTaken(reason="")
        try:
            if not isinstance(capture, NotTaken):
                fitted = self._context.recorder.find(capture)
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
