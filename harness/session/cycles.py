"""A line operated again and again at a level that mends no contact, and looked at after every step."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
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
from harness.plan.inputs import input_numbers
from harness.plan.keys import key_of
from harness.plan.model import Cycle, CycleLevels, HookupVisit
from harness.reading import (
    Estimate,
    Fact,
    Limit,
    OperationFailed,
    Reading,
    Shown,
    Step,
    Verdict,
)
from harness.session.context import RunContext
from harness.session.recorder import Ask, Captured
from harness.session.recovery import TRANSIENT, NotTaken
from harness.session.supply_watch import LATER

SAMPLES = 4000
CONFIDENCE = 0.95
MOST_TOLD = 5  # of the operations that failed: how many a sentence has room for

Recover = Callable[[HookupVisit, State, BenchError], NotTaken]


@dataclass(frozen=True, kw_only=True)
class _Miss:
    """Where an operation went wrong, and in words how far."""

    failed: OperationFailed
    words: str


def cycle_reading(
    stage: RunContext, hookup: Hookup, cycle: Cycle, *, recover: Recover, visit: HookupVisit
) -> Reading:
    """Operate the line as often as the check says: how many operations failed, and what that bounds."""
    misses: list[_Miss] = []
    done = 0
    try:
        stage.drive.apply(cycle.stimulus)
        for number in range(1, cycle.operations + 1):
            found = _operate(stage, hookup, cycle, number)
            done = number
            if found is not None:
                misses.append(found)
        stage.begin_state(hookup, State(on=()))  # whatever comes next settles by itself
    except ReadingError as error:
        return _missing(cycle, hookup, NotTaken(reason=f"after {done} operations: {error}"))
    except TRANSIENT as error:
        return _missing(cycle, hookup, recover(visit, State(on=()), error))
    return _judged(stage, hookup, cycle, misses)


def _operate(stage: RunContext, hookup: Hookup, cycle: Cycle, number: int) -> _Miss | None:
    """Release, then operate; gives what was wrong, and keeps what it was seen by.

    A port whose legs both stand as they did before the step is looked at once more, later: a switchboard that
    answers nothing may have been late, on a busy computer, and that is no contact's fault. A contact that did
    not close looks like neither; a relay that never moves looks the same again.
    """
    steps: tuple[tuple[State, CycleLevels, CycleLevels, Step], ...] = (
        (State(on=()), cycle.at_rest, cycle.operated, "released"),
        (cycle.state, cycle.operated, cycle.at_rest, "operated"),
    )
    for state, expected, before, step in steps:
        stage.set_state(hookup, state)
        captured = stage.recorder.capture(_ask(hookup, state, cycle, expected))
        wrong = _wrong(hookup, cycle, expected, captured)
        if wrong is not None and _wrong(hookup, cycle, before, captured) is None:
            stage.clock.wait(LATER * stage.settle_s)
            captured = stage.recorder.capture(_ask(hookup, state, cycle, expected))
            wrong = _wrong(hookup, cycle, expected, captured)
        if wrong is not None:
            shown, how = wrong
            stage.recorder.keep_waveform(stage.recorder.find(captured))
            return _Miss(
                failed=OperationFailed(number=number, step=step, shown=shown),
                words=f"no. {number} {step}: {shown} {how}",
            )
    return None


def _wrong(
    hookup: Hookup, cycle: Cycle, expected: CycleLevels, captured: Captured
) -> tuple[Shown, str] | None:
    """What has another level than the circuit expects, and how it differs in words; None if nothing has."""
    capture, tones = captured.capture, captured.ask.tones
    fit = fit_tones(capture.volts, capture.interval_s, [tones.hot_hz], step_v=capture.step_v)
    hot = 2 * hookup.view.index(PortName(channel=cycle.channel, net=cycle.port))
    found = levels_of(fit.phasors[:, 0], hot)
    levels: tuple[tuple[Shown, float, float], ...] = (
        ("hot leg", found.legs_vrms[hot], expected.legs_vrms[hot]),
        ("cold leg", found.legs_vrms[hot + 1], expected.legs_vrms[hot + 1]),
        ("between the legs", found.pair_vrms, expected.pair_vrms),
    )
    for shown, level, wanted in levels:
        wrong = missed(level, wanted, drive_vrms=cycle.stimulus.level_vrms)
        if wrong:
            return shown, wrong
    return None


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
        stimulus=cycle.stimulus,
        purpose="operated line",
        tones=tones,
        silent=True,
        peaks_v=peaks_v,
    )


def _judged(stage: RunContext, hookup: Hookup, cycle: Cycle, misses: Sequence[_Miss]) -> Reading:
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
    reason = f"{len(misses)} of {operations} operations failed, so at most {100 * rate.upper:.3g} % do"
    if misses:
        reason += f": {'; '.join(miss.words for miss in misses[:MOST_TOLD])}"
        reason += " and more" if len(misses) > MOST_TOLD else ""
    elif verdict == "unproven":
        reason += "; more operations would tell"
    return _reading(
        cycle, hookup, found=found, limits=(low, high), verdict=verdict, reason=reason,
        facts=tuple(miss.failed for miss in misses),
    )  # fmt: skip


def _missing(cycle: Cycle, hookup: Hookup, missing: NotTaken) -> Reading:
    return _reading(cycle, hookup, verdict="missing", reason=missing.reason, facts=missing.facts)


def _reading(
    cycle: Cycle,
    hookup: Hookup,
    *,
    verdict: Verdict,
    reason: str,
    facts: tuple[Fact, ...],
    found: Estimate | None = None,
    limits: tuple[float | None, float | None] = (None, None),
) -> Reading:
    return Reading(
        key=key_of(cycle, hookup),
        unit="%",
        estimate=found,
        expected=None,
        limit_low=limits[0],
        limit_high=limits[1],
        verdict=verdict,
        reason=reason,
        facts=facts,
        acquisitions=(),
        route="",
        setup=hookup.name,
    )
