"""One acquisition and its results: ranges, capture, ranging again, fit, records, and its readings.

A bench records for a tenth of a second or more at a time; the captures before are computed meanwhile.
"""

from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import islice
from types import MappingProxyType
from typing import Any

from harness.circuit.predict import Prediction, side_by_side
from harness.errors import ReadingError
from harness.job.fixture import Setup
from harness.job.sequence import CheckSequence
from harness.job.state import State
from harness.measure.captures import Problem, cut, examine, next_range, pick_range, together
from harness.measure.clock import NOMINAL_CLOCK, ClockRatio
from harness.measure.frequency_step import at_one_frequency
from harness.measure.reference import Reference
from harness.measure.tone import ToneFit, fit_tones, from_trigger, joined
from harness.measure.tones import Stimulus, TonePair
from harness.measure.transfer import Transfer, Unturned, joined_unturned, predicted_transfer, turned
from harness.plan.model import Planned
from harness.plan.setups import drive_rows
from harness.quantities.forms import StateSeen
from harness.quantities.need import PortView
from harness.quantities.quantity import Judged
from harness.reading import Estimate, Expected, InputRefused, Reading
from harness.records.run import AcquisitionRecord
from harness.records.store import RunStore
from harness.roles import Capture, CaptureSetting, InputSetting, Oscilloscope
from harness.session.instruments import Drive, NotTaken


def in_order(capture: Capture, numbers: Sequence[int]) -> Capture:
    """The same capture with its rows in the order of these inputs."""
    if capture.inputs == tuple(numbers):
        return capture
    rows = [capture.inputs.index(number) for number in numbers]
    return replace(
        capture,
        inputs=tuple(numbers),
        volts=capture.volts[rows],
        full_scale_v=tuple(capture.full_scale_v[row] for row in rows),
        step_v=tuple(capture.step_v[row] for row in rows),
        clipped=tuple(capture.clipped[row] for row in rows),
    )


ALIKE_IN_PAIRS = ("terminated", "antiphase")
"""Stimuli of what is told by the difference of two inputs, less the bench's own on the same ranges."""

MOST_CAPTURES = 8  # twelve settings, at least one step a time from a prediction: more is a signal that moves


def _alike_in_pairs(ranges: Mapping[int, float]) -> dict[int, float]:
    """Both inputs of each pair on the coarser of their two ranges."""
    return {number: max(ranges[number], ranges.get(((number - 1) ^ 1) + 1, 0.0)) for number in ranges}


@dataclass(frozen=True, kw_only=True, eq=False)
class FittedCapture:
    """A capture whose ranges suit, its fit, its number in the records and what is wrong with it."""

    capture: Capture
    fit: ToneFit
    record: int
    problems: tuple[Problem, ...]

    def without_samples(self) -> "FittedCapture":
        """The same with the samples let go."""
        empty = self.capture.volts[:, :0]
        return replace(self, capture=replace(self.capture, volts=empty.copy()))

    def refusals(self, inputs: Sequence[int]) -> tuple[Problem, ...]:
        """Why no reading may be made from these inputs; empty if one may."""
        of_inputs = (None, *inputs)
        return tuple(p for p in self.problems if p.refuses and p.input in of_inputs)


@dataclass(frozen=True, kw_only=True)
class CaptureRequest:
    """What to record: in which setup and state, under which stimulus, and the levels to expect.

    peaks_v: by input, in the order that the record's rows are to have, the peak volts expected there; the
    first ranges are chosen from them. number: of the plan's acquisition, 0 for a capture outside the plan;
    purpose: what that is for. short: the tones of a record that is too short for the stimulus's own.
    """

    setup: Setup
    state: State
    stimulus: Stimulus
    peaks_v: Mapping[int, float]
    number: int = 0
    purpose: str = ""
    short: TonePair | None = None

    @property
    def tones(self) -> TonePair:
        """The tones to fit, and the length of the record."""
        return self.short or self.stimulus.tones

    @property
    def silent(self) -> bool:
        """Whether no tone need be found; then only clipping is wrong with a capture."""
        return self.short is not None or not self.stimulus.has_tone


@dataclass(frozen=True, kw_only=True, eq=False)
class RawCapture:
    """A capture that nothing has been computed from yet.

    parts: the records of the hot leg and of the cold leg, if their generators have a clock each, or if each
    is counted from a trigger of its own.
    """

    request: CaptureRequest
    capture: Capture
    started: datetime
    duration_s: float
    parts: tuple[Capture, ...] = ()


def _standard(clock: ClockRatio) -> float:
    return clock.standard


class Recorder:
    """Takes acquisitions for one run and keeps their results in its records.

    Deferred work is done while the scope records, in the order in which it was deferred. clock: what is known
    so far of the generator's clock against the scope's; of two generators that of the hot leg's.
    """

    def __init__(self, oscilloscope: Oscilloscope, drive: Drive, store: RunStore, run_id: int) -> None:
        self._drive = drive
        self._oscilloscope, self._store, self._run_id = oscilloscope, store, run_id
        self._stored_waveforms: set[int] = set()
        self._deferred: deque[Callable[[], None]] = deque()
        self.clock: ClockRatio = NOMINAL_CLOCK
        self._cold_clock: ClockRatio = NOMINAL_CLOCK  # of two generators

    def defer(self, work: Callable[[], None]) -> None:
        """Leave work for the next time that the scope records, or that `catch_up` is called."""
        self._deferred.append(work)

    def defer_fit(self, raw: RawCapture, fitted: list[FittedCapture]) -> None:
        """Leave the fit of a capture for then, which adds to a list."""
        self.defer(lambda: fitted.append(self.fit(raw)))

    def catch_up(self, until: Callable[[], bool] = lambda: False) -> None:
        """Run deferred work; start nothing new once `until()` is true."""
        while self._deferred and not until():
            self._deferred.popleft()()

    def take(self, request: CaptureRequest) -> FittedCapture:
        """Capture with ranges that suit, and find the tones in it. Raises ReadingError."""
        return self.fit(self.capture(request))

    def capture(self, request: CaptureRequest) -> RawCapture:
        """Capture with ranges that suit; raises ReadingError if none does."""
        scope = self._oscilloscope
        ranges = {
            number: pick_range(peak_v, scope.volts_per_division, scope.divisions)
            for number, peak_v in request.peaks_v.items()
        }
        if request.stimulus.kind in ALIKE_IN_PAIRS:
            ranges = _alike_in_pairs(ranges)
        for _ in range(MOST_CAPTURES):
            raw = self.capture_at(request, ranges)
            ranging = next_range(raw.capture, scope.volts_per_division, scope.divisions)
            wanted = dict(ranging.volts_per_division)
            if request.stimulus.kind in ALIKE_IN_PAIRS:
                wanted = _alike_in_pairs(wanted)
            if ranging.settled or wanted == ranges:
                return raw
            ranges = wanted
        raise ReadingError(f"no scope range suits: {MOST_CAPTURES} were tried and the signal kept changing")

    def fit(self, raw: RawCapture) -> FittedCapture:
        """Fit the tones, record the fit, and list what is wrong with the capture."""
        request, capture = raw.request, raw.capture
        if raw.parts:
            fit = self._fit_parts(raw)
        else:
            fit = self._fit_record(capture, request, self.clock)
            self.clock = min(self.clock, fit.clock, key=_standard)
        record = self._store.add_acquisition(
            self._run_id,
            AcquisitionRecord(
                number=request.number,
                setup=request.setup.name,
                state=request.state.name,
                stimulus=request.stimulus,
                purpose=request.purpose,
                frequencies_hz=fit.frequencies_hz,
                setting=capture.setting,
                phasors=fit.phasors,
                residuals_vrms=tuple(float(value) for value in fit.residual_v),
                started=raw.started,
                duration_s=raw.duration_s,
            ),
        )
        problems = tuple(
            problem
            for problem in examine(capture, fit, of_harmonics=request.stimulus.kind == "antiphase")
            if not request.silent or problem.kind == "clipped"
        )
        return FittedCapture(capture=capture, fit=fit, record=record, problems=problems)

    def _fit_record(self, capture: Capture, request: CaptureRequest, clock: ClockRatio) -> ToneFit:
        return fit_tones(
            capture.volts,
            capture.interval_s,
            request.tones.frequencies_hz,
            step_v=capture.step_v,
            clock=clock,
        )

    def _fit_parts(self, raw: RawCapture) -> ToneFit:
        """Fit each leg's record by its own generator's clock; with phases at its trigger, if it had one."""
        hot, cold = (
            self._fit_record(part, raw.request, clock)
            for part, clock in zip(raw.parts, (self.clock, self._cold_clock), strict=True)
        )
        self.clock = min(self.clock, hot.clock, key=_standard)
        self._cold_clock = min(self._cold_clock, cold.clock, key=_standard)
        if raw.request.stimulus.kind == "synced":
            hot, cold = (
                from_trigger(fit, part.origin_s) for fit, part in zip((hot, cold), raw.parts, strict=True)
            )
        return joined(hot, cold)

    def capture_at(
        self,
        request: CaptureRequest,
        ranges: Mapping[int, float],
        centres_v: Mapping[int, float] = MappingProxyType({}),
    ) -> RawCapture:
        """Capture at these volts per division, whatever that shows; a record for each part of the drive.

        centres_v: by input, the volts in the middle of the screen; zero for an input that is not in it.
        """
        setting = CaptureSetting(
            inputs={
                number: InputSetting(volts_per_division=ranges[number], offset_v=centres_v.get(number, 0.0))
                for number in sorted(ranges)
            },
            duration_s=request.tones.duration_s,
            samples=request.tones.samples,
            fewest_samples=0 if request.short else request.stimulus.fewest_samples,
            from_sync=request.stimulus.kind == "synced",
        )
        started = datetime.now(UTC)
        captures = []
        parts = self._drive.parts(request.stimulus)
        for part in range(parts):
            if parts > 1:
                self._drive.apply(request.stimulus, part)
            taken = self._oscilloscope.capture(setting, self.catch_up)
            captures.append(cut(taken, setting.duration_s))
        order = tuple(ranges)
        apart = setting.from_sync or (parts > 1 and not self._drive.shares_clock)
        return RawCapture(
            request=request,
            capture=in_order(together(captures), order),
            started=started,
            duration_s=(datetime.now(UTC) - started).total_seconds(),
            parts=tuple(in_order(each, order) for each in captures) if apart else (),
        )

    def keep_waveform(self, fitted: FittedCapture) -> None:
        """Store the samples, once, unless they were let go."""
        if fitted.record not in self._stored_waveforms and fitted.capture.volts.size:
            self._store.add_waveform(self._run_id, fitted.record, fitted.capture)
            self._stored_waveforms.add(fitted.record)


@dataclass(frozen=True, kw_only=True, eq=False)
class Measured:
    """An acquisition that has been made: its setup, and what was captured or why nothing was.

    prediction: at its two tones. at_one: with both at the frequency of the stimulus, which readings are of;
    without it they are of the tones. unturned: the transfer before its columns were given a phase.
    """

    setup: Setup
    stimulus: Stimulus
    fitted: FittedCapture | None
    transfer: Transfer | None
    prediction: Prediction | None
    missing: NotTaken
    at_one: Prediction | None = None
    unturned: Unturned | None = None


def make_reading(
    planned: Planned,
    seen: Sequence[Any],
    *,
    sequence: CheckSequence,
    setup: str = "",
    records: tuple[int, ...] = (),
) -> Reading:
    """Measure and judge one reading; if it cannot be taken it is missing, with the reason.

    seen: what the bench showed, as the reading's family of quantities has it. setup: its name. records: the
    numbers of the captures in the records.
    """
    k = sequence.coverage_factor
    try:
        result = planned.quantity.measure(planned, seen, k)
        expected = planned.quantity.expected(planned, seen, k)
        if expected is not None:
            result = planned.quantity.near(result, expected)
        judged = planned.quantity.judged(planned, seen, result, expected, decision=sequence.decision)
    except ReadingError as error:
        return missing_reading(planned, NotTaken(reason=str(error)), setup=setup, records=records)
    return _reading(planned, judged, result, expected, setup=setup, records=records)


def missing_reading(
    planned: Planned, missing: NotTaken, *, setup: str = "", records: tuple[int, ...] = ()
) -> Reading:
    """A reading that could not be taken."""
    judged = Judged(verdict="missing", reason=missing.reason, facts=missing.facts)
    return _reading(planned, judged, None, None, setup=setup, records=records)


def make_state_reading(
    planned: Planned,
    measured: Sequence[Measured],
    *,
    sequence: CheckSequence,
    reference: Reference | None,
    gain_accuracy: float,
) -> Reading:
    """Make one reading of captures in states; missing if one of them is, or was not well captured."""
    setup = measured[-1].setup.name if measured else ""
    records = tuple(capture.fitted.record for capture in measured if capture.fitted is not None)
    seen: list[StateSeen] = []
    left = iter(measured)
    for view in planned.given.views:
        parts = list(islice(left, view.captures))
        missing = _refusal(view, parts)
        if missing is not None:
            return missing_reading(planned, missing, setup=setup, records=records)
        seen.append(_seen(_as_one(parts), reference, gain_accuracy))
    return make_reading(planned, seen, sequence=sequence, setup=setup, records=records)


def _refusal(view: PortView, parts: Sequence[Measured]) -> NotTaken | None:
    """Why no reading is made of what these captures show together, if it isn't."""
    rows = {*view.rows, *(view.driven_rows or ()), *(view.drive_rows or ())}
    start = 0
    for part in parts:
        legs = 2 * len(part.setup.view)
        refusal = _refusal_of(part, [row - start for row in rows if start <= row < start + legs])
        if refusal is not None:
            return refusal
        start += legs
    return None


def _refusal_of(measured: Measured, rows: Iterable[int]) -> NotTaken | None:
    """Why these rows of a capture serve nothing: it is missing, or their inputs were not well captured."""
    fitted = measured.fitted
    if fitted is None:
        return measured.missing
    problems = fitted.refusals(sorted(fitted.capture.inputs[row] for row in rows))
    if not problems:
        return measured.missing if measured.missing.reason else None
    return NotTaken(
        reason="; ".join(problem.sentence for problem in problems),
        facts=tuple(
            InputRefused(input=problem.input, problem=problem.kind)
            for problem in problems
            if problem.input is not None
        ),
    )


def _as_one(parts: Sequence[Measured]) -> Measured:
    """Several captures that are counted from one phase of the generator's sines, as one of all their legs.

    The phases are set by the driven port, whichever of them shows it.
    """
    first = parts[0]
    if len(parts) == 1:
        return first
    prediction, at_one = (
        side_by_side([made for made in each if made is not None])
        for each in ([part.prediction for part in parts], [part.at_one for part in parts])
    )
    unturned = joined_unturned([part.unturned for part in parts if part.unturned is not None])
    ports = [port for part in parts for port in part.setup.view]
    transfer = turned(
        unturned,
        prediction=prediction.transfer,
        drive_rows=drive_rows(first.setup, ports),
        passive=False,
    )
    return replace(first, prediction=prediction, at_one=at_one, transfer=transfer, unturned=unturned)


def _seen(measured: Measured, reference: Reference | None, gain_accuracy: float) -> StateSeen:
    fitted = measured.fitted
    if fitted is None:
        raise ReadingError(measured.missing.reason)
    predicted, transfer = _predicted(measured.prediction), measured.transfer
    at_one = _predicted(measured.at_one)
    if predicted is not None and transfer is not None and at_one is not None:
        transfer = at_one_frequency(
            transfer,
            at_tones=predicted,
            at_one=at_one,
            tones_hz=fitted.fit.frequencies_hz[:2],
            frequency_hz=measured.stimulus.frequency_hz,
            acquisition=f"acquisition {fitted.record}",
        )
        predicted = at_one
    return StateSeen(
        stimulus=measured.stimulus,
        capture=fitted.capture,
        fit=fitted.fit,
        transfer=transfer,
        predicted=predicted,
        reference=reference,
        gain_accuracy=gain_accuracy,
    )


def _predicted(made: Prediction | None) -> Transfer | None:
    return None if made is None else predicted_transfer(made.transfer, made.spreads, made.spread_names)


def _reading(
    planned: Planned,
    judged: Judged,
    result: Estimate | None,
    expected: Estimate | None,
    *,
    setup: str,
    records: tuple[int, ...],
) -> Reading:
    return Reading(
        key=planned.key,
        unit=planned.quantity.unit,
        estimate=result,
        expected=None if expected is None else Expected(value=expected.value, standard=expected.standard),
        limit_low=judged.low,
        limit_high=judged.high,
        verdict=judged.verdict,
        reason=judged.reason,
        facts=judged.facts,
        acquisitions=records,
        route=planned.route,
        setup=setup,
    )
