"""One acquisition: set the ranges, capture, range again where needed, fit, and keep what was found."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from harness.errors import ReadingError
from harness.measure.clock import NOMINAL_CLOCK, Clock
from harness.measure.examine import Problem, examine
from harness.measure.ranging import next_range, pick_range
from harness.measure.tone import ToneFit, fit_tones
from harness.measure.tones import TonePair
from harness.records.run import AcquisitionRecord
from harness.records.store import RunStore
from harness.roles import Capture, CaptureSetting, InputSetting, Oscilloscope

MOST_CAPTURES = 8  # twelve settings, at least one step a time from a prediction: more is a signal that moves


@dataclass(frozen=True, kw_only=True, eq=False)
class Taken:
    """A capture that was settled on, its fit, its number in the records and what is wrong with it."""

    capture: Capture
    fit: ToneFit
    record: int
    problems: tuple[Problem, ...]

    def refusal(self, inputs: Sequence[int]) -> str:
        """Why no reading may be made from these inputs; "" where one may."""
        return "; ".join(
            problem.sentence
            for problem in self.problems
            if problem.refuses and (problem.input is None or problem.input in inputs)
        )


@dataclass(frozen=True, kw_only=True)
class Ask:
    """What to record: where it belongs, the tones to look for, and what to expect.

    silent: the generator is off, so that no tone is expected. peaks_v: by input, the peak volts expected
    there; the first ranges are chosen from them.
    """

    number: int
    hookup: str
    state: str
    stimulus: str
    tones: TonePair
    silent: bool
    peaks_v: Mapping[int, float]


class Recorder:
    """Takes acquisitions for one run and keeps their results in its records."""

    def __init__(self, oscilloscope: Oscilloscope, store: RunStore, run: int) -> None:
        self._oscilloscope = oscilloscope
        self._store = store
        self._run = run
        self._clock: Clock = NOMINAL_CLOCK

    def take(self, ask: Ask) -> Taken:
        """Capture with ranges that suit; raises ReadingError where no range does or no fit can be made."""
        ranges = {number: self._range(peak_v) for number, peak_v in ask.peaks_v.items()}
        for _ in range(MOST_CAPTURES):
            taken = self.take_at(ask, ranges)
            ranging = next_range(
                taken.capture, self._oscilloscope.volts_per_division, self._oscilloscope.divisions
            )
            if ranging.settled:
                return taken
            ranges = dict(ranging.volts_per_division)
        raise ReadingError(f"no scope range suits: {MOST_CAPTURES} were tried and the signal kept changing")

    def take_at(self, ask: Ask, ranges: Mapping[int, float]) -> Taken:
        """Capture at these volts per division, whatever that shows."""
        setting = CaptureSetting(
            inputs={number: InputSetting(volts_per_division=ranges[number]) for number in sorted(ranges)},
            duration_s=ask.tones.duration_s,
            samples=ask.tones.samples,
        )
        started = datetime.now(UTC)
        capture = self._oscilloscope.capture(setting)
        taken_s = (datetime.now(UTC) - started).total_seconds()
        fit = fit_tones(
            capture.volts,
            capture.interval_s,
            ask.tones.frequencies_hz,
            step_v=capture.step_v,
            clock=self._clock,
        )
        if fit.clock.standard < self._clock.standard:
            self._clock = fit.clock
        record = self._store.add_acquisition(
            self._run,
            AcquisitionRecord(
                number=ask.number,
                hookup=ask.hookup,
                state=ask.state,
                stimulus=ask.stimulus,
                frequencies_hz=fit.frequencies_hz,
                setting=setting,
                phasors=fit.phasors,
                residuals_vrms=tuple(float(value) for value in fit.residual_v),
                started=started,
                duration_s=taken_s,
            ),
        )
        problems = tuple(
            problem for problem in examine(capture, fit) if not ask.silent or problem.kind == "clipped"
        )
        return Taken(capture=capture, fit=fit, record=record, problems=problems)

    def keep_waveform(self, taken: Taken) -> None:
        """Keep the samples themselves."""
        self._store.add_waveform(self._run, taken.record, taken.capture)

    def _range(self, peak_v: float) -> float:
        return pick_range(peak_v, self._oscilloscope.volts_per_division, self._oscilloscope.divisions)
