"""A line operated again and again at a level that mends no contact, and looked at after every step."""

from collections.abc import Callable
from dataclasses import replace
from math import sqrt

from harness.errors import BenchError, ReadingError
from harness.job.fixture import Hookup, PortName
from harness.job.state import State
from harness.judge import judge, limits_for
from harness.measure.intermittency import failure_rate, missed
from harness.measure.tone import fit_tones
from harness.measure.tones import TonePair, choose_tones
from harness.plan.cycles import levels_of
from harness.plan.estimate import CYCLE_RECORD_S
from harness.plan.model import Cycle, CycleLevels, HookupVisit
from harness.reading import Estimate, Limit, Reading
from harness.session.context import RunContext
from harness.session.inputs import input_numbers
from harness.session.recorder import Ask, Captured
from harness.session.recovery import TRANSIENT
from harness.session.supply_watch import LATER

SAMPLES = 4000
CONFIDENCE = 0.95

Recover = Callable[[HookupVisit, State, BenchError], str]


def cycle_reading(
    stage: RunContext, hookup: Hookup, cycle: Cycle, *, recover: Recover, visit: HookupVisit
) -> Reading:
    """Operate the line as often as the check says: how many operations failed, and what that bounds."""
    misses: list[str] = []
    done = 0
    try:
        stage.drive.apply(cycle.stimulus)
        for number in range(1, cycle.operations + 1):
            found = _operate(stage, hookup, cycle)
            done = number
            if found:
                misses.append(f"no. {number} {found}")
        stage.begin_state(hookup, State(on=()))  # whatever comes next settles by itself
    except ReadingError as error:
        return _missing(stage, cycle, f"after {done} operations: {error}")
    except TRANSIENT as error:
        return _missing(stage, cycle, recover(visit, State(on=()), error))
    return _judged(stage, cycle, misses)


def _operate(stage: RunContext, hookup: Hookup, cycle: Cycle) -> str:
    """Release, then operate; gives what was wrong, and keeps what it was seen by.

    A port whose legs both stand as they did before the step is looked at once more, later: a switchboard that
    answers nothing may have been late, on a busy computer, and that is no contact's fault. A contact that did
    not close looks like neither; a relay that never moves looks the same again.
    """
    for state, expected, before, words in (
        (State(on=()), cycle.at_rest, cycle.operated, "released"),
        (cycle.state, cycle.operated, cycle.at_rest, "operated"),
    ):
        stage.set_state(hookup, state)
        captured = stage.recorder.capture(_ask(hookup, state, cycle, expected))
        wrong = _wrong(hookup, cycle, expected, captured)
        if wrong and not _wrong(hookup, cycle, before, captured):
            stage.clock.wait(LATER * stage.settle_s)
            captured = stage.recorder.capture(_ask(hookup, state, cycle, expected))
            wrong = _wrong(hookup, cycle, expected, captured)
        if wrong:
            stage.recorder.keep_waveform(stage.recorder.find(captured))
            return f"{words}: {wrong}"
    return ""


def _wrong(hookup: Hookup, cycle: Cycle, expected: CycleLevels, captured: Captured) -> str:
    """Say what has another level than the circuit expects, a leg or what is between them; "" if none has."""
    capture, tones = captured.capture, captured.ask.tones
    fit = fit_tones(capture.volts, capture.interval_s, [tones.hot_hz], step_v=capture.step_v)
    hot = 2 * hookup.view.index(PortName(channel=cycle.channel, net=cycle.port))
    found = levels_of(fit.phasors[:, 0], hot)
    for what, level, wanted in (
        ("hot leg", found.legs_vrms[hot], expected.legs_vrms[hot]),
        ("cold leg", found.legs_vrms[hot + 1], expected.legs_vrms[hot + 1]),
        ("between the legs", found.pair_vrms, expected.pair_vrms),
    ):
        wrong = missed(level, wanted, drive_vrms=cycle.stimulus.level_vrms)
        if wrong:
            return f"{what} {wrong}"
    return ""


def _ask(hookup: Hookup, state: State, cycle: Cycle, expected: CycleLevels) -> Ask:
    hz = choose_tones(cycle.stimulus.frequency_hz).hot_hz
    tones = TonePair(hot_hz=hz, cold_hz=1.1 * hz, duration_s=CYCLE_RECORD_S, samples=SAMPLES)
    peaks_v = {
        number: sqrt(2.0) * volts
        for number, volts in zip(input_numbers(hookup), expected.legs_vrms, strict=True)
    }
    return Ask(
        number=0,
        hookup=hookup.name,
        state=state.name,
        stimulus=f"cycle: {cycle.stimulus}",
        tones=tones,
        silent=True,
        peaks_v=peaks_v,
    )


def _judged(stage: RunContext, cycle: Cycle, misses: list[str]) -> Reading:
    sequence = stage.job.sequence
    operations = cycle.operations
    rate = failure_rate(len(misses), operations, confidence=CONFIDENCE)
    lower = failure_rate(len(misses), operations, confidence=CONFIDENCE, sides="two").lower
    found = Estimate(
        value=len(misses) / operations,
        standard=None,
        low=lower,
        high=rate.upper,
        coverage_factor=sequence.coverage_factor,
        floor=False,
        budget=(),
    )
    low, high = limits_for(cycle.check.limit or Limit(kind="between", unit="%"), None)
    verdict = judge(found, low, high, decision=sequence.decision)
    said = f"{len(misses)} of {operations} operations failed, so at most {100 * rate.upper:.3g} % do"
    if misses:
        said += f": {'; '.join(misses[:5])}" + (" and more" if len(misses) > 5 else "")
    elif verdict == "unproven":
        said += "; more operations would tell"
    blank = _missing(stage, cycle, said)
    return replace(
        blank,
        value=found.value,
        low=found.low,
        high=found.high,
        limit_low=low,
        limit_high=high,
        verdict=verdict,
    )


def _missing(stage: RunContext, cycle: Cycle, reason: str) -> Reading:
    return Reading(
        check=cycle.check.name,
        quantity=cycle.quantity,
        state=cycle.state.name,
        channel=cycle.channel,
        port=cycle.port,
        hookup=cycle.hookup,
        frequency_hz=cycle.frequency_hz,
        unit="%",
        value=None,
        standard=None,
        low=None,
        high=None,
        coverage_factor=stage.job.sequence.coverage_factor,
        floor=False,
        expected=None,
        expected_standard=None,
        limit_low=None,
        limit_high=None,
        verdict="missing",
        reason=reason,
        budget=(),
        acquisitions=(),
        route="",
    )
