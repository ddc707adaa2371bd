"""From the records back to what a run measured: its job, its plan, its transfers with their uncertainty.

And recorded readings judged by another sequence: their values and intervals as they were, its limits.

A run is read with the job files that it was made with, whatever has become of the folder since.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from harness.errors import JobError, ReadingError, RecordsError
from harness.faults.diagnosis import telling
from harness.faults.evidence import Evidence, JudgedChange, JudgedCycle, Moved, SupplyTrial, gather
from harness.job.job import BENCH, FIXTURE, MODULE, SEQUENCE, Job, load_job
from harness.job.sequence import CheckSequence
from harness.judge import judge, judge_polarity, limits_for
from harness.measure.clock import EXACT_CLOCK
from harness.measure.reference import Reference
from harness.measure.tone import ToneFit
from harness.measure.transfer import GENERATOR_ACCURACY, Transfer, make_transfer
from harness.plan.model import Acquisition, Plan, Planned, SetupVisit
from harness.plan.pulses import control_line_states, pulses_in
from harness.plan.setups import drive_rows, input_numbers
from harness.plan.states import limit_of
from harness.quantities.change import as_of_change
from harness.quantities.registry import QUANTITIES
from harness.reading import (
    InputRefused,
    LeadOrUnit,
    Limit,
    Measurand,
    MeasuredAgain,
    NotConfirmed,
    NothingMoved,
    OperationFailed,
    Reading,
)
from harness.records.run import (
    AcquisitionRecord,
    EndedAtFail,
    Event,
    OverCurrent,
    Remembered,
    RunEvent,
    RunRecord,
    ShortestRun,
)
from harness.records.store import RunStore
from harness.roles import Capture

JOB_FILES = (MODULE, FIXTURE, SEQUENCE, BENCH)


def refuse_upgraded(record: RunRecord, what: str) -> None:
    """Refuse what needs all that this version records, of a run that an older one recorded.

    Raises RecordsError that names the version.
    """
    if record.upgraded:
        version = record.header.software_version
        raise RecordsError(
            f"run {record.run_id} was recorded by switchwalk {version}, which kept less of it than {what} "
            f"needs. Use switchwalk {version} with the copy of the records from before they were brought up, "
            "or test the unit again"
        )


def recorded_job(record: RunRecord) -> Job:
    """Read the job files that a run was made with. Raises RecordsError where they no longer read."""
    with TemporaryDirectory(prefix="switchwalk-") as name_of_folder:
        folder = Path(name_of_folder)
        bench: Path | None = None
        # They are recorded in this order; a bench, a fixture or a sequence in use may have had any name.
        for name, file in zip(JOB_FILES, record.header.files, strict=False):
            (folder / name).write_text(file.text, encoding="utf-8")
            bench = folder / name if name == BENCH else bench
        try:
            return load_job(folder, bench)
        except JobError as error:
            raise RecordsError(
                f"run {record.run_id}: its recorded job files do not read with this version of switchwalk:\n"
                f"{error}\nUse the version that made the run, {record.header.software_version}"
            ) from error


@dataclass(frozen=True, kw_only=True)
class StoredRun:
    """What the records keep of a run."""

    record: RunRecord
    readings: Sequence[Reading]
    acquisitions: Mapping[int, AcquisitionRecord]
    references: Sequence[Mapping[str, object]]
    events: Sequence[RunEvent[Event | Remembered]] = ()

    @property
    def over_current(self) -> OverCurrent | None:
        """Where the supply went to its limit; None if it didn't."""
        events = [item.event for item in self.events if isinstance(item.event, OverCurrent)]
        return events[-1] if events else None


def stored_run(store: RunStore, record: RunRecord) -> StoredRun:
    """Read all of a run but its waveforms. Raises RecordsError, also for one of an older version."""
    refuse_upgraded(record, "a diagnosis")
    return StoredRun(
        record=record,
        readings=store.readings(record.run_id),
        acquisitions=store.acquisitions(record.run_id),
        references=store.references(record.run_id),
        events=store.events(record.run_id),
    )


def evidence_of(job: Job, plan: Plan, stored: StoredRun) -> Evidence:
    """Make the transfers of a run again, as its walk did, and collect what the supply gave."""
    reference = Reference.from_dict(stored.references[-1]) if stored.references else None
    made: list[Acquisition] = []
    transfers: list[Transfer] = []
    rows: list[list[int]] = []
    notes: list[str] = []
    # The last of each; those that are not of the plan have no number.
    records = {
        (record.setup, record.state, record.stimulus): record
        for record in stored.acquisitions.values()
        if record.number
    }
    lost = _refused(stored)
    in_part = any(isinstance(item.event, ShortestRun | EndedAtFail) for item in stored.events)
    made_numbers = {record.number for record in records.values()} if in_part else None
    wanted = {acquisition.number for acquisition in telling(plan, job, made_numbers)}
    for visit in plan.visits:
        for acquisition in (one for state in visit.states for one in state.acquisitions):
            if acquisition.number not in wanted:
                continue
            record = records.get((acquisition.setup, acquisition.state.name, acquisition.stimulus))
            if record is None:
                continue
            try:
                transfers.append(_transfer(job, plan, visit, acquisition, record, reference))
                made.append(acquisition)
                inputs = input_numbers(visit.setup)
                rows.append([inputs.index(n) for n in lost.get(record.number, ()) if n in inputs])
            except ReadingError as error:
                notes.append(f"{acquisition.setup} in state {acquisition.state.name}: {error}")
    if records and not made:
        notes.append("none of the recorded acquisitions belongs to the plan that this version makes")
    quantities = [(reading, QUANTITIES[reading.key.measurand.quantity]) for reading in stored.readings]
    supply_a = {
        reading.key.measurand.state: reading.estimate.value
        for reading, quantity in quantities
        if quantity.family == "supply" and reading.estimate is not None
    }
    return replace(
        gather(made, transfers, lost=rows, supply_a=supply_a),
        trials=tuple(_trials(job, stored)),
        notes=tuple(notes),
        changes=tuple(_changes(plan, stored.readings)),
        cycles=tuple(_cycles(plan, stored.readings)),
        unweighed=Counter(
            quantity.name
            for reading, quantity in quantities
            if not quantity.weighed and reading.verdict == "fail"
        ),
    )


def _judged(planned: Iterable[Planned], readings: Iterable[Reading]) -> Iterator[tuple[Planned, Reading]]:
    """Planned readings, each with the reading that was made of it, where one was."""
    made = {reading.key: reading for reading in readings}
    for one in planned:
        if one.key in made:
            yield one, made[one.key]


def _changes(plan: Plan, readings: Iterable[Reading]) -> Iterator[JudgedChange]:
    """What the judged readings of changes of state say; those that prove nothing are left out."""
    for planned, reading in _judged(plan.change_readings, readings):
        moved = _moved(planned, reading)
        if moved is not None:
            yield JudgedChange(reading=planned, moved=moved)


def _cycles(plan: Plan, readings: Iterable[Reading]) -> Iterator[JudgedCycle]:
    """What became of lines that were operated again and again, where they were to the end."""
    for planned, reading in _judged(plan.cycles, readings):
        if reading.estimate is not None:
            failed = [fact for fact in reading.facts if isinstance(fact, OperationFailed)]
            yield JudgedCycle(
                cycle=planned,
                failed=reading.estimate.value,
                missed=frozenset((fact.step, fact.shown) for fact in failed),
                judged=reading.verdict == "fail",
            )


def _moved(planned: Planned, reading: Reading) -> Moved | None:
    if reading.verdict == "pass":
        return "fine"
    if reading.verdict != "fail":
        return None
    if any(isinstance(fact, NothingMoved) for fact in reading.facts):
        return "still"
    return as_of_change(planned.quantity).fails_as


def _refused(stored: StoredRun) -> dict[int, set[int]]:
    """By acquisition, the inputs that no reading could be made from: clipped, or with a foreign signal.

    A reading that is missing for want of a signal is another thing: that the signal is missing tells much.
    """
    result: dict[int, set[int]] = {}
    for reading in stored.readings:
        inputs = {fact.input for fact in reading.facts if isinstance(fact, InputRefused)}
        for record in reading.acquisitions if inputs else ():
            if record in stored.acquisitions:
                result.setdefault(stored.acquisitions[record].number, set()).update(inputs)
    return result


def _transfer(
    job: Job,
    plan: Plan,
    visit: SetupVisit,
    acquisition: Acquisition,
    record: AcquisitionRecord,
    reference: Reference | None,
) -> Transfer:
    emf_vrms = (acquisition.stimulus.level_vrms / 2, acquisition.stimulus.level_vrms / 2)
    tones = None if reference is None else reference.at(record.frequencies_hz[:2], emf_vrms)
    return make_transfer(
        _capture(record, input_numbers(visit.setup)),
        _fit(record),
        emf_vrms=emf_vrms,
        reference=tones,
        prediction=plan.predictions[acquisition.number].transfer,
        drive_rows=drive_rows(visit.setup),
        gain_accuracy=job.bench.oscilloscope.gain_accuracy if job.bench else 0.0,
        generator_accuracy=GENERATOR_ACCURACY,
        level_drifts=job.bench.level_drifts if job.bench else (0.0, 0.0),
        acquisition=f"acquisition {acquisition.number}",
        passive=not job.module.may_invert,
    )


def _capture(record: AcquisitionRecord, inputs: tuple[int, ...]) -> Capture:
    """The capture without its samples; inputs: in the order of its rows."""
    unknown = (0.0,) * len(inputs)
    return Capture(
        inputs=inputs,
        volts=np.zeros((len(inputs), 0)),
        interval_s=record.setting.duration_s / record.setting.samples,
        full_scale_v=unknown,
        step_v=unknown,
        clipped=(0,) * len(inputs),
        setting=record.setting,
    )


def _fit(record: AcquisitionRecord) -> ToneFit:
    """The fit, its noise from what the sines left over: in RMS volts σ/√N for each part of a phasor."""
    residual = np.asarray(record.residuals_vrms)
    samples = record.setting.samples
    standard = np.repeat(residual[:, None] / np.sqrt(samples), len(record.frequencies_hz), axis=1)
    nothing = np.zeros(len(residual))
    return ToneFit(
        frequencies_hz=record.frequencies_hz,
        phasors=record.phasors,
        standard=standard,
        correlation=np.zeros(len(residual) // 2, dtype=np.complex128),
        offset_v=nothing,
        offset_standard_v=nothing,
        residual_v=residual,
        noise_v=residual,
        quiet_v=residual,
        hum_v=nothing,
        lines_v=nothing,
        line_hz=nothing,
        clock=EXACT_CLOCK,
        duration_s=record.setting.duration_s,
        samples=samples,
    )


def _trials(job: Job, stored: StoredRun) -> Iterator[SupplyTrial]:
    """What the records tell of the supply's limit: where it was reached, and the control lines proven before
    that.
    """
    lines = control_line_states(job.module)
    result = stored.over_current
    preflight = not stored.readings and not any(record.number for record in stored.acquisitions.values())
    if result is None and preflight:
        return
    for state in lines:
        limited = preflight and result is not None and state.name == result.state
        yield SupplyTrial(
            state=state,
            limit_a=limit_of(job.module, state),
            limited=limited,
            voltage_v=result.voltage_v if limited and result is not None else None,
        )
        if limited:
            return
    for state in (*job.sequence.states, *pulses_in(job.module, job.sequence.states)):
        if result is not None and state.name == result.state:
            yield SupplyTrial(state=state, limit_a=result.limit_a, limited=True, voltage_v=result.voltage_v)


@dataclass(frozen=True, kw_only=True)
class Rejudged:
    """What another sequence makes of a run.

    pairs: each recorded reading as it was, and as it is judged now. absent: what the sequence asks for and
    the run has not measured. unasked: readings that the sequence does not ask for.
    """

    pairs: tuple[tuple[Reading, Reading], ...]
    absent: tuple[Planned, ...]
    unasked: tuple[Reading, ...]


def judge_again(plan: Plan, recorded: Sequence[Reading], *, sequence: CheckSequence) -> Rejudged:
    """Find the recorded reading of each one that is planned now, and judge it by the new limit.

    The same measurand makes it the same reading; the check may have another name, and where several are the
    same the one whose check has the same name comes first.
    """
    unmatched: dict[Measurand, list[Reading]] = {}
    for reading in recorded:
        unmatched.setdefault(reading.key.measurand, []).append(reading)
    pairs: list[tuple[Reading, Reading]] = []
    absent: list[Planned] = []
    for planned in plan.readings:
        key = planned.key
        same = unmatched.get(key.measurand, [])
        if not same:
            absent.append(planned)
            continue
        before = next((reading for reading in same if reading.key == key), same[0])
        same.remove(before)
        pairs.append((before, _rejudged(planned, before, sequence)))
    matched = {id(before) for before, _ in pairs}
    unasked = tuple(reading for reading in recorded if id(reading) not in matched)
    return Rejudged(pairs=tuple(pairs), absent=tuple(absent), unasked=unasked)


def _is_uncertain(reading: Reading) -> bool:
    """Whether two measurements differ, or there is only one that failed, or a lead would explain it: no limit
    makes that a verdict.
    """
    if any(isinstance(fact, NotConfirmed | LeadOrUnit) for fact in reading.facts):
        return True
    again = (fact for fact in reading.facts if isinstance(fact, MeasuredAgain))
    return reading.verdict == "unproven" and any(fact.verdict != fact.again_verdict for fact in again)


def _rejudged(planned: Planned, reading: Reading, sequence: CheckSequence) -> Reading:
    """The same value by the new limit; what was missing stays missing, for its old reason."""
    renamed = replace(reading, key=planned.key, limit_low=None, limit_high=None)
    result = reading.estimate
    if result is None:
        return replace(renamed, verdict="missing")
    expected = reading.expected.value if reading.expected else None
    if planned.quantity.limits is None and _is_uncertain(reading):
        return replace(renamed, verdict="unproven", reason=reading.reason)
    if planned.quantity.limits is None:
        return replace(renamed, verdict=judge_polarity(result.value, expected or 0.0))
    limit = planned.limit or Limit(kind="between", unit=reading.unit)
    try:
        low, high = limits_for(limit, expected)
    except ReadingError as error:
        return replace(renamed, verdict="missing", reason=str(error))
    uncertainty = 0.0
    if reading.expected and limit.kind == "within":
        uncertainty = reading.expected.standard or 0.0
    verdict = judge(result, low, high, decision=sequence.decision, expected_standard=uncertainty)
    if _is_uncertain(reading):
        return replace(renamed, limit_low=low, limit_high=high, verdict="unproven", reason=reading.reason)
    reason = "the limit is inside the uncertainty interval" if verdict == "unproven" else ""
    return replace(renamed, limit_low=low, limit_high=high, verdict=verdict, reason=reason)
