"""A run from its first switch to its last, whole or part by part, and how it ends.

What is measured is computed elsewhere.
"""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from harness.errors import BenchError, OverCurrentError, RecordsError
from harness.job.fixture import Hookup
from harness.job.job import Job
from harness.judge import unit_verdict
from harness.measure.reference import Reference
from harness.plan.model import Plan
from harness.reading import Reading
from harness.records.run import CurrentsDrawn, Event, Outcome, OverCurrent, RelaysOperated, SetupProven
from harness.records.store import RunStore
from harness.roles import Bench
from harness.session.arrival import make_idle
from harness.session.by_hand import KeptHands, make_by_hand
from harness.session.drive import Drive
from harness.session.events import Clock, Hands, HookupBegun, Observer
from harness.session.preflight import check_same_unit, energise
from harness.session.recorder import Recorder
from harness.session.recovery import Recovery
from harness.session.stage import Stage
from harness.session.through import LOW_LEVEL_VRMS, kept_reference, take_reference
from harness.session.walk import Walk
from harness.session.wear import CountedSwitchboard

WORSE: tuple[Outcome, ...] = ("pass", "unproven", "fail", "stopped")
"""Each says more against a unit, or against believing anything of it, than those before."""


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
    whole = RunInParts(
        plan, job, bench, store, run, hands=hands, observe=observe, clock=clock, before=before, kept=kept
    )
    try:
        with suppress(OverCurrentError):  # the unit's verdict
            whole.carry_out(plan)
    except BaseException as error:
        whole.stop(error)
        raise
    return whole.finish()


class RunInParts:
    """A run that has begun in the records, on an open bench, and is `finish`ed or `stop`ped once.

    The bench's own gain is measured before the first part, at every tone of the whole plan. Before every part
    the lines are switched on one by one at a limited current, and the unit must draw what it drew at first.
    kept: a reference that is used, while it is good, in place of a new one. Whoever opened the bench leaves
    it safe.
    """

    def __init__(
        self,
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
    ) -> None:
        before = before or Before()
        header = store.run(run).header
        who = header.operator or ("simulated hands" if header.simulated else "nobody named")
        self._job, self._store, self._run = job, store, run
        self._stage = stage_of(
            plan,
            job,
            bench,
            store,
            run,
            hands=KeptHands(hands, who, self._keep),
            observe=observe,
            clock=clock,
        )
        self._kept = kept
        self._reference: Reference | None = None
        self._bench_is_measured = False
        self._currents_a = before.currents_a
        self._over: OverCurrentError | None = None
        self._worn: Mapping[str, int] = {}
        self._readings = list(before.readings)

    def carry_out(self, part: Plan) -> tuple[Reading, ...]:
        """Carry out a part of the plan; gives its readings, which are in the records then.

        Raises OverCurrentError where the unit draws too much: its verdict, and nothing is measured after it.
        """
        if not part.count:
            return ()
        if not self._bench_is_measured:
            self._measure_bench()
        try:
            return self._walk_through(replace(self._stage, plan=part))
        except OverCurrentError as error:
            self._over = error
            raise

    def rest(self) -> None:
        """Everything off and verified until the next part; the bench stays open. Raises BenchError."""
        self._stage.drive.forget()
        make_idle(self._stage.bench)

    def finish(self, found: Outcome = "pass", why: str = "") -> Ended:
        """End the run by its readings and by what else was `found`, whichever is worse.

        A run that went on after a bench fault ends as `stopped`, with no verdict on the unit.
        """
        verdict = unit_verdict(reading.verdict for reading in self._readings)
        outcome: Outcome = verdict if verdict in ("pass", "fail") else "unproven"
        reason = ""
        if self._over is not None:
            outcome, reason = "fail", str(self._over)
            self._store.add_event(self._run, _over_current(self._over), str(self._over))
        outcome = max(outcome, found, key=WORSE.index)
        reason = ". ".join(filter(None, (reason, why)))
        faults = self._stage.recovery.faults
        if faults:
            times = "once" if len(faults) == 1 else f"{len(faults)} times"
            outcome, reason = (
                "stopped",
                (
                    f"the bench failed {times}, so that the unit has no verdict; run it again. "
                    f"First: {faults[0]}" + (f". Then: {reason}" if reason else "")
                ),
            )
        self._keep_wear()
        self._store.finish(self._run, outcome, reason, datetime.now(UTC))
        return Ended(outcome=outcome, reason=reason, readings=tuple(self._readings))

    def stop(self, error: BaseException) -> None:
        """Say in the records why the run was stopped, unless it is the records that stopped it."""
        try:
            self._keep_wear()
            self._store.finish(self._run, "stopped", str(error) or type(error).__name__, datetime.now(UTC))
        except RecordsError:
            error.add_note(
                f"that run {self._run} was stopped could not be recorded: it stands as interrupted"
            )

    def _measure_bench(self) -> None:
        stage = self._stage
        if self._kept is not None:
            self._reference = kept_reference(stage, self._kept)
        if self._reference is None:
            self._reference = take_reference(stage)
            through = stage.plan.through
            if through is not None and through.select is None and self._reference is not None:
                self._keep_proof(through, proven=True)
        if self._reference is not None:
            self._store.add_reference(self._run, self._reference.to_dict())
        self._bench_is_measured = True

    def _keep(self, event: Event, text: str) -> None:
        self._store.add_event(self._run, event, text)

    def _keep_proof(self, hookup: Hookup, *, proven: bool) -> None:
        level = f"at {1e3 * LOW_LEVEL_VRMS:g} mV every lead showed what belongs on its pin"
        said = f"proven electrically, {level}" if proven else "not proven lead by lead"
        self._keep(SetupProven(setup=hookup.name, proven=proven), f"hookup {hookup.name!r}: {said}")

    def _keep_wear(self) -> None:
        """What the relays did since this was last kept: a run that is killed has lost a hookup's at most."""
        now = self._stage.operations()
        since = {name: count - self._worn.get(name, 0) for name, count in now.items()}
        self._keep(RelaysOperated(operations=since, read_back=self._stage.board.reads_back), "")
        self._worn = now

    def _energise(self, stage: Stage) -> None:
        now_a = energise(stage)
        if self._currents_a is not None:
            check_same_unit(self._currents_a, now_a)
            return
        self._currents_a = now_a
        self._keep(CurrentsDrawn(currents_a=now_a), "")

    def _walk_through(self, stage: Stage) -> tuple[Reading, ...]:
        """Supply and lines, then hookup after hookup; whatever was made is kept, however it ends."""
        store, run = self._store, self._run
        self._energise(stage)
        walk = Walk(stage, store, run, self._reference)
        try:
            for number, visit in enumerate(stage.plan.visits, start=1):
                stage.observe(HookupBegun(hookup=visit.hookup, number=number, total=len(stage.plan.visits)))
                if visit.hookup.select is None:
                    stage.recorder.catch_up()
                    proven = make_by_hand(stage, visit.hookup, self._keep)
                    self._keep_proof(visit.hookup, proven=proven)
                walk.through(visit)
                stage.recorder.put_off(self._keep_wear)
            stage.recorder.catch_up()
        except OverCurrentError:
            with suppress(BenchError):  # the safe end tries again, and says so
                stage.bench.supply.switch(on=False)
            stage.recorder.catch_up()  # what was recorded before it is the unit's as well
            raise
        finally:
            self._readings += walk.readings
        return tuple(walk.readings)


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
    board = CountedSwitchboard(bench.switchboard)
    bench = replace(bench, switchboard=board)
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
        board=board,
    )


def _over_current(error: OverCurrentError) -> OverCurrent:
    return OverCurrent(
        state=error.state, limit_a=error.limit_a, current_a=error.current_a, voltage_v=error.voltage_v
    )
