"""A line operated again and again at a level that mends no contact, and looked at after every step."""

from collections.abc import Callable
from math import sqrt

from harness.errors import BenchError, ReadingError
from harness.job.state import State
from harness.measure.tone import fit_tones
from harness.measure.tones import TonePair
from harness.plan.hookups import input_numbers
from harness.plan.model import HookupVisit
from harness.plan.states import CYCLE_RECORD_S
from harness.quantities.cycle import CycleLevels, CycleSeen, Failure, OfOperations, levels_of, missed
from harness.quantities.quantity import PlannedReading
from harness.reading import OperationFailed, Reading, Shown, Step
from harness.session.context import RunContext
from harness.session.readings import make_reading, missing_reading
from harness.session.recorder import Ask, Captured
from harness.session.recovery import TRANSIENT, NotTaken
from harness.session.supply_watch import LATER

SAMPLES = 4000

Recover = Callable[[HookupVisit, State, BenchError], NotTaken]
Operated = PlannedReading[OfOperations]


def cycle_reading(stage: RunContext, visit: HookupVisit, cycle: Operated, *, recover: Recover) -> Reading:
    """Operate the line as often as the check says: how many operations failed, and what that bounds."""
    sequence, setup = stage.job.sequence, visit.hookup.name
    failures: list[Failure] = []
    done = 0
    try:
        stage.drive.apply(cycle.given.stimulus)
        for number in range(1, cycle.given.operations + 1):
            found = _operate(stage, visit, cycle.given, number)
            done = number
            if found is not None:
                failures.append(found)
        stage.begin_state(visit.hookup, State(on=()))  # whatever comes next settles by itself
    except ReadingError as error:
        return missing_reading(cycle, NotTaken(reason=f"after {done} operations: {error}"), setup=setup)
    except TRANSIENT as error:
        return missing_reading(cycle, recover(visit, State(on=()), error), setup=setup)
    seen = CycleSeen(operations=cycle.given.operations, failures=tuple(failures))
    return make_reading(cycle, [seen], sequence=sequence, setup=setup)


def _operate(stage: RunContext, visit: HookupVisit, given: OfOperations, number: int) -> Failure | None:
    """Release, then operate; gives what was wrong, and keeps what it was seen by.

    A port whose legs both stand as they did before the step is looked at once more, later: a switchboard that
    answers nothing may have been late, on a busy computer, and that is no contact's fault. A contact that did
    not close looks like neither; a relay that never moves looks the same again.
    """
    steps: tuple[tuple[State, CycleLevels, CycleLevels, Step], ...] = (
        (State(on=()), given.at_rest, given.operated, "released"),
        (State(on=(given.line,)), given.operated, given.at_rest, "operated"),
    )
    for state, expected, before, step in steps:
        stage.set_state(visit.hookup, state)
        captured = stage.recorder.capture(_ask(visit, state, given, expected))
        wrong = _wrong(given, expected, captured)
        if wrong is not None and _wrong(given, before, captured) is None:
            stage.clock.wait(LATER * stage.settle_s)
            captured = stage.recorder.capture(_ask(visit, state, given, expected))
            wrong = _wrong(given, expected, captured)
        if wrong is not None:
            shown, how = wrong
            stage.recorder.keep_waveform(stage.recorder.find(captured))
            return Failure(
                fact=OperationFailed(number=number, step=step, shown=shown),
                words=f"no. {number} {step}: {shown} {how}",
            )
    return None


def _wrong(given: OfOperations, expected: CycleLevels, captured: Captured) -> tuple[Shown, str] | None:
    """What has another level than the circuit expects, and how it differs in words; None if nothing has."""
    capture, tones = captured.capture, captured.ask.tones
    fit = fit_tones(capture.volts, capture.interval_s, [tones.hot_hz], step_v=capture.step_v)
    hot, cold = given.rows
    found = levels_of(fit.phasors[:, 0], given.rows)
    levels: tuple[tuple[Shown, float, float], ...] = (
        ("hot leg", found.legs_vrms[hot], expected.legs_vrms[hot]),
        ("cold leg", found.legs_vrms[cold], expected.legs_vrms[cold]),
        ("between the legs", found.pair_vrms, expected.pair_vrms),
    )
    for shown, level, wanted in levels:
        wrong = missed(level, wanted, drive_vrms=given.stimulus.level_vrms)
        if wrong:
            return shown, wrong
    return None


def _ask(visit: HookupVisit, state: State, given: OfOperations, expected: CycleLevels) -> Ask:
    hz = given.stimulus.tones.hot_hz
    tones = TonePair(hot_hz=hz, cold_hz=1.1 * hz, duration_s=CYCLE_RECORD_S, samples=SAMPLES)
    peaks_v = {
        number: sqrt(2.0) * volts
        for number, volts in zip(input_numbers(visit.hookup), expected.legs_vrms, strict=True)
    }
    return Ask(
        number=0,
        hookup=visit.hookup.name,
        state=state.name,
        stimulus=given.stimulus,
        purpose="operated line",
        tones=tones,
        silent=True,
        peaks_v=peaks_v,
    )
