"""One unit's run on an open bench: its header, its parts from the first switch to the last, and its end.

What is measured is computed elsewhere.
"""

import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from types import TracebackType
from typing import Self, TypeVar

from harness.errors import TRANSIENT, BenchError, LeadInDoubt, OverCurrentError, RecordsError
from harness.job.fixture import Setup
from harness.job.state import IDLE_STATE
from harness.judge import unit_verdict
from harness.measure.reference import Reference
from harness.plan.chosen import Steps
from harness.plan.model import Plan
from harness.reading import LeadOrUnit, Reading
from harness.records.run import (
    DEFAULT_RECORDS,
    BenchFault,
    BenchMoved,
    CurrentsDrawn,
    Extent,
    Outcome,
    OverCurrent,
    RelaysOperated,
    Resumed,
    SetupProven,
    ShortestRun,
)
from harness.records.store import RunStore
from harness.session.admission import run_lock
from harness.session.context import RunContext, run_context
from harness.session.control_currents import (
    check_same_unit,
    energise,
    make_idle,
    record_unknown_currents,
)
from harness.session.events import Hands, Observer, Remark, SetupBegun
from harness.session.leads.by_hand import LeadsFound, RecordedHands, make_by_hand
from harness.session.leads.driven_port import inputs_of, look_at_driven_port
from harness.session.open_bench import OpenBench, unobserved
from harness.session.repeats.at_fail import AtFail, ended_at_fail
from harness.session.repeats.confirmation import is_lost
from harness.session.repeats.second_measurement import SecondMeasurement
from harness.session.repeats.through_again import BatchThrough
from harness.session.request.header import RunRequest, make_header, other_files
from harness.session.resume_point import ResumePoint, check_bench_unchanged
from harness.session.through import (
    bench_moved,
    have_through_made_again,
    kept_reference,
    take_reference,
)
from harness.session.through_signal import LOW_LEVEL_VRMS
from harness.session.walk import Walk

T = TypeVar("T")
FROM_BEST_TO_WORST: tuple[Outcome, ...] = ("pass", "unproven", "fail", "stopped")


@dataclass(frozen=True, kw_only=True)
class RunResult:
    """How a unit's run ended, every reading that it has, and how long it took.

    extent: how much of the sequence it measured.
    """

    run_id: int
    outcome: Outcome
    reason: str
    readings: tuple[Reading, ...]
    duration_s: float
    extent: Extent = "whole"


class UnitRun:
    """A run that has begun in the records, on an open bench; it ends once, by `finish` or by an error.

    A context manager: within it the run is locked against other processes. An error ends the run as
    `stopped`, with no verdict on the unit, and is raised again. The bench's own gain is measured before the
    first part, at every tone of the whole plan. Before every part the control lines are switched on one by
    one at a limited current, and the unit must draw what it drew at first. Whoever opened the bench makes it
    safe.
    """

    def __init__(
        self,
        run_id: int,
        bench: OpenBench,
        store: RunStore,
        plan: Plan,
        *,
        first: Steps | None = None,
        resumed: ResumePoint | None = None,
        resumable: bool = True,
        hands: Hands | None = None,
        observe: Observer = unobserved,
        lock: ExitStack,
    ) -> None:
        header = store.run(run_id).header
        who = header.operator or ("simulated hands" if header.bench_started else "nobody named")
        self.run_id, self.plan = run_id, plan
        self.reference: Reference | None = None
        self._serial, self._bench, self._store, self._resumable = header.serial, bench, store, resumable
        recorded = RecordedHands(hands or bench.hands, who, partial(store.add_event, run_id))
        self._context = run_context(
            plan,
            bench.job,
            bench.instruments(),
            store,
            run_id,
            hands=recorded,
            observe=observe,
            leads_predicted=bench.planned.leads_predicted,
        )
        for trouble in bench.take_passed_by():
            fault = BenchFault(instrument=trouble.instrument, address=trouble.address)
            self._context.record(fault, f"while the bench was opened, {trouble}; it was opened once more")
        self._lock = lock
        self._begun_s = time.monotonic()
        self._ended = False
        self._first, self._at_fail = first, ""
        shortest = store.latest_events(ShortestRun, [run_id])
        self._shortest = shortest[run_id].text if shortest else None  # what it leaves out, in words
        self._made: Setup | None = None  # last
        self._bench_is_measured = False
        self._currents_a = None if resumed is None else resumed.currents_a
        self._over_current: OverCurrentError | None = None
        self._recorded_operations: Mapping[str, int] = {}
        self._readings = [] if resumed is None else list(resumed.readings)

    @classmethod
    def begin(
        cls,
        bench: OpenBench,
        store: RunStore,
        request: RunRequest,
        *,
        hands: Hands | None = None,
        observe: Observer = unobserved,
    ) -> Self:
        """Begin a run in the records.

        hands, observe: who moves leads in place of the bench's hands, and who sees every event.
        """
        whole, production = bench.planned.plan, request.production
        plan = request.plan_of(whole)
        run_id = store.begin(make_header(bench, request, plan))
        in_part = () if production is None else production.noted(whole)
        for event, text in (*other_files(bench.job), *in_part, *request.noted):
            store.add_event(run_id, event, text)
        lock = ExitStack()
        lock.enter_context(run_lock(store, run_id))
        return cls(
            run_id,
            bench,
            store,
            plan,
            first=production.fewest.steps if production is not None and production.stop_at_fail else None,
            resumable=request.resumable,
            hands=hands,
            observe=observe,
            lock=lock,
        )

    @classmethod
    def resume(
        cls,
        bench: OpenBench,
        store: RunStore,
        point: ResumePoint,
        plan: Plan,
        *,
        hands: Hands | None = None,
        observe: Observer = unobserved,
    ) -> Self:
        """Continue a run that was stopped. plan: what remains of it. Raises WrongInstrument."""
        run_id = point.record.run_id
        check_bench_unchanged(point.record.header, bench.instruments())
        with ExitStack() as locking:
            locking.enter_context(run_lock(store, run_id))
            resumed = Resumed(after=point.record.outcome, recorded=len(point.readings), remaining=plan.count)
            store.reopen(run_id, resumed, point.text(left=plan.count), datetime.now(UTC))
            lock = locking.pop_all()
        return cls(
            run_id,
            bench,
            store,
            plan,
            first=point.first,
            resumed=point,
            hands=hands,
            observe=observe,
            lock=lock,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._lock:
            if error is not None and not self._ended:
                self.stop(error)
                if self._resumable and not isinstance(error, LeadInDoubt):
                    place = self._store.location
                    where = "" if place == str(DEFAULT_RECORDS) else f" --records {place}"
                    error.add_note(
                        f"run {self.run_id} is recorded, without a verdict on unit {self._serial}; "
                        f"`switchwalk resume {self.run_id}{where}` continues it"
                    )

    def complete(self) -> RunResult:
        """Carry out the whole plan and finish the run."""
        try:
            self.carry_out(self.plan)
        except OverCurrentError:
            return self.finish()  # the unit's verdict
        except LeadInDoubt:
            moved = self._change()
            if not moved:
                raise
        else:
            moved = self.look_for_change()
        return self.finish("stopped", moved) if moved else self.finish("pass", self._at_fail)

    def look_for_change(self) -> str:
        """Before a unit fails by its readings: how the bench has changed since the run began, "" if not.

        Of a run that was resumed, since its first through reference. The bench is open.
        """
        fails = any(reading.verdict == "fail" for reading in self._readings)
        return self._change() if fails else ""

    def _change(self) -> str:
        references = self._store.references(self.run_id)
        if not references:
            return ""
        first = Reference.from_dict(references[0])
        moved = self._moved_since(first)
        if not moved:
            return ""
        self._context.record(BenchMoved(), moved)
        return f"the bench has changed during the run, so the unit has no verdict: {moved}"

    def _moved_since(self, first: Reference) -> str:
        """Hands are asked for the through setup only if what is driven, in view, cannot tell."""
        context, through, setup = self._context, self.plan.through, self._made
        if through is None or through.select is not None:
            return self._tried_twice(lambda: bench_moved(context, first))
        if setup is not None:
            port = self._tried_twice(lambda: look_at_driven_port(context, first, setup))
            failed = [each for each in self._readings if each.verdict == "fail"] or [
                each for each in self._readings if any(isinstance(fact, LeadOrUnit) for fact in each.facts)
            ]
            at_ports = [each for each in failed if each.key.measurand.port]
            if port.moved or all(inputs_of(reading, setup) <= port.as_before for reading in at_ports):
                return port.moved
        have_through_made_again(context, through)
        return self._tried_twice(lambda: bench_moved(context, first))

    def carry_out(self, part: Plan) -> tuple[Reading, ...]:
        """Carry out a part of the plan; returns its readings, which are in the records then.

        Raises OverCurrentError if the unit draws too much: its verdict, and nothing is measured after it.
        """
        if not part.count:
            return ()
        self.measure_bench()
        try:
            return self._walk_through(replace(self._context, plan=part))
        except OverCurrentError as error:
            self._over_current = error
            raise

    def idle(self) -> None:
        """Everything off and verified until the next part; the bench stays open. Raises BenchError."""
        self._context.drive.forget()
        make_idle(self._context.bench)

    def finish(self, result: Outcome = "pass", why: str = "") -> RunResult:
        """End the run by its readings or by another `result`, whichever is worse.

        A run that lacks a reading which the bench lost ends as `stopped`, with no verdict on the unit.
        """
        verdict = unit_verdict(reading.verdict for reading in self._readings)
        outcome: Outcome = verdict if verdict in ("pass", "fail") else "unproven"
        reason = ""
        if self._over_current is not None:
            outcome, reason = "fail", str(self._over_current)
            over = self._over_current
            event = OverCurrent(
                state=over.state, limit_a=over.limit_a, current_a=over.current_a, voltage_v=over.voltage_v
            )
            self._context.record(event, reason)
        outcome = max(outcome, result, key=FROM_BEST_TO_WORST.index)
        if outcome == "pass" and (doubt := self._context.doubt_of_coils()):
            outcome, reason = "unproven", doubt
        reason = ". ".join(filter(None, (reason, why, "" if self._at_fail else self._shortest or "")))
        faults = self._context.recovery.faults
        if any(map(is_lost, self._readings)):
            times = "once" if len(faults) == 1 else f"{len(faults)} times"
            failed = (
                f"the bench failed {times}, so the unit has no verdict; test it again. First: {faults[0]}"
            )
            outcome, reason = "stopped", f"{failed}. Then: {reason}" if reason else failed
        self._record_relay_operations()
        self._store.finish(self.run_id, outcome, reason, datetime.now(UTC))
        self._ended = True
        return self.result(outcome, reason)

    def result(self, outcome: Outcome, reason: str) -> RunResult:
        """How the run ended, with the readings that it has now."""
        return RunResult(
            run_id=self.run_id,
            outcome=outcome,
            reason=reason,
            readings=tuple(self._readings),
            duration_s=time.monotonic() - self._begun_s,
            extent="until fail" if self._at_fail else "whole" if self._shortest is None else "shortest",
        )

    def stop(self, error: BaseException) -> None:
        """Record why the run was stopped, unless it is the records that stopped it."""
        self._ended = True
        try:
            self._record_relay_operations()
            self._store.finish(self.run_id, "stopped", str(error) or type(error).__name__, datetime.now(UTC))
        except RecordsError:
            error.add_note(
                f"that run {self.run_id} was stopped could not be recorded, so it shows as interrupted"
            )

    def measure_bench(self) -> Reference | None:
        """The bench's own gain at every tone of the plan, measured once; None without a through setup.

        A reference that the bench has from before is used until it expires; that of the unit before in a
        batch, if a look shows the bench as it was.
        """
        context = self._context
        if self._bench_is_measured:
            return self.reference
        self._tried_twice(context.prepare)
        if self._bench.reference is not None:
            self.reference = kept_reference(context, self._bench.reference)
        elif self._bench.batch_through is not None:
            self.reference = self._tried_twice(partial(self._bench.batch_through.serves, context))
        if self.reference is None:
            take = partial(take_reference, context)
            self.reference = take() if context.plan.through_by_hand else self._tried_twice(take)
            tones = self.reference.tones[:1] if self.reference is not None else ()
            by_hand = [through for through in context.plan.throughs if through.select is None]
            for through in by_hand if tones else ():
                inputs = [number for tone in tones for number in tone.inputs]
                self._record_proof(through, LeadsFound(proven=tuple(f"input {n}" for n in inputs)))
        if self.reference is not None:
            self._store.add_reference(self.run_id, self.reference.to_dict())
        self._bench_is_measured = True
        return self.reference

    def _tried_twice(self, step: Callable[[], T]) -> T:
        """Do a step of which no reading is made, once more if the bench failed in it."""
        try:
            return step()
        except TRANSIENT as error:
            self._context.recovery.after(error)
            return step()

    def _record_proof(self, setup: Setup, found: LeadsFound) -> None:
        level = f"{1e3 * LOW_LEVEL_VRMS:.0f} mV"
        if not found.not_proven:
            message = f"proven electrically, at {level} every lead showed what belongs on its pin"
        else:
            doubts = "; ".join(f"{lead} ({why})" for lead, why in found.not_proven.items())
            proven = f"proven electrically at {level}: {', '.join(found.proven)}; " if found.proven else ""
            message = f"{proven}not proven: {doubts}"
        proof = SetupProven(
            setup=setup.name,
            proven=not found.not_proven,
            leads=found.proven,
            not_proven=tuple(found.not_proven),
        )
        self._context.record(proof, f"setup {setup.name!r}: {message}")

    def _record_relay_operations(self) -> None:
        """What the relays did since the last record: a run that is killed loses one setup's at most."""
        now = self._context.operations()
        since = {name: count - self._recorded_operations.get(name, 0) for name, count in now.items()}
        self._context.record(RelaysOperated(operations=since, read_back=self._context.board.reads_back))
        self._recorded_operations = now

    def _energise(self, context: RunContext) -> None:
        now_a = energise(context)
        if self._currents_a is not None:
            check_same_unit(self._currents_a, now_a)
            return
        self._currents_a = now_a
        self._context.record(CurrentsDrawn(currents_a=now_a))

    def _leave_reset(self, context: RunContext) -> None:
        """Leave latching relays reset; a bench that fails now spoils no reading."""
        try:
            context.set_state(None, IDLE_STATE)
        except TRANSIENT as error:
            context.recovery.after(error)
            context.observe(Remark(text="latching relays may still be set: they were not reset at the end"))

    def _walk_through(self, context: RunContext) -> tuple[Reading, ...]:
        """Supply and control lines, then setup after setup; every reading made is kept, however it ends."""
        prove_controls = partial(self._energise, context)
        self._tried_twice(prove_controls)
        if not context.supply_watch.sees:
            context, unknown = record_unknown_currents(context)
            self._readings += unknown
        walk = Walk(context, self.reference, prove_controls)
        second = SecondMeasurement(walk)
        at_fail = None if self._first is None else AtFail(context.plan, self._first, self._readings)
        ended = False
        try:
            for number, visit in enumerate(context.plan.visits, start=1):
                context.observe(SetupBegun(setup=visit.setup, number=number, total=len(context.plan.visits)))
                self._made = visit.setup
                if visit.setup.select is None:
                    context.recorder.catch_up()
                    found = make_by_hand(context, visit.setup, [each.state for each in visit.states])
                    self._record_proof(visit.setup, found)
                    walk.leads.made_by_hand(visit.setup, found)
                walk.measure_setup(visit)
                context.recorder.defer(self._record_relay_operations)
                if visit.setup.select is None:
                    second.confirm([visit])
                if at_fail is not None and at_fail.is_reached(number, walk, second):
                    ended = True
                    break
            second.confirm([visit for visit in context.plan.visits if visit.setup.select is not None])
            second.record_unconfirmed()
            if ended:
                event, self._at_fail = ended_at_fail(
                    self._bench.planned.plan,
                    [*self._readings, *walk.readings],
                    shortest=self._shortest is not None,
                )
                context.record(event, self._at_fail)
            if context.job.module.set_controls:
                self._leave_reset(context)
        except OverCurrentError:
            with suppress(BenchError):  # the safe end tries again, and says so
                context.bench.supply.switch(on=False)
            context.recorder.catch_up()  # captures from before it are the unit's as well
            second.record_unconfirmed()
            raise
        finally:
            self._readings += walk.readings
        return tuple(walk.readings)


def run_one_of_many(
    bench: OpenBench,
    store: RunStore,
    request: RunRequest,
    *,
    hands: Hands | None = None,
    observe: Observer = unobserved,
) -> RunResult:
    """Run a unit of several, and leave the bench open, off and verified, for the next.

    A bench that fails stops this run alone, and is made safe and closed. Raises any other error: a person's
    stop, records that cannot be written; and BenchError if the bench cannot be opened, or cannot be made
    safe.
    """
    run = UnitRun.begin(bench, store, request, hands=hands, observe=observe)
    try:
        with run:
            result = run.complete()
    except BenchError as error:
        bench.close()
        return run.result("stopped", str(error))
    if bench.reference is None and run.plan.through_by_hand:
        bench.reference = run.reference
    elif bench.reference is None:
        used, is_test = bench.batch_through, result.outcome != "stopped" and not request.purpose
        bench.batch_through = BatchThrough.after(run.reference, run.plan, used) if is_test else None
    bench.unit_leaves()
    return result
