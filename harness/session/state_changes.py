"""The walk through a setup's changes of state, and through a control line that is operated again and again.

Each change is armed, made and triggered; while the next one is armed, it is computed. The scope waits for the
computer (no wire triggers it): its record's first half is full when the control lines are commanded, and it
is triggered right after. While that half fills, the record before is looked at; where the scope triggers
itself (`waits_for_trigger`), before it is armed, since it would not wait for a slow computer.

A line whose contacts may come and go is operated many times at a level that mends no contact, and looked at
after every step.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from math import sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.errors import BenchError, ReadingError
from harness.job.state import State
from harness.measure.captures import pick_range
from harness.measure.change import Change, HostTimes, control_edge, host_edge, look_at
from harness.measure.sides import Instant, SteadySides
from harness.measure.tone import fit_tones
from harness.measure.tones import TonePair
from harness.plan.model import ChangeAcquisition, Planned, SetupVisit
from harness.plan.setups import input_numbers
from harness.plan.states import CHANGE_RECORD_S, CYCLE_RECORD_S
from harness.quantities.change import ChangeSeen
from harness.quantities.cycle import CycleLevels, CycleSeen, Failure, OfOperations, levels_of, missed
from harness.quantities.quantity import PlannedReading
from harness.reading import OperationFailed, Reading, Shown, Step
from harness.records.run import AcquisitionRecord
from harness.records.store import RunStore
from harness.roles import Capture, CaptureSetting, InputSetting, Mark
from harness.session.context import LATER, RunContext
from harness.session.events import ReadingsMade, StateBegun
from harness.session.instruments import TRANSIENT, NotTaken
from harness.session.recorder import CaptureRequest, RawCapture, make_reading, missing_reading

SAMPLES = 100_000  # 2 us apart: a bounce counts from 10 us on (MIL-R-5757J)
CLICK_ROOM_V = 0.010  # left on the screen for a click, where no limit says more
MOST_TRIES = 4
VAGUE_S = 50e-6  # an instant that is less sure than this is not marked
EARLIEST, LATEST = 0.2, 0.75  # of a record: where the control edge leaves enough on either side

Recover = Callable[[SetupVisit, State, BenchError], NotTaken]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Recorded:
    """A change of state that was recorded and not yet looked at, or why it was not recorded."""

    planned: ChangeAcquisition
    capture: Capture | None
    times: HostTimes | None
    started: datetime
    missing: NotTaken | None


@dataclass(frozen=True, kw_only=True, eq=False)
class _Looked:
    """What was found in a record, or why nothing was. record: its number in the records."""

    change: Change | None
    record: int | None
    missing: NotTaken


class ChangeWalk:
    """The changes of state of one setup that is made, its supply on."""

    def __init__(
        self,
        context: RunContext,
        store: RunStore,
        run: int,
        visit: SetupVisit,
        *,
        recover: Recover,
        done: int,
    ) -> None:
        self._context, self._store, self._run, self._visit = context, store, run, visit
        self._recover = recover
        self._done = done
        self._total = len(context.plan.acquisitions) + len(context.plan.changes)
        self._here: State | None = None
        self._worst: dict[str, tuple[float, int, Capture]] = {}  # by check, of what passed
        self.readings: list[Reading] = []

    def walk(self) -> int:
        """Record every change of state and make its readings; gives how many acquisitions are behind then."""
        for planned in self._visit.changes:
            state = planned.change.after
            self._context.observe(
                StateBegun(
                    setup=self._visit.setup.name,
                    state=state,
                    done=self._done,
                    total=self._total,
                    operations=self._context.operations(),
                    doing=f"recorded while it changes from {planned.change.before.name}",
                )
            )
            recorded = self._record(planned)
            self._done += 1
            self._context.recorder.defer(partial(self._finish, recorded, self._done))
        self._context.recorder.catch_up()
        for _, record, capture in {kept[1]: kept for kept in self._worst.values()}.values():
            self._context.recorder.defer(partial(self._store.add_waveform, self._run, record, capture))
        return self._done

    def _record(self, planned: ChangeAcquisition) -> _Recorded:
        """Record one change of state, again where the screen was left or the command missed the record."""
        started = datetime.now(UTC)
        capture: Capture | None = None
        times: HostTimes | None = None
        missing: NotTaken | None = NotTaken(reason="no scope range fits: the signal kept changing")
        ranges = self._ranges(planned)
        try:
            self._context.drive.apply(planned.stimulus)
            length_s = CHANGE_RECORD_S
            for _ in range(MOST_TRIES):
                capture, times = self._capture(planned, ranges, length_s)
                coarser = self._coarser(capture, ranges)
                if coarser is None and not self._missed(planned, capture):
                    missing = None
                    break
                if coarser is None:
                    length_s *= 2  # the command came too late, or too early
                    missing = NotTaken(
                        reason="the control line's edge is missing in several records: check its lead"
                    )
                ranges = coarser or ranges
        except TRANSIENT as error:
            missing = self._recover(self._visit, planned.change.after, error)
            self._here = planned.change.after
        return _Recorded(
            planned=planned,
            capture=None if missing else capture,
            times=times,
            started=started,
            missing=missing,
        )

    def _capture(
        self, planned: ChangeAcquisition, ranges: dict[int, float], length_s: float
    ) -> tuple[Capture, HostTimes]:
        context, scope = self._context, self._context.bench.oscilloscope
        settled_s = context.clock.now_s()
        if self._here != planned.change.before:
            settled_s = context.begin_state(self._visit.setup, planned.change.before)
            self._here = None
        if not scope.waits_for_trigger:
            context.recorder.catch_up()
        context.wait_until(settled_s)
        setting = CaptureSetting(
            inputs={n: InputSetting(volts_per_division=ranges[n]) for n in sorted(ranges)},
            duration_s=length_s,
            samples=round(SAMPLES * length_s / CHANGE_RECORD_S),
        )
        filled_s = context.clock.now_s() + scope.begin(setting)
        if scope.waits_for_trigger:
            context.recorder.catch_up()
        context.wait_until(filled_s)
        from_s = context.clock.now_s()
        context.begin_state(self._visit.setup, planned.change.after)
        to_s = context.clock.now_s()
        scope.trigger()
        by_s = context.clock.now_s()
        self._here = planned.change.after
        capture = scope.complete()
        context.supply_watch.check(planned.change.after, limit_a=context.job.module.supply.limit_a)
        return capture, HostTimes(command_from_s=from_s, command_to_s=to_s, triggered_by_s=by_s)

    def _missed(self, planned: ChangeAcquisition, capture: Capture) -> bool:
        """Whether a control line that is viewed has its edge outside the record, or too near its ends."""
        row = self._control_row(planned, capture)
        if row is None:
            return False
        result = control_edge(capture.volts[row], capture.interval_s)
        length_s = capture.volts.shape[1] * capture.interval_s
        return isinstance(result, str) or not EARLIEST < result.time_s / length_s < LATEST

    def _ranges(self, planned: ChangeAcquisition) -> dict[int, float]:
        """Volts per division of every viewed leg, with room for a click, and of the control lines that are
        viewed.
        """
        scope = self._context.bench.oscilloscope
        rooms_v = [one.quantity.room_v(one.limit) for one in self._readings_of(planned)]
        room_v = max([CLICK_ROOM_V, *rooms_v])
        peaks_v = {n: peak_v + room_v for n, peak_v in enumerate(planned.peaks_v, start=1)}
        for control in planned.change.controls:
            if control in self._visit.setup.controls_viewed:
                number = self._visit.setup.controls_viewed[control]
                peaks_v[number] = self._control_peak_v(number, planned)
        return {n: pick_range(peak, scope.volts_per_division, scope.divisions) for n, peak in peaks_v.items()}

    def _control_peak_v(self, number: int, planned: ChangeAcquisition) -> float:
        """What a spare input sees of the control lines at most; of several through equal resistors, their
        mean.
        """
        here = [control for control, other in self._visit.setup.controls_viewed.items() if other == number]
        on = max(
            sum(control in state.on for control in here)
            for state in (planned.change.before, planned.change.after)
        )
        return self._context.job.module.supply.voltage_v * on / len(here)

    def _coarser(self, capture: Capture, ranges: dict[int, float]) -> dict[int, float] | None:
        """Ranges to try again with, two settings coarser where the screen was left; None where it was not."""
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

    def _finish(self, recorded: _Recorded, done: int) -> None:
        """Look at a record; judge, keep and show what is read from it."""
        context, planned = self._context, recorded.planned
        look = self._look(recorded)
        made = [self._reading(one, look) for one in self._readings_of(planned)]
        self._store.add_readings(self._run, made)
        self.readings += made
        if recorded.capture is not None and look.record is not None:
            marked = replace(recorded.capture, marks=self._marks(planned, recorded.capture, look.change))
            self._keep(made, look.record, marked)
        context.observe(
            ReadingsMade(state=planned.change.after, done=done, total=self._total, readings=tuple(made))
        )

    def _readings_of(self, planned: ChangeAcquisition) -> list[Planned]:
        return [
            change_reading
            for change_reading in self._context.plan.change_readings
            if planned.number in change_reading.captures
        ]

    def _reading(self, planned: Planned, look: _Looked) -> Reading:
        sequence, setup = self._context.job.sequence, self._visit.setup.name
        records = () if look.record is None else (look.record,)
        if look.change is None:
            return missing_reading(planned, look.missing, setup=setup, records=records)
        seen = ChangeSeen(change=look.change, gain_accuracy=self._context.gain_accuracy)
        return make_reading(planned, [seen], sequence=sequence, setup=setup, records=records)

    def _keep(self, made: list[Reading], record: int, capture: Capture) -> None:
        """Keep the samples of what did not pass now, and of the worst that passed when all are known."""
        if any(reading.verdict != "pass" for reading in made):
            self._store.add_waveform(self._run, record, capture)
            return
        for reading in made:
            share, check = _share(reading), reading.key.check
            if check not in self._worst or share > self._worst[check][0]:
                self._worst[check] = (share, record, capture)

    def _look(self, recorded: _Recorded) -> _Looked:
        setup, capture = self._visit.setup, recorded.capture
        if capture is None or recorded.times is None:
            missing = recorded.missing or NotTaken(reason="")
            return _Looked(change=None, record=None, missing=missing)
        legs = 2 * len(setup.view)
        rows = [row for row, number in enumerate(capture.inputs) if number <= legs]
        change: Change | None = None
        missing = NotTaken(reason="")
        try:
            if any(capture.clipped[row] for row in rows):
                raise ReadingError("the signal leaves the screen at the coarsest setting")
            loads = self._context.job.fixture.loads
            change = look_at(
                capture.volts[rows],
                capture.interval_s,
                recorded.planned.stimulus.tones.frequencies_hz,
                step_v=[capture.step_v[row] for row in rows],
                joined=any(
                    port.net in loads and loads[port.net].across_ohm is not None for port in setup.view
                ),
                floating=recorded.planned.floating,
                edge=self._edge(recorded.planned, capture, recorded.times),
                clock=self._context.recorder.clocks,
            )
        except ReadingError as error:
            missing = NotTaken(reason=str(error))
        record = self._store.add_acquisition(self._run, self._as_record(recorded, capture, change))
        return _Looked(change=change, record=record, missing=missing)

    def _edge(self, planned: ChangeAcquisition, capture: Capture, times: HostTimes) -> Instant | str:
        """The control edge: on a spare input where the fixture has it there, else by the computer's clock."""
        row = self._control_row(planned, capture)
        if row is not None:
            return control_edge(capture.volts[row], capture.interval_s)
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
        """What was found, for whoever looks at the record: times on it."""
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
        """Row that shows the line of a change of state, where one control line changes and a spare input
        views it.
        """
        if len(planned.change.controls) != 1:
            return None
        number = self._visit.setup.controls_viewed.get(planned.change.controls[0])
        return None if number is None else capture.inputs.index(number)

    def _as_record(self, recorded: _Recorded, capture: Capture, change: Change | None) -> AcquisitionRecord:
        tones_hz = recorded.planned.stimulus.tones.frequencies_hz
        phasors = np.zeros((len(capture.inputs), len(tones_hz)), dtype=np.complex128)
        residuals = np.zeros(len(capture.inputs))
        if change is not None:
            sides = change.leg_changes.sides
            phasors[: len(sides.volts)] = _phasors(sides, len(tones_hz))
            residuals[: len(sides.volts)] = sides.noise_v
        return AcquisitionRecord(
            number=recorded.planned.number,
            setup=recorded.planned.setup,
            state=recorded.planned.change.name,
            stimulus=recorded.planned.stimulus,
            frequencies_hz=tones_hz,
            setting=capture.setting,
            phasors=phasors,
            residuals_vrms=tuple(float(value) for value in residuals),
            started=recorded.started,
            duration_s=(datetime.now(UTC) - recorded.started).total_seconds(),
        )


def _phasors(sides: SteadySides, tones: int) -> NDArray[np.complex128]:
    """Volts RMS of each tone after the change, shape (legs, tones)."""
    result = sides.after.coefficients
    return np.asarray((result[:, 1 : 1 + 2 * tones : 2] - 1j * result[:, 2 : 2 + 2 * tones : 2]) / sqrt(2))


def _share(reading: Reading) -> float:
    """How near a reading that passed is to its upper limit."""
    if reading.estimate is None or reading.limit_high is None or reading.limit_high <= 0:
        return 0.0
    return reading.estimate.high / reading.limit_high


CYCLE_SAMPLES = 4000
Operated = PlannedReading[OfOperations]


def cycle_reading(context: RunContext, visit: SetupVisit, cycle: Operated, *, recover: Recover) -> Reading:
    """Operate the line as often as the check says: how many operations failed, and what that bounds."""
    sequence, setup = context.job.sequence, visit.setup.name
    failures: list[Failure] = []
    done = 0
    try:
        context.drive.apply(cycle.given.stimulus)
        for number in range(1, cycle.given.operations + 1):
            result = _operate(context, visit, cycle.given, number)
            done = number
            if result is not None:
                failures.append(result)
        context.begin_state(visit.setup, State(on=()))  # whatever comes next settles by itself
    except ReadingError as error:
        return missing_reading(cycle, NotTaken(reason=f"after {done} operations: {error}"), setup=setup)
    except TRANSIENT as error:
        return missing_reading(cycle, recover(visit, State(on=()), error), setup=setup)
    seen = CycleSeen(operations=cycle.given.operations, failures=tuple(failures))
    return make_reading(cycle, [seen], sequence=sequence, setup=setup)


def _operate(context: RunContext, visit: SetupVisit, given: OfOperations, number: int) -> Failure | None:
    """Release, then operate; gives what was wrong, and keeps what it was seen by.

    A port whose legs both stand as they did before the step is looked at once more, later: a switchboard that
    answers nothing may have been late, on a busy computer, and that is no contact's fault. A contact that did
    not close looks like neither; a relay that never moves looks the same again.
    """
    steps: tuple[tuple[State, CycleLevels, CycleLevels, Step], ...] = (
        (State(on=()), given.released, given.operated, "released"),
        (State(on=(given.control,)), given.operated, given.released, "operated"),
    )
    for state, expected, before, step in steps:
        context.set_state(visit.setup, state)
        raw = context.recorder.capture(_request(visit, state, given, expected))
        wrong = _wrong(given, expected, raw)
        if wrong is not None and _wrong(given, before, raw) is None:
            context.clock.wait(LATER * context.settle_s)
            raw = context.recorder.capture(_request(visit, state, given, expected))
            wrong = _wrong(given, expected, raw)
        if wrong is not None:
            shown, how = wrong
            context.recorder.keep_waveform(context.recorder.find(raw))
            return Failure(
                fact=OperationFailed(number=number, step=step, shown=shown),
                words=f"no. {number} {step}: {shown} {how}",
            )
    return None


def _wrong(given: OfOperations, expected: CycleLevels, raw: RawCapture) -> tuple[Shown, str] | None:
    """What has another level than the circuit predicts, and how it differs in words; None if nothing has."""
    capture, tones = raw.capture, raw.request.tones
    fit = fit_tones(capture.volts, capture.interval_s, [tones.hot_hz], step_v=capture.step_v)
    hot, cold = given.rows
    result = levels_of(fit.phasors[:, 0], given.rows)
    levels: tuple[tuple[Shown, float, float], ...] = (
        ("hot leg", result.legs_vrms[hot], expected.legs_vrms[hot]),
        ("cold leg", result.legs_vrms[cold], expected.legs_vrms[cold]),
        ("between the legs", result.pair_vrms, expected.pair_vrms),
    )
    for shown, level, wanted in levels:
        wrong = missed(level, wanted, drive_vrms=given.stimulus.level_vrms)
        if wrong:
            return shown, wrong
    return None


def _request(visit: SetupVisit, state: State, given: OfOperations, expected: CycleLevels) -> CaptureRequest:
    hz = given.stimulus.tones.hot_hz
    tones = TonePair(hot_hz=hz, cold_hz=1.1 * hz, duration_s=CYCLE_RECORD_S, samples=CYCLE_SAMPLES)
    peaks_v = {
        number: sqrt(2.0) * volts
        for number, volts in zip(input_numbers(visit.setup), expected.legs_vrms, strict=True)
    }
    return CaptureRequest(
        number=0,
        setup=visit.setup.name,
        state=state.name,
        stimulus=given.stimulus,
        purpose="operated line",
        tones=tones,
        silent=True,
        peaks_v=peaks_v,
    )
