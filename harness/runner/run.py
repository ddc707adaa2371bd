"""A run from its first switch to its last: order and safety. What is measured is computed elsewhere."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from math import sqrt

import numpy as np

from harness.descriptions.job import Job
from harness.descriptions.state import State
from harness.errors import ReadingError
from harness.judge import unit_verdict
from harness.measure.reference import Reference
from harness.measure.transfer import make_transfer
from harness.plan.model import Acquisition, HookupVisit, Plan, PlannedReading, StateVisit
from harness.plan.supply import expected_current_a
from harness.reading import Reading
from harness.records.run import Outcome
from harness.records.store import RunStore
from harness.roles import Bench
from harness.runner.drive import Drive
from harness.runner.events import Clock, Hands, HookupBegun, Observer, ReadingsMade, StateBegun
from harness.runner.hookup_check import check_hookup
from harness.runner.preflight import energise
from harness.runner.readings import Measured, make_reading, supply_reading
from harness.runner.recorder import Ask, Recorder, Taken
from harness.runner.stage import OverCurrentError, Stage, tones_of
from harness.runner.through import take_reference

GENERATOR_ACCURACY = 0.01  # of an amplitude as set: common practice, no source; only used without a reference


@dataclass(frozen=True, kw_only=True)
class Ended:
    """How a run ended, and every reading that it made."""

    outcome: Outcome
    reason: str
    readings: tuple[Reading, ...]


@dataclass
class _Progress:
    """What a run has so far. `waiting` are readings whose acquisitions are not all made."""

    waiting: list[PlannedReading]
    measured: dict[int, Measured] = field(default_factory=dict)
    readings: list[Reading] = field(default_factory=list)
    begun: int = 0


def run_plan(
    plan: Plan,
    job: Job,
    bench: Bench,
    store: RunStore,
    run: int,
    *,
    hands: Hands,
    observe: Observer,
    clock: Clock,
) -> Ended:
    """Carry out a plan and finish the run in the records. Whoever opened the bench leaves it safe.

    A BenchError or an interruption ends the run as `stopped`, with no verdict on the unit, and goes on up.
    """
    if job.bench is None:
        raise ValueError("a job without a bench has no instruments to run on")
    stage = Stage(
        job=job,
        plan=plan,
        bench=bench,
        drive=Drive(bench.generator, hot=job.bench.generator.hot, cold=job.bench.generator.cold),
        recorder=Recorder(bench.oscilloscope, store, run),
        hands=hands,
        observe=observe,
        clock=clock,
    )
    progress = _Progress(waiting=list(plan.readings))
    try:
        _carry_out(stage, store, run, progress)
    except OverCurrentError as error:
        return _finished(store, run, "fail", str(error), progress)
    except BaseException as error:
        store.finish(run, "stopped", str(error) or type(error).__name__, datetime.now(UTC))
        raise
    verdict = unit_verdict(reading.verdict for reading in progress.readings)
    outcome: Outcome = verdict if verdict in ("pass", "fail") else "unproven"
    return _finished(store, run, outcome, "", progress)


def _finished(store: RunStore, run: int, outcome: Outcome, reason: str, progress: _Progress) -> Ended:
    store.finish(run, outcome, reason, datetime.now(UTC))
    return Ended(outcome=outcome, reason=reason, readings=tuple(progress.readings))


def _carry_out(stage: Stage, store: RunStore, run: int, progress: _Progress) -> None:
    reference = take_reference(stage)
    if reference is not None:
        store.add_reference(run, reference.to_dict())
    energise(stage)
    for number, visit in enumerate(stage.plan.visits, start=1):
        stage.observe(HookupBegun(hookup=visit.hookup, number=number, total=len(stage.plan.visits)))
        if visit.hookup.select is None:
            stage.set_state(None, State(on=()))
            stage.drive.silence()
            stage.hands.make(visit.hookup)
        _walk(stage, store, run, visit, reference, progress)


def _walk(
    stage: Stage,
    store: RunStore,
    run: int,
    visit: HookupVisit,
    reference: Reference | None,
    progress: _Progress,
) -> None:
    powered = True
    total = len(stage.plan.acquisitions)
    for index, here in enumerate(visit.states):
        stage.observe(
            StateBegun(hookup=visit.hookup.name, state=here.state, done=progress.begun, total=total)
        )
        if here.state.powered != powered:
            stage.bench.supply.switch(on=here.state.powered)
            powered = here.state.powered
        stage.set_state(visit.hookup, here.state)
        if index == 0:
            check_hookup(stage, visit.hookup, here.state)
        made = _visit_state(stage, visit, here, reference, progress)
        store.add_readings(run, made)
        progress.readings += made
        stage.observe(ReadingsMade(readings=tuple(made)))
    if not powered:
        stage.bench.supply.switch(on=True)


def _visit_state(
    stage: Stage, visit: HookupVisit, here: StateVisit, reference: Reference | None, progress: _Progress
) -> list[Reading]:
    """Everything that is done in one state; gives the readings that are complete by then."""
    made: list[Reading] = []
    if here.state.powered:
        supply = stage.check_supply(here.state, limit_a=stage.job.module.supply.limit_a)
        if here.judges_supply:
            expected_a = expected_current_a(stage.job.module, here.state)
            made += [
                supply_reading(planned, supply, expected_a, sequence=stage.job.sequence)
                for planned in _take_out(
                    progress, lambda one: not one.acquisitions and one.state == here.state
                )
            ]
    for acquisition in here.acquisitions:
        progress.measured[acquisition.number] = _acquire(stage, visit, acquisition, reference)
        progress.begun += 1
    ready = _take_out(
        progress,
        lambda one: bool(one.acquisitions) and all(n in progress.measured for n in one.acquisitions),
    )
    kept: set[int] = set()
    for planned in ready:
        measured = [progress.measured[number] for number in planned.acquisitions]
        reading = make_reading(
            planned,
            measured,
            sequence=stage.job.sequence,
            reference=reference,
            gain_accuracy=_gain_accuracy(stage),
        )
        made.append(reading)
        if reading.verdict != "pass":
            _keep(stage, measured, kept)
    return made


def _take_out(progress: _Progress, wanted: Callable[[PlannedReading], bool]) -> list[PlannedReading]:
    found = [one for one in progress.waiting if wanted(one)]
    progress.waiting = [one for one in progress.waiting if not wanted(one)]
    return found


def _keep(stage: Stage, measured: Sequence[Measured], kept: set[int]) -> None:
    """Keep the waveforms behind a reading that did not pass, once each."""
    for one in measured:
        if one.taken is not None and one.taken.record not in kept:
            stage.recorder.keep_waveform(one.taken)
            kept.add(one.taken.record)


def _gain_accuracy(stage: Stage) -> float:
    return 0.0 if stage.job.bench is None else stage.job.bench.oscilloscope.gain_accuracy


def _acquire(
    stage: Stage, visit: HookupVisit, acquisition: Acquisition, reference: Reference | None
) -> Measured:
    """Make one acquisition; what cannot be measured becomes the reason why its readings are missing."""
    stimulus = acquisition.stimulus
    stage.drive.apply(stimulus)
    prediction = stage.plan.predictions.get(acquisition.number)
    peak_v = stimulus.level_vrms / sqrt(2.0)
    legs = 2 * len(visit.hookup.view)
    levels = np.zeros(legs) if prediction is None else np.abs(prediction.transfer).sum(axis=1) * peak_v
    ask = Ask(
        number=acquisition.number,
        hookup=visit.hookup.name,
        state=acquisition.state.name,
        stimulus=str(stimulus),
        tones=tones_of(stimulus),
        silent=stimulus.kind == "silence",
        peaks_v={number: float(level) for number, level in enumerate(levels, start=1)},
    )
    taken: Taken | None = None
    reason = ""
    transfer = None
    try:
        taken = stage.recorder.take(ask)
        if prediction is not None:
            leg_vrms = stimulus.level_vrms / 2
            transfer = make_transfer(
                taken.capture,
                taken.fit,
                emf_vrms=(leg_vrms, leg_vrms),
                reference=None
                if reference is None
                else reference.at(taken.fit.frequencies_hz[:2], (leg_vrms, leg_vrms)),
                prediction=prediction.transfer,
                drive_rows=_drive_rows(visit),
                gain_accuracy=_gain_accuracy(stage),
                generator_accuracy=GENERATOR_ACCURACY,
                acquisition=f"acquisition {acquisition.number}",
                passive=not stage.job.module.amplifiers,
            )
    except ReadingError as error:
        reason = str(error)
    return Measured(hookup=visit.hookup, taken=taken, transfer=transfer, prediction=prediction, reason=reason)


def _drive_rows(visit: HookupVisit) -> tuple[int, int] | None:
    if visit.hookup.drive is None or visit.hookup.drive not in visit.hookup.view:
        return None
    place = visit.hookup.view.index(visit.hookup.drive)
    return 2 * place, 2 * place + 1
