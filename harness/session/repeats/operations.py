"""A control line that is operated again and again.

A control line whose contacts may fail now and then is operated many times at a level that mends no contact,
and the levels are measured after every step.
"""

import time
from collections.abc import Iterator
from itertools import repeat
from math import ceil, sqrt

from harness.errors import TRANSIENT, ReadingError
from harness.job.state import IDLE_STATE, State
from harness.measure.tone import windowed_tone
from harness.measure.tones import TonePair
from harness.plan.model import SetupVisit
from harness.plan.setups import input_numbers
from harness.plan.states import LOOK_SAMPLES, look_s
from harness.quantities.cycle import CycleLevels, CycleSeen, Failure, OfOperations
from harness.quantities.quantity import PlannedReading
from harness.reading import OperationFailed, Reading, Shown, Step
from harness.session.context import RunContext
from harness.session.instruments import NotTaken
from harness.session.recorder import CaptureRequest, RawCapture, make_reading, missing_reading
from harness.session.state_changes import Recover
from harness.session.supply_watch import LATER, LATEST_S

Operated = PlannedReading[OfOperations]


def cycle_reading(context: RunContext, visit: SetupVisit, cycle: Operated, *, recover: Recover) -> Reading:
    """Operate a control line as often as the check says: how many operations failed, and what that bounds."""
    sequence, setup = context.job.sequence, visit.setup.name
    failures: list[Failure] = []
    done = 0
    wait_s = LATER * context.settle_s
    # For all operations together: a relay that never moves is not late.
    waits = repeat(wait_s, ceil(LATEST_S / wait_s))
    try:
        context.drive.apply(cycle.given.stimulus)
        for number in range(1, cycle.given.operations + 1):
            result = _operate(context, visit, cycle.given, number, waits)
            done = number
            if result is not None:
                failures.append(result)
        context.begin_state(visit.setup, IDLE_STATE)  # whatever comes next settles by itself
    except ReadingError as error:
        return missing_reading(cycle, NotTaken(reason=f"after {done} operations: {error}"), setup=setup)
    except TRANSIENT as error:
        return missing_reading(cycle, recover(visit, IDLE_STATE, error), setup=setup)
    seen = CycleSeen(operations=cycle.given.operations, failures=tuple(failures))
    return make_reading(cycle, [seen], sequence=sequence, setup=setup)


def _operate(
    context: RunContext, visit: SetupVisit, given: OfOperations, number: int, waits: Iterator[float]
) -> Failure | None:
    """Release, then operate; returns what was wrong, and stores the waveform that shows it.

    A port whose legs both read as they did before the step is captured again after each of the `waits`: the
    switchboard may have been late, and that is no contact's fault. A contact that did not close reads like
    neither; a relay that never moves reads the same again.
    """
    operated = State(on=(given.control,))
    since = None if number == 1 else operated
    steps: tuple[tuple[State | None, State, CycleLevels, CycleLevels, Step], ...] = (
        (since, IDLE_STATE, given.released, given.operated, "released"),
        (IDLE_STATE, operated, given.operated, given.released, "operated"),
    )
    for since, state, expected, before, step in steps:
        context.set_state(visit.setup, state, since=since)
        raw = context.recorder.capture(_request(visit, state, given, expected))
        wrong = _wrong(given, expected, raw)
        while wrong is not None and _wrong(given, before, raw) is None:
            wait_s = next(waits, None)
            if wait_s is None:
                break
            time.sleep(wait_s)
            raw = context.recorder.capture(_request(visit, state, given, expected))
            wrong = _wrong(given, expected, raw)
        if wrong is not None:
            troubles = len(context.supply_watch.troubles)
            if context.supply_watch.sees:
                context.supply_watch.check(state, limit_a=context.job.module.supply.limit_a)
            if len(context.supply_watch.troubles) > troubles:  # the state was set again
                raw = context.recorder.capture(_request(visit, state, given, expected))
                wrong = _wrong(given, expected, raw)
        if wrong is not None:
            shown, how = wrong
            context.recorder.keep_waveform(context.recorder.fit(raw))
            return Failure(
                fact=OperationFailed(number=number, step=step, shown=shown),
                description=f"no. {number} {step}: {shown} {how}",
            )
    return None


def _wrong(given: OfOperations, expected: CycleLevels, raw: RawCapture) -> tuple[Shown, str] | None:
    """Which level differs from what the circuit predicts, and how, in words; None if none does."""
    capture, tones = raw.capture, raw.request.tones
    volts = windowed_tone(capture.volts, capture.interval_s, tones.hot_hz)
    return given.first_miss(volts, expected)


def _request(visit: SetupVisit, state: State, given: OfOperations, expected: CycleLevels) -> CaptureRequest:
    hz = given.stimulus.tones.hot_hz
    tones = TonePair(hot_hz=hz, cold_hz=1.1 * hz, duration_s=look_s(given), samples=LOOK_SAMPLES)
    numbers = input_numbers(visit.setup)
    peaks_v = {n: sqrt(2.0) * volts for n, volts in zip(numbers, expected.legs_vrms, strict=True)}
    return CaptureRequest(
        setup=visit.setup,
        state=state,
        stimulus=given.stimulus,
        peaks_v=peaks_v,
        purpose="operated line",
        short=tones,
    )
