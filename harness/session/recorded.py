"""From the records back to what a run measured: its job, its plan, its transfers with their uncertainty.

A run is read with the job files that it was made with, whatever has become of the folder since.
"""

import json
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from harness.errors import JobError, ReadingError, RecordsError
from harness.faults.diagnosis import telling
from harness.faults.observed import CycleSeen, EdgeSeen, Evidence, Moved, SupplyTrial, gather
from harness.job.job import Job
from harness.job.load import BENCH, FIXTURE, MODULE, SEQUENCE, load_job
from harness.job.state import State
from harness.measure.clock import EXACT_CLOCK
from harness.measure.reference import Reference
from harness.measure.tone import ToneFit
from harness.measure.transfer import Transfer, make_transfer
from harness.plan.model import Acquisition, HookupVisit, Plan
from harness.plan.supply import limit_of
from harness.reading import Reading
from harness.records.run import AcquisitionRecord, RunEvent, RunRecord
from harness.roles import Capture
from harness.session.inputs import input_numbers
from harness.session.walk import GENERATOR_ACCURACY, drive_rows

UNWEIGHED = (
    "noise",
    "distortion",
    "offset",
    "click_peak",
    "click_energy",
    "click_duration",
)  # no linear circuit foretells them
JOB_FILES = (MODULE, FIXTURE, SEQUENCE, BENCH)
_INPUT = re.compile(r"\binput (\d+) ")
_MISSED = re.compile(r"no\. \d+ (released|operated): (hot leg|cold leg|between the legs)")


def recorded_job(record: RunRecord) -> Job:
    """Read the job files that a run was made with. Raises RecordsError where they no longer read."""
    with TemporaryDirectory(prefix="switchwalk-") as place:
        folder = Path(place)
        bench: Path | None = None
        # They are kept in this order; a bench, a fixture or a sequence in use may have had any name.
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
class Kept:
    """What the records keep of a run."""

    record: RunRecord
    readings: Sequence[Reading]
    acquisitions: Mapping[int, AcquisitionRecord]
    references: Sequence[Mapping[str, object]]
    events: Sequence[RunEvent] = ()

    @property
    def over_current(self) -> Mapping[str, Any] | None:
        """Where the supply went to its limit: state, limit_a, current_a, voltage_v; None where it didn't."""
        told = [event.text for event in self.events if event.kind == "over-current"]
        return json.loads(told[-1]) if told else None


def evidence_of(job: Job, plan: Plan, kept: Kept) -> Evidence:
    """Make the transfers of a run again, as its walk did, and collect what the supply gave."""
    reference = Reference.from_dict(kept.references[-1]) if kept.references else None
    made: list[Acquisition] = []
    transfers: list[Transfer] = []
    rows: list[list[int]] = []
    notes: list[str] = []
    records = _latest(kept.acquisitions.values())
    lost = _refused(kept)
    wanted = {acquisition.number for acquisition in telling(plan, job)}
    for visit in plan.visits:
        for acquisition in (one for here in visit.states for one in here.acquisitions):
            if acquisition.number not in wanted:
                continue
            record = records.get((acquisition.hookup, acquisition.state.name, str(acquisition.stimulus)))
            if record is None:
                continue
            try:
                transfers.append(_transfer(job, plan, visit, acquisition, record, reference))
                made.append(acquisition)
                inputs = input_numbers(visit.hookup)
                rows.append([inputs.index(n) for n in lost.get(record.number, ()) if n in inputs])
            except ReadingError as error:
                notes.append(f"{acquisition.hookup} in state {acquisition.state.name}: {error}")
    if records and not made:
        notes.append("none of the recorded acquisitions belongs to the plan that this version makes")
    return gather(
        made,
        transfers,
        lost=rows,
        supply_a={
            reading.state: reading.value
            for reading in kept.readings
            if reading.quantity == "supply_current" and reading.value is not None
        },
        trials=tuple(_trials(job, kept)),
        notes=notes,
        edges=tuple(_edges(plan, kept.readings)),
        cycles=tuple(_cycles(plan, kept.readings)),
        unweighed=Counter(
            reading.quantity
            for reading in kept.readings
            if reading.quantity in UNWEIGHED and reading.verdict == "fail"
        ),
    )


def _edges(plan: Plan, readings: Iterable[Reading]) -> Iterator[EdgeSeen]:
    """What the judged readings of changes of state say; those that prove nothing are left out."""
    judged = {_place(one): one for one in readings}
    for planned in plan.edge_readings:
        key = (planned.check.name, planned.quantity, planned.edge.name, planned.channel, planned.port)
        reading = judged.get(key)
        moved = None if reading is None else _moved(reading)
        if moved is not None:
            yield EdgeSeen(reading=planned, moved=moved)


def _cycles(plan: Plan, readings: Iterable[Reading]) -> Iterator[CycleSeen]:
    """What became of lines that were operated again and again, where they were to the end."""
    judged = {_place(one): one for one in readings}
    for planned in (cycle for visit in plan.visits for cycle in visit.cycles):
        key = (planned.check.name, planned.quantity, planned.state.name, planned.channel, planned.port)
        reading = judged.get(key)
        if reading is not None and reading.value is not None:
            yield CycleSeen(
                cycle=planned,
                failed=reading.value,
                missed=frozenset(_MISSED.findall(reading.reason)),
                judged=reading.verdict == "fail",
            )


def _place(reading: Reading) -> tuple[str, str, str, str, str]:
    return reading.check, reading.quantity, reading.state, reading.channel, reading.port


def _moved(reading: Reading) -> Moved | None:
    if reading.verdict == "pass":
        return "fine"
    if reading.verdict != "fail":
        return None
    match reading.quantity:
        case "operate_time" | "release_time":
            return "still" if reading.high == inf else "late"
        case "bounce":
            return "bounces"
        case "gap" if reading.floor:
            return "still"
        case _:
            return None


def _latest(records: Iterable[AcquisitionRecord]) -> dict[tuple[str, str, str], AcquisitionRecord]:
    """The last of each; those that only prove leads have no number."""
    return {(record.hookup, record.state, record.stimulus): record for record in records if record.number}


def _refused(kept: Kept) -> dict[int, set[int]]:
    """By acquisition, the inputs that no reading could be made from: clipped, or with a foreign signal.

    A reading that is missing for want of a signal is another thing: that the signal is missing tells much.
    """
    found: dict[int, set[int]] = {}
    for reading in kept.readings:
        inputs = {int(number) for number in _INPUT.findall(reading.reason)}
        if reading.verdict == "missing" and inputs:
            for record in reading.acquisitions:
                if record in kept.acquisitions:
                    found.setdefault(kept.acquisitions[record].number, set()).update(inputs)
    return found


def _transfer(
    job: Job,
    plan: Plan,
    visit: HookupVisit,
    acquisition: Acquisition,
    record: AcquisitionRecord,
    reference: Reference | None,
) -> Transfer:
    emf_vrms = (acquisition.stimulus.level_vrms / 2, acquisition.stimulus.level_vrms / 2)
    tones = None if reference is None else reference.at(record.frequencies_hz[:2], emf_vrms)
    return make_transfer(
        _capture(record, input_numbers(visit.hookup)),
        _fit(record),
        emf_vrms=emf_vrms,
        reference=tones,
        prediction=plan.predictions[acquisition.number].transfer,
        drive_rows=drive_rows(visit),
        gain_accuracy=job.bench.oscilloscope.gain_accuracy if job.bench else 0.0,
        generator_accuracy=GENERATOR_ACCURACY,
        acquisition=f"acquisition {acquisition.number}",
        passive=not job.module.amplifiers,
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


def _trials(job: Job, kept: Kept) -> Iterator[SupplyTrial]:
    """What the records tell of the supply's limit: where it was reached, and the lines proven before that."""
    lines = (State(on=()), *(State(on=(line,)) for line in job.module.line_names))
    found = kept.over_current
    short = found["state"] if found else ""
    preflight = not kept.readings and not any(record.number for record in kept.acquisitions.values())
    if not found and preflight:
        return
    for state in lines:
        limited = preflight and state.name == short
        yield SupplyTrial(
            state=state,
            limit_a=limit_of(job.module, state),
            limited=limited,
            voltage_v=found["voltage_v"] if limited and found else None,
        )
        if limited:
            return
    for state in job.sequence.states:
        if state.name == short and found:
            yield SupplyTrial(
                state=state,
                limit_a=found["limit_a"],
                limited=True,
                voltage_v=found["voltage_v"],
            )
