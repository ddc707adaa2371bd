"""A run from its first switch to its last, and how it ends. What is measured is computed elsewhere."""

import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from harness.descriptions.job import Job
from harness.errors import BenchError, RecordsError
from harness.judge import unit_verdict
from harness.measure.reference import Reference
from harness.plan.model import Plan
from harness.reading import Reading
from harness.records.run import Outcome
from harness.records.store import RunStore
from harness.roles import Bench
from harness.runner.by_hand import make_by_hand
from harness.runner.drive import Drive
from harness.runner.events import Clock, Hands, HookupBegun, Observer
from harness.runner.preflight import check_same_unit, energise
from harness.runner.recorder import Recorder
from harness.runner.recovery import Recovery
from harness.runner.stage import OverCurrentError, Stage
from harness.runner.through import kept_reference, take_reference
from harness.runner.walk import Walk
from harness.runner.wear import CountedSwitchboard, wear_text


@dataclass(frozen=True, kw_only=True)
class Ended:
    """How a run ended, and every reading that it made."""

    outcome: Outcome
    reason: str
    readings: tuple[Reading, ...]


@dataclass(frozen=True, kw_only=True)
class Before:
    """What a run that is resumed has from before: its readings, and what its unit drew then."""

    readings: tuple[Reading, ...] = ()
    currents_a: Mapping[str, float] | None = None


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
    before: Before | None = None,
    kept: Reference | None = None,
) -> Ended:
    """Carry out a plan and finish the run in the records. Whoever opened the bench leaves it safe.

    An error or an interruption ends the run as `stopped`, with no verdict on the unit, and goes on up. A run
    that went on after a bench fault ends as `stopped` as well. `plan` is what is left to do of a run that is
    resumed, `before` what it has. kept: a reference that is used, while it is good, in place of a new one.
    """
    board = CountedSwitchboard(bench.switchboard)
    bench = replace(bench, switchboard=board)
    stage = stage_of(plan, job, bench, store, run, hands=hands, observe=observe, clock=clock)
    before = before or Before()
    readings = list(before.readings)
    try:
        if plan.count:
            _carry_out(stage, store, run, readings, before.currents_a, kept)
        verdict = unit_verdict(reading.verdict for reading in readings)
        outcome: Outcome = verdict if verdict in ("pass", "fail") else "unproven"
        reason = ""
    except OverCurrentError as error:
        outcome, reason = "fail", str(error)
        found = {"state": error.state, "limit_a": error.limit_a}
        found |= {"current_a": error.current_a, "voltage_v": error.voltage_v}
        store.add_event(run, "over-current", json.dumps(found))
    except BaseException as error:
        _finish_stopped(store, run, error, wear_text(job, board))
        raise
    faults = stage.recovery.faults
    if faults:
        times = "once" if len(faults) == 1 else f"{len(faults)} times"
        outcome, reason = (
            "stopped",
            (
                f"the bench failed {times}, so that the unit has no verdict; run it again. First: {faults[0]}"
                + (f". Then: {reason}" if reason else "")
            ),
        )
    store.add_event(run, "relays", wear_text(job, board))
    store.finish(run, outcome, reason, datetime.now(UTC))
    return Ended(outcome=outcome, reason=reason, readings=tuple(readings))


def stage_of(
    plan: Plan,
    job: Job,
    bench: Bench,
    store: RunStore,
    run: int,
    *,
    hands: Hands,
    observe: Observer,
    clock: Clock,
) -> Stage:
    """What every part of a run shares, for an open bench."""
    if job.bench is None:
        raise ValueError("a job without a bench has no instruments to run on")
    drive = Drive(bench.generator, hot=job.bench.generator.hot, cold=job.bench.generator.cold)
    return Stage(
        job=job,
        plan=plan,
        bench=bench,
        drive=drive,
        recorder=Recorder(bench.oscilloscope, store, run),
        recovery=Recovery(bench, drive, store, run, observe),
        gain_accuracy=job.bench.oscilloscope.gain_accuracy,
        hands=hands,
        observe=observe,
        clock=clock,
    )


def _finish_stopped(store: RunStore, run: int, error: BaseException, wear: str) -> None:
    """Say in the records why a run was stopped, unless it is the records that stopped it."""
    try:
        store.add_event(run, "relays", wear)
        store.finish(run, "stopped", str(error) or type(error).__name__, datetime.now(UTC))
    except RecordsError:
        error.add_note(f"that run {run} was stopped could not be recorded: it stands as interrupted")


def _carry_out(
    stage: Stage,
    store: RunStore,
    run: int,
    readings: list[Reading],
    currents_a: Mapping[str, float] | None,
    kept: Reference | None,
) -> None:
    """Through reference, supply and lines, then hookup after hookup; whatever was made is in `readings`."""
    reference = None if kept is None else kept_reference(stage, kept)
    if reference is None:
        reference = take_reference(stage)
    if reference is not None:
        store.add_reference(run, reference.to_dict())
    now_a = energise(stage)
    if currents_a is None:
        store.add_event(run, "fingerprint", json.dumps(now_a))
    else:
        check_same_unit(currents_a, now_a)
    walk = Walk(stage, store, run, reference)
    try:
        for number, visit in enumerate(stage.plan.visits, start=1):
            stage.observe(HookupBegun(hookup=visit.hookup, number=number, total=len(stage.plan.visits)))
            if visit.hookup.select is None:
                stage.recorder.catch_up()
                make_by_hand(stage, visit.hookup, lambda text: store.add_event(run, "hookup", text))
            walk.through(visit)
        stage.recorder.catch_up()
    except OverCurrentError:
        with suppress(BenchError):  # the safe end tries again, and says so
            stage.bench.supply.switch(on=False)
        stage.recorder.catch_up()  # what was recorded before it is the unit's as well
        raise
    finally:
        readings += walk.readings
