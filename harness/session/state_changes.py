"""The walk through a setup's changes of state.

The scope is armed, the state changed and the scope triggered; while the scope is armed for the next change,
the last one is computed. The scope waits for the computer (no wire triggers it): its record's first half is
full when the control lines are commanded, and it is triggered right after. While the two halves fill, the
last record is computed; if the scope triggers itself (not `waits_for_trigger`), before it is armed, since it
would not wait for a slow computer.
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from math import inf, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.errors import TRANSIENT, BenchError, ReadingError
from harness.job.state import State
from harness.measure.captures import pick_range
from harness.measure.changes.change import Change, HostTimes, control_edge, find_change, host_edge
from harness.measure.sides import Instant, SteadySides
from harness.plan.model import ChangeAcquisition, Planned, SetupVisit
from harness.plan.pulses import held
from harness.plan.state_changes import control_input
from harness.plan.states import CHANGE_RECORD_S, CHANGE_SAMPLES, LONGER
from harness.quantities.change import ChangeSeen
from harness.reading import Reading
from harness.records.run import AcquisitionRecord
from harness.roles import Capture, CaptureSetting, InputSetting, Mark
from harness.session.context import RunContext
from harness.session.instruments import NotTaken
from harness.session.recorder import (
    make_reading,
    missing_reading,
)

CLICK_ROOM_V = 0.010  # left on the screen for a click, unless a limit says more
MOST_TRIES = 5
LONGEST_S = 16 * CHANGE_RECORD_S  # of a record that looks for a late command
UNSEEN_S = 0.2e-3  # a change that hides so long a stretch is recorded again: the tones' phases are others
MOST_AGAIN = 3
VAGUE_S = 50e-6  # an instant that is less sure than this is not marked
EARLIEST, LATEST = 0.2, 0.75  # of a record: where the control edge leaves enough on either side

Recover = Callable[[SetupVisit, State, BenchError], NotTaken]
Keep = Callable[[State, int, Sequence[tuple[Planned, Reading]]], None]


@dataclass(frozen=True, kw_only=True, eq=False)
class _RawChange:
    """A record across a change of state that nothing has been computed from yet."""

    capture: Capture
    times: HostTimes
    started: datetime

    @property
    def is_short(self) -> bool:
        """Whether a longer record may show what this one does not."""
        length_s: float = self.capture.volts.shape[1] * self.capture.interval_s
        return length_s < (1 + LONGER) / 2 * CHANGE_RECORD_S


class ChangeWalk:
    """The changes of state of one setup that is made, its supply on.

    Records begin short. One that misses the control line's edge, or that a reading can't be made of, is taken
    again, longer, and so are those after it. No reading's verdict decides that.
    """

    def __init__(
        self, context: RunContext, visit: SetupVisit, *, recover: Recover, keep: Keep, done: int
    ) -> None:
        self._context, self._visit, self._done = context, visit, done
        self._recover, self._keep = recover, keep
        self._state: State | None = None
        self._length_s = CHANGE_RECORD_S
        self._short: list[ChangeAcquisition] = []  # to be recorded for longer
        self._worst: dict[str, tuple[float, int, Capture]] = {}  # of the readings that passed, by check
        self._hidden: list[tuple[ChangeAcquisition, _RawChange, Change]] = []  # to be recorded once more

    def walk(self) -> int:
        """Record every change of state and make its readings; returns how many acquisitions are made then."""
        context = self._context
        for planned in self._visit.changes:
            raw = self._begun(planned)
            self._done += 1
            context.recorder.defer(partial(self._finish, planned, raw, self._done, apart=True))
        context.recorder.catch_up()
        for planned in self._short:
            self._finish(planned, self._longer(planned), self._done)
        for planned, first, shown in self._hidden:
            self._keep_change(planned, *self._sharpest(planned, first, shown), self._done)
        for record, capture in {worst[1]: worst[2] for worst in self._worst.values()}.items():
            context.recorder.defer(partial(context.store.add_waveform, context.run_id, record, capture))
        return self._done

    def _sharpest(
        self, planned: ChangeAcquisition, best: _RawChange, shown: Change
    ) -> tuple[_RawChange, Change]:
        """Record a change again until nothing long is hidden in it; the record that hides least of a few."""
        for _ in range(MOST_AGAIN):
            raw = self._begun(planned)
            again = None if isinstance(raw, NotTaken) else self._change(planned, raw)
            if not (isinstance(raw, _RawChange) and isinstance(again, Change)):
                continue
            if self._fails(planned, again):
                return raw, again
            if again.unseen_s < shown.unseen_s:
                best, shown = raw, again
            if shown.unseen_s <= UNSEEN_S:
                break
        return best, shown

    def _longer(self, planned: ChangeAcquisition) -> _RawChange | NotTaken:
        """Record a change for longer; once more, for longer still, if this record may have missed it."""
        raw = self._begun(planned)
        result = None if isinstance(raw, NotTaken) else self._change(planned, raw)
        if planned.stimulus.has_tone and isinstance(result, Change) and result.may_be_elsewhere:
            self._length_s = min(LONGER * self._length_s, LONGEST_S)
            raw = self._begun(planned)
        return raw

    def _begun(self, planned: ChangeAcquisition) -> _RawChange | NotTaken:
        doing = f"recorded while it changes from {planned.change.before.name}"
        self._context.begin_recording(self._visit.setup, planned.change.after, self._done, doing)
        return self._record(planned)

    def _record(self, planned: ChangeAcquisition) -> _RawChange | NotTaken:
        """Record one change of state, again if the signal left the screen or the edge missed the record."""
        started = datetime.now(UTC)
        missing = NotTaken(reason="no scope range fits: the signal kept changing")
        ranges, length_s = self._ranges(planned), self._length_s
        try:
            self._context.drive.apply(planned.stimulus)
            for _ in range(MOST_TRIES):
                capture, times = self._capture(planned, ranges, length_s)
                if coarser := self._coarser(capture, ranges):
                    ranges = coarser
                elif self._missed(planned, capture):
                    length_s = min(LONGER * length_s, LONGEST_S)  # the command came too late, or too early
                    reason = "the control line's edge is missing in several records: check its lead"
                    missing = NotTaken(reason=reason)
                else:
                    learnt_s = min(length_s, LONGER * CHANGE_RECORD_S)  # one late command is no rule
                    self._length_s = max(self._length_s, learnt_s)
                    return _RawChange(capture=capture, times=times, started=started)
        except TRANSIENT as error:
            missing = self._recover(self._visit, planned.change.after, error)
            self._state = planned.change.after
        return missing

    def _capture(
        self, planned: ChangeAcquisition, ranges: dict[int, float], length_s: float
    ) -> tuple[Capture, HostTimes]:
        context, scope = self._context, self._context.bench.oscilloscope
        settled_s = time.monotonic()
        if self._state != planned.change.before:
            settled_s = context.begin_state(self._visit.setup, planned.change.before)
            self._state = None
        if not scope.waits_for_trigger:
            context.recorder.catch_up()
        context.wait_until(settled_s)
        setting = CaptureSetting(
            inputs={n: InputSetting(volts_per_division=ranges[n]) for n in sorted(ranges)},
            duration_s=length_s,
            samples=round(CHANGE_SAMPLES * length_s / CHANGE_RECORD_S),
        )
        filled_s = time.monotonic() + scope.begin(setting)
        # An edge that no input shows is found by the computer's clock, which has to see the record complete;
        # and no coil is driven for longer than its pulse.
        overlaps = control_input(self._visit.setup, planned.change) is not None and not planned.change.pulsed
        if scope.waits_for_trigger and overlaps:
            context.catch_up(until_s=filled_s)
        elif scope.waits_for_trigger:
            context.recorder.catch_up()
        context.wait_until(filled_s)
        driven = replace(planned.change.after, pulsed=planned.change.pulsed)
        from_s = time.monotonic()
        context.hold(self._visit.setup, driven)
        to_s = time.monotonic()
        scope.trigger(context.recorder.catch_up if overlaps else None)
        by_s = time.monotonic()
        self._state = planned.change.after
        capture = scope.complete()
        if context.supply_watch.sees:
            context.supply_watch.check(driven, limit_a=context.job.module.supply.limit_a)
        if driven.pulsed:
            context.end_pulse(self._visit.setup, planned.change.after, driven.pulsed, since_s=to_s)
        return capture, HostTimes(command_from_s=from_s, command_to_s=to_s, triggered_by_s=by_s)

    def _missed(self, planned: ChangeAcquisition, capture: Capture) -> bool:
        """Whether a control line that is viewed has its edge outside the record, or too near its ends."""
        row = self._control_row(planned, capture)
        if row is None:
            return False
        result = control_edge(capture.volts[row], capture.interval_s, capture.step_v[row])
        length_s = capture.volts.shape[1] * capture.interval_s
        return isinstance(result, str) or not EARLIEST < result.time_s / length_s < LATEST

    def _ranges(self, planned: ChangeAcquisition) -> dict[int, float]:
        """Volts per division of every viewed leg, with room for a click, and of viewed control lines."""
        scope = self._context.bench.oscilloscope
        rooms_v = [reading.quantity.room_v(reading.limit) for reading in self._readings_of(planned)]
        room_v = max([CLICK_ROOM_V, *rooms_v])
        peaks_v = {n: peak_v + room_v for n, peak_v in enumerate(planned.peaks_v, start=1)}
        for control in planned.change.controls:
            if control in self._visit.setup.controls_viewed:
                number = self._visit.setup.controls_viewed[control]
                peaks_v[number] = self._control_peak_v(number, planned)
        return {n: pick_range(peak, scope.volts_per_division, scope.divisions) for n, peak in peaks_v.items()}

    def _control_peak_v(self, number: int, planned: ChangeAcquisition) -> float:
        """The most that a spare input sees; of several control lines, through equal resistors, the mean."""
        controls = [c for c, other in self._visit.setup.controls_viewed.items() if other == number]
        module, change = self._context.job.module, planned.change
        states = (change.before, replace(change.after, pulsed=change.pulsed))
        on = max(sum(control in held(module, state) for control in controls) for state in states)
        return module.supply.voltage_v * on / len(controls)

    def _coarser(self, capture: Capture, ranges: dict[int, float]) -> dict[int, float] | None:
        """Ranges to try again with, two settings coarser for inputs that clipped; None if none did."""
        settings = sorted(self._context.bench.oscilloscope.volts_per_division)
        legs = 2 * len(self._visit.setup.view)
        clipped = [
            number
            for row, number in enumerate(capture.inputs)
            if number <= legs and capture.clipped[row] and ranges[number] < settings[-1]
        ]
        if not clipped:
            return None
        chosen = dict(ranges)
        for number in clipped:
            index = int(np.argmin([abs(setting - ranges[number]) for setting in settings]))
            chosen[number] = settings[min(index + 2, len(settings) - 1)]
        return chosen

    def _finish(
        self, planned: ChangeAcquisition, raw: _RawChange | NotTaken, done: int, *, apart: bool = False
    ) -> None:
        """Find the change in a record, and keep what is read from it. apart: that is deferred once more."""
        result = raw if isinstance(raw, NotTaken) else self._change(planned, raw)
        if apart:
            self._context.recorder.defer(partial(self._judge, planned, raw, result, done))
        else:
            self._judge(planned, raw, result, done)

    def _judge(
        self, planned: ChangeAcquisition, raw: _RawChange | NotTaken, result: Change | NotTaken, done: int
    ) -> None:
        """Judge, record and show what is read from a change, if enough of it shows."""
        if isinstance(raw, _RawChange) and raw.is_short and self._lacks(planned, result):
            self._length_s = max(self._length_s, LONGER * CHANGE_RECORD_S)
            self._short.append(planned)
        elif (
            isinstance(raw, NotTaken)
            or isinstance(result, NotTaken)
            or result.unseen_s <= UNSEEN_S
            or self._fails(planned, result)
        ):
            self._keep_change(planned, raw, result, done)
        else:
            self._hidden.append((planned, raw, result))

    def _lacks(self, planned: ChangeAcquisition, result: Change | NotTaken) -> bool:
        """Whether a record shows no change, or a reading of it is missing or known to lie beyond its end."""
        if planned.stimulus.has_tone and isinstance(result, Change) and not result.leg_changes.legs:
            return True
        made = (self._reading(reading, result, 0) for reading in self._readings_of(planned))
        return any(reading.estimate is None or reading.estimate.high == inf for reading in made)

    def _fails(self, planned: ChangeAcquisition, change: Change) -> bool:
        """Whether a record shows something wrong, however vaguely: it is confirmed as all that fails."""
        made = (self._reading(reading, change, 0) for reading in self._readings_of(planned))
        return any(reading.verdict == "fail" for reading in made)

    def _keep_change(
        self, planned: ChangeAcquisition, raw: _RawChange | NotTaken, result: Change | NotTaken, done: int
    ) -> None:
        context, wanted = self._context, self._readings_of(planned)
        setup = self._visit.setup.name
        if isinstance(raw, NotTaken):
            made = [missing_reading(reading, raw, setup=setup) for reading in wanted]
        else:
            change = None if isinstance(result, NotTaken) else result
            record = context.store.add_acquisition(context.run_id, self._as_record(planned, raw, change))
            made = [self._reading(reading, result, record) for reading in wanted]
            marked = replace(raw.capture, marks=self._marks(planned, raw.capture, change))
            self._keep_waveform(made, record, marked)
        self._keep(planned.change.after, done, list(zip(wanted, made, strict=True)))

    def _readings_of(self, planned: ChangeAcquisition) -> list[Planned]:
        readings = self._context.plan.change_readings
        return [reading for reading in readings if planned.number in reading.captures]

    def _reading(self, planned: Planned, change: Change | NotTaken, record: int) -> Reading:
        context, setup = self._context, self._visit.setup.name
        if isinstance(change, NotTaken):
            return missing_reading(planned, change, setup=setup, records=(record,))
        seen = ChangeSeen(change=change, gain_accuracy=context.gain_accuracy)
        return make_reading(planned, [seen], sequence=context.job.sequence, setup=setup, records=(record,))

    def _keep_waveform(self, made: list[Reading], record: int, capture: Capture) -> None:
        """Store the samples if a reading did not pass; of those that pass, the worst is stored at the end."""
        if any(reading.verdict != "pass" for reading in made):
            self._context.store.add_waveform(self._context.run_id, record, capture)
            return
        for reading in made:
            share, check = _share(reading), reading.key.check
            if check not in self._worst or share > self._worst[check][0]:
                self._worst[check] = (share, record, capture)

    def _change(self, planned: ChangeAcquisition, raw: _RawChange) -> Change | NotTaken:
        setup, capture = self._visit.setup, raw.capture
        rows = [row for row, number in enumerate(capture.inputs) if number <= 2 * len(setup.view)]
        if any(capture.clipped[row] for row in rows):
            return NotTaken(reason="the signal leaves the screen at the coarsest setting")
        loads = [self._context.job.fixture.loads.get(port.net) for port in setup.view]
        try:
            return find_change(
                capture.volts[rows],
                capture.interval_s,
                _tones_hz(planned),
                step_v=[capture.step_v[row] for row in rows],
                joined=any(load is not None and load.across_ohm is not None for load in loads),
                routes=planned.places,
                edge=self._edge(planned, capture, raw.times),
                watched=self._control_row(planned, capture) is not None,
                clock=self._context.recorder.clock,
            )
        except ReadingError as error:
            return NotTaken(reason=str(error))

    def _edge(self, planned: ChangeAcquisition, capture: Capture, times: HostTimes) -> Instant | str:
        """The control edge: on a spare input if the fixture has it there, else by the computer's clock."""
        row = self._control_row(planned, capture)
        if row is not None:
            return control_edge(capture.volts[row], capture.interval_s, capture.step_v[row])
        result = host_edge(
            times,
            origin_s=capture.origin_s,
            length_s=capture.volts.shape[1] * capture.interval_s,
            board_s=self._context.bench.switchboard.settle_s,
        )
        if isinstance(result, Instant):
            return result
        return (
            f"{result}. Bring {' or '.join(planned.change.controls)} to a spare scope input: controls_viewed "
            "in the setup"
        )

    def _marks(self, planned: ChangeAcquisition, capture: Capture, change: Change | None) -> tuple[Mark, ...]:
        """The instants of a change, to be drawn on its record."""
        if change is None:
            return ()
        row = self._control_row(planned, capture)
        marks: list[Mark] = []
        if row is not None and not isinstance(change.edge, str):
            marks.append(Mark(kind="edge", input=capture.inputs[row], time_s=change.edge.time_s))
        kinds: tuple[Literal["opens", "closes", "settles"], ...] = ("opens", "closes", "settles")
        for number, leg in zip(capture.inputs, change.leg_changes.legs, strict=False):
            result = (leg.left, leg.arrived, leg.settled if leg.openings else None)
            marks += [
                Mark(kind=kind, input=number, time_s=instant.time_s)
                for kind, instant in zip(kinds, result, strict=True)
                if instant is not None and instant.standard_s < VAGUE_S
            ]
        return tuple(marks)

    def _control_row(self, planned: ChangeAcquisition, capture: Capture) -> int | None:
        """Row that shows the control line of a change of state."""
        number = control_input(self._visit.setup, planned.change)
        return None if number is None else capture.inputs.index(number)

    def _as_record(
        self, planned: ChangeAcquisition, raw: _RawChange, change: Change | None
    ) -> AcquisitionRecord:
        capture, tones_hz = raw.capture, _tones_hz(planned)
        phasors = np.zeros((len(capture.inputs), len(tones_hz)), dtype=np.complex128)
        residuals = np.zeros(len(capture.inputs))
        if change is not None:
            sides = change.leg_changes.sides
            phasors[: len(sides.volts)] = _phasors(sides, len(tones_hz))
            residuals[: len(sides.volts)] = sides.noise_v
        return AcquisitionRecord(
            number=planned.number,
            setup=planned.setup,
            state=planned.change.name,
            stimulus=planned.stimulus,
            frequencies_hz=tones_hz,
            setting=capture.setting,
            phasors=phasors,
            residuals_vrms=tuple(float(value) for value in residuals),
            started=raw.started,
            duration_s=(datetime.now(UTC) - raw.started).total_seconds(),
        )


def _tones_hz(planned: ChangeAcquisition) -> tuple[float, ...]:
    """The tones that are in a record: none in silence."""
    return planned.stimulus.tones.frequencies_hz if planned.stimulus.has_tone else ()


def _phasors(sides: SteadySides, tones: int) -> NDArray[np.complex128]:
    """Volts RMS of each tone after the change, shape (legs, tones)."""
    result = sides.after.coefficients
    return np.asarray((result[:, 1 : 1 + 2 * tones : 2] - 1j * result[:, 2 : 2 + 2 * tones : 2]) / sqrt(2))


def _share(reading: Reading) -> float:
    """How near a reading that passed is to its upper limit."""
    if reading.estimate is None or reading.limit_high is None or reading.limit_high <= 0:
        return 0.0
    return reading.estimate.high / reading.limit_high
