"""A run from its first switch to its last, and how it ends. What is measured is computed elsewhere."""

from dataclasses import dataclass
from datetime import UTC, datetime

from harness.descriptions.job import Job
from harness.descriptions.state import State
from harness.judge import unit_verdict
from harness.plan.model import Plan
from harness.reading import Reading
from harness.records.run import Outcome
from harness.records.store import RunStore
from harness.roles import Bench
from harness.runner.drive import Drive
from harness.runner.events import Clock, Hands, HookupBegun, Observer
from harness.runner.preflight import energise
from harness.runner.recorder import Recorder
from harness.runner.stage import OverCurrentError, Stage
from harness.runner.through import take_reference
from harness.runner.walk import Walk


@dataclass(frozen=True, kw_only=True)
class Ended:
    """How a run ended, and every reading that it made."""

    outcome: Outcome
    reason: str
    readings: tuple[Reading, ...]


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
        gain_accuracy=job.bench.oscilloscope.gain_accuracy,
        hands=hands,
        observe=observe,
        clock=clock,
    )
    readings: list[Reading] = []
    try:
        _carry_out(stage, store, run, readings)
        verdict = unit_verdict(reading.verdict for reading in readings)
        outcome: Outcome = verdict if verdict in ("pass", "fail") else "unproven"
        reason = ""
    except OverCurrentError as error:
        outcome, reason = "fail", str(error)
    except BaseException as error:
        store.finish(run, "stopped", str(error) or type(error).__name__, datetime.now(UTC))
        raise
    store.finish(run, outcome, reason, datetime.now(UTC))
    return Ended(outcome=outcome, reason=reason, readings=tuple(readings))


def _carry_out(stage: Stage, store: RunStore, run: int, readings: list[Reading]) -> None:
    """Through reference, supply and lines, then hookup after hookup; whatever was made is in `readings`."""
    reference = take_reference(stage)
    if reference is not None:
        store.add_reference(run, reference.to_dict())
    energise(stage)
    walk = Walk(stage, store, run, reference)
    try:
        for number, visit in enumerate(stage.plan.visits, start=1):
            stage.observe(HookupBegun(hookup=visit.hookup, number=number, total=len(stage.plan.visits)))
            if visit.hookup.select is None:
                stage.set_state(None, State(on=()))
                stage.drive.silence()
                stage.hands.make(visit.hookup)
            walk.through(visit)
    finally:
        readings += walk.readings
