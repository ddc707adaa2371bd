"""The walk through a hookup's changes of state: arm, change, trigger; while the next one is armed, compute.

The scope waits for the computer (no wire triggers it): its record's first half is full when the lines are
commanded, and it is triggered right after. While that half fills, the record before is looked at; where the
scope triggers itself (`waits_for_trigger`), before it is armed, since it would not wait for a slow computer.
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
from harness.measure.change import Change, HostTimes, host_edge, line_edge, look_at
from harness.measure.sides import Instant, Sides
from harness.plan.model import EdgeAcquisition, HookupVisit, Planned
from harness.plan.states import EDGE_RECORD_S
from harness.quantities.change import ChangeSeen
from harness.reading import Reading
from harness.records.run import AcquisitionRecord
from harness.records.store import RunStore
from harness.roles import Capture, CaptureSetting, InputSetting, Mark
from harness.session.context import RunContext
from harness.session.events import ReadingsMade, StateBegun
from harness.session.readings import make_reading, missing_reading
from harness.session.recovery import TRANSIENT, NotTaken

SAMPLES = 100_000  # 2 us apart: a bounce counts from 10 us on (MIL-R-5757J)
CLICK_ROOM_V = 0.010  # left on the screen for a click, where no limit says more
MOST_TRIES = 4
VAGUE_S = 50e-6  # an instant that is less sure than this is not marked
EARLIEST, LATEST = 0.2, 0.75  # of a record: where an edge leaves enough on either side

Recover = Callable[[HookupVisit, State, BenchError], NotTaken]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Recorded:
    """An edge that was recorded and not yet looked at, or why it was not recorded."""

    planned: EdgeAcquisition
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


class EdgeWalk:
    """The edges of one hookup that is made, its supply on."""

    def __init__(
        self, stage: RunContext, store: RunStore, run: int, visit: HookupVisit, *, recover: Recover, done: int
    ) -> None:
        self._stage, self._store, self._run, self._visit = stage, store, run, visit
        self._recover = recover
        self._done = done
        self._total = len(stage.plan.acquisitions) + len(stage.plan.edges)
        self._here: State | None = None
        self._worst: dict[str, tuple[float, int, Capture]] = {}  # by check, of what passed
        self.readings: list[Reading] = []

    def walk(self) -> int:
        """Record every edge and make its readings; gives how many acquisitions are behind then."""
        for planned in self._visit.edges:
            state = planned.edge.after
            self._stage.observe(
                StateBegun(
                    hookup=self._visit.hookup.name,
                    state=state,
                    done=self._done,
                    total=self._total,
                    operations=self._stage.operations(),
                    doing=f"recorded while it changes from {planned.edge.before.name}",
                )
            )
            recorded = self._record(planned)
            self._done += 1
            self._stage.recorder.put_off(partial(self._finish, recorded, self._done))
        self._stage.recorder.catch_up()
        for _, record, capture in {kept[1]: kept for kept in self._worst.values()}.values():
            self._stage.recorder.put_off(partial(self._store.add_waveform, self._run, record, capture))
        return self._done

    def _record(self, planned: EdgeAcquisition) -> _Recorded:
        """Record one edge, again where the screen was left or the command missed the record."""
        started = datetime.now(UTC)
        capture: Capture | None = None
        times: HostTimes | None = None
        missing: NotTaken | None = NotTaken(reason="no scope range suits: the signal kept changing")
        ranges = self._ranges(planned)
        try:
            self._stage.drive.apply(planned.stimulus)
            length_s = EDGE_RECORD_S
            for _ in range(MOST_TRIES):
                capture, times = self._capture(planned, ranges, length_s)
                coarser = self._coarser(capture, ranges)
                if coarser is None and not self._missed(planned, capture):
                    missing = None
                    break
                if coarser is None:
                    length_s *= 2  # the command came too late, or too early
                    missing = NotTaken(
                        reason="the control line's edge is in none of several records: look for its lead"
                    )
                ranges = coarser or ranges
        except TRANSIENT as error:
            missing = self._recover(self._visit, planned.edge.after, error)
            self._here = planned.edge.after
        return _Recorded(
            planned=planned,
            capture=None if missing else capture,
            times=times,
            started=started,
            missing=missing,
        )

    def _capture(
        self, planned: EdgeAcquisition, ranges: dict[int, float], length_s: float
    ) -> tuple[Capture, HostTimes]:
        stage, scope = self._stage, self._stage.bench.oscilloscope
        settled_s = stage.clock.now_s()
        if self._here != planned.edge.before:
            settled_s = stage.begin_state(self._visit.hookup, planned.edge.before)
            self._here = None
        if not scope.waits_for_trigger:
            stage.recorder.catch_up()
        stage.wait_until(settled_s)
        setting = CaptureSetting(
            inputs={n: InputSetting(volts_per_division=ranges[n]) for n in sorted(ranges)},
            duration_s=length_s,
            samples=round(SAMPLES * length_s / EDGE_RECORD_S),
        )
        filled_s = stage.clock.now_s() + scope.begin(setting)
        if scope.waits_for_trigger:
            stage.recorder.catch_up()
        stage.wait_until(filled_s)
        from_s = stage.clock.now_s()
        stage.begin_state(self._visit.hookup, planned.edge.after)
        to_s = stage.clock.now_s()
        scope.trigger()
        by_s = stage.clock.now_s()
        self._here = planned.edge.after
        capture = scope.complete()
        stage.supply_watch.check(planned.edge.after, limit_a=stage.job.module.supply.limit_a)
        return capture, HostTimes(command_from_s=from_s, command_to_s=to_s, triggered_by_s=by_s)

    def _missed(self, planned: EdgeAcquisition, capture: Capture) -> bool:
        """Whether a control line that is viewed has its edge outside the record, or too near its ends."""
        row = self._line_row(planned, capture)
        if row is None:
            return False
        found = line_edge(capture.volts[row], capture.interval_s)
        length_s = capture.volts.shape[1] * capture.interval_s
        return isinstance(found, str) or not EARLIEST < found.time_s / length_s < LATEST

    def _ranges(self, planned: EdgeAcquisition) -> dict[int, float]:
        """Volts per division of every viewed leg, with room for a click, and of the lines that are viewed."""
        scope = self._stage.bench.oscilloscope
        rooms_v = [one.quantity.room_v(one.limit) for one in self._readings_of(planned)]
        room_v = max([CLICK_ROOM_V, *rooms_v])
        peaks_v = {n: peak_v + room_v for n, peak_v in enumerate(planned.peaks_v, start=1)}
        for line in planned.edge.lines:
            if line in self._visit.hookup.lines_on:
                number = self._visit.hookup.lines_on[line]
                peaks_v[number] = self._line_peak_v(number, planned)
        return {n: pick_range(peak, scope.volts_per_division, scope.divisions) for n, peak in peaks_v.items()}

    def _line_peak_v(self, number: int, planned: EdgeAcquisition) -> float:
        """What a spare input sees of the lines at most; of several through equal resistors, their mean."""
        here = [line for line, other in self._visit.hookup.lines_on.items() if other == number]
        on = max(
            sum(line in state.on for line in here) for state in (planned.edge.before, planned.edge.after)
        )
        return self._stage.job.module.supply.voltage_v * on / len(here)

    def _coarser(self, capture: Capture, ranges: dict[int, float]) -> dict[int, float] | None:
        """Ranges to try again with, two settings coarser where the screen was left; None where it was not."""
        settings = sorted(self._stage.bench.oscilloscope.volts_per_division)
        legs = 2 * len(self._visit.hookup.view)
        clipped = [
            number
            for row, number in enumerate(capture.inputs)
            if number <= legs and capture.clipped[row] and ranges[number] < settings[-1]
        ]
        if not clipped:
            return None
        chosen = dict(ranges)
        for number in clipped:
            place = int(np.argmin([abs(setting - ranges[number]) for setting in settings]))
            chosen[number] = settings[min(place + 2, len(settings) - 1)]
        return chosen

    def _finish(self, recorded: _Recorded, done: int) -> None:
        """Look at a record; judge, keep and show what is read from it."""
        stage, planned = self._stage, recorded.planned
        look = self._look(recorded)
        made = [self._reading(one, look) for one in self._readings_of(planned)]
        self._store.add_readings(self._run, made)
        self.readings += made
        if recorded.capture is not None and look.record is not None:
            marked = replace(recorded.capture, marks=self._marks(planned, recorded.capture, look.change))
            self._keep(made, look.record, marked)
        stage.observe(
            ReadingsMade(state=planned.edge.after, done=done, total=self._total, readings=tuple(made))
        )

    def _readings_of(self, planned: EdgeAcquisition) -> list[Planned]:
        return [one for one in self._stage.plan.edge_readings if planned.number in one.captures]

    def _reading(self, planned: Planned, look: _Looked) -> Reading:
        sequence, setup = self._stage.job.sequence, self._visit.hookup.name
        records = () if look.record is None else (look.record,)
        if look.change is None:
            return missing_reading(planned, look.missing, setup=setup, records=records)
        seen = ChangeSeen(change=look.change, gain_accuracy=self._stage.gain_accuracy)
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
        hookup, capture = self._visit.hookup, recorded.capture
        if capture is None or recorded.times is None:
            missing = recorded.missing or NotTaken(reason="")
            return _Looked(change=None, record=None, missing=missing)
        legs = 2 * len(hookup.view)
        rows = [row for row, number in enumerate(capture.inputs) if number <= legs]
        change: Change | None = None
        missing = NotTaken(reason="")
        try:
            if any(capture.clipped[row] for row in rows):
                raise ReadingError("the signal leaves the screen at the coarsest setting")
            loads = self._stage.job.fixture.loads
            change = look_at(
                capture.volts[rows],
                capture.interval_s,
                recorded.planned.stimulus.tones.frequencies_hz,
                step_v=[capture.step_v[row] for row in rows],
                joined=any(
                    port.net in loads and loads[port.net].across_ohm is not None for port in hookup.view
                ),
                floating=recorded.planned.floating,
                edge=self._edge(recorded.planned, capture, recorded.times),
                clock=self._stage.recorder.clocks,
            )
        except ReadingError as error:
            missing = NotTaken(reason=str(error))
        record = self._store.add_acquisition(self._run, self._as_record(recorded, capture, change))
        return _Looked(change=change, record=record, missing=missing)

    def _edge(self, planned: EdgeAcquisition, capture: Capture, times: HostTimes) -> Instant | str:
        """The control edge: on a spare input where the fixture has it there, else by the computer's clock."""
        row = self._line_row(planned, capture)
        if row is not None:
            return line_edge(capture.volts[row], capture.interval_s)
        found = host_edge(
            times,
            origin_s=capture.origin_s,
            length_s=capture.volts.shape[1] * capture.interval_s,
            board_s=self._stage.bench.switchboard.settle_s,
        )
        if isinstance(found, Instant):
            return found
        return (
            f"{found}. Bring {' or '.join(planned.edge.lines)} to a spare scope input: lines_on in the hookup"
        )

    def _marks(self, planned: EdgeAcquisition, capture: Capture, change: Change | None) -> tuple[Mark, ...]:
        """What was found, for whoever looks at the record: times on it."""
        if change is None:
            return ()
        row = self._line_row(planned, capture)
        marks: list[Mark] = []
        if row is not None and not isinstance(change.edge, str):
            marks.append(Mark(kind="edge", input=capture.inputs[row], time_s=change.edge.time_s))
        kinds: tuple[Literal["opens", "closes", "settles"], ...] = ("opens", "closes", "settles")
        for number, leg in zip(capture.inputs, change.transition.legs, strict=False):
            found = (leg.left, leg.arrived, leg.settled if leg.openings else None)
            marks += [
                Mark(kind=kind, input=number, time_s=instant.time_s)
                for kind, instant in zip(kinds, found, strict=True)
                if instant is not None and instant.standard_s < VAGUE_S
            ]
        return tuple(marks)

    def _line_row(self, planned: EdgeAcquisition, capture: Capture) -> int | None:
        """Row that shows the line of an edge, where one line changes and a spare input views it."""
        if len(planned.edge.lines) != 1:
            return None
        number = self._visit.hookup.lines_on.get(planned.edge.lines[0])
        return None if number is None else capture.inputs.index(number)

    def _as_record(self, recorded: _Recorded, capture: Capture, change: Change | None) -> AcquisitionRecord:
        tones_hz = recorded.planned.stimulus.tones.frequencies_hz
        phasors = np.zeros((len(capture.inputs), len(tones_hz)), dtype=np.complex128)
        residuals = np.zeros(len(capture.inputs))
        if change is not None:
            sides = change.transition.sides
            phasors[: len(sides.volts)] = _phasors(sides, len(tones_hz))
            residuals[: len(sides.volts)] = sides.noise_v
        return AcquisitionRecord(
            number=recorded.planned.number,
            setup=recorded.planned.hookup,
            state=recorded.planned.edge.name,
            stimulus=recorded.planned.stimulus,
            frequencies_hz=tones_hz,
            setting=capture.setting,
            phasors=phasors,
            residuals_vrms=tuple(float(value) for value in residuals),
            started=recorded.started,
            duration_s=(datetime.now(UTC) - recorded.started).total_seconds(),
        )


def _phasors(sides: Sides, tones: int) -> NDArray[np.complex128]:
    """Volts RMS of each tone after the change, shape (legs, tones)."""
    found = sides.after.coefficients
    return np.asarray((found[:, 1 : 1 + 2 * tones : 2] - 1j * found[:, 2 : 2 + 2 * tones : 2]) / sqrt(2))


def _share(reading: Reading) -> float:
    """How near a reading that passed is to its upper limit."""
    if reading.estimate is None or reading.limit_high is None or reading.limit_high <= 0:
        return 0.0
    return reading.estimate.high / reading.limit_high
