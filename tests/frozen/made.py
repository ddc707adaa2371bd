"""What the program makes now of the jobs and captures that are kept: plans and readings, as plain rows."""

from typing import Any

import numpy as np

from harness.circuit.elements import BenchImpedances
from harness.job.job import Job, load_job
from harness.measure.reference import Reference
from harness.measure.tone import fit_tones
from harness.measure.transfer import GENERATOR_ACCURACY, make_transfer
from harness.plan.build import build_plan
from harness.plan.model import Plan, SetupVisit
from harness.plan.setups import drive_rows
from harness.quantities.cycle import OfOperations, levels_of
from harness.quantities.quantity import PlannedReading
from harness.quantities.steady import OfTransfers
from harness.reading import Reading
from harness.roles import SupplyReading
from harness.session.instruments import NotTaken
from harness.session.recorder import FittedCapture, Measured, make_reading, make_state_reading
from tests.frozen.kept import HERE, Kept, kept_run

IMPEDANCES = BenchImpedances(source_ohm=50.0, source_tolerance=0.0, input_ohm=1e6, input_f=15e-12)

Row = list[Any]

SINCE = ("leg_isolation",)
"""Quantities that there were not then."""


def job_of(name: str, sequence: str = "sequence.toml") -> Job:
    return load_job(HERE / "jobs" / name, sequence_file=HERE / "jobs" / name / sequence)


def planned(job: Job) -> Plan:
    return build_plan(job, impedances=IMPEDANCES)


def plan_rows(plan: Plan) -> dict[str, list[Row]]:
    """Readings, acquisitions and the order in which they are made."""
    readings = [_planned(reading) for reading in plan.readings if reading.quantity.name not in SINCE]
    acquisitions = [
        [acquisition.number, acquisition.setup, acquisition.state.name, str(acquisition.stimulus)]
        for acquisition in plan.acquisitions
    ]
    acquisitions += [[change.number, change.setup, change.change.name] for change in plan.changes]
    visits = [
        [
            visit.setup.name,
            [
                [
                    state.state.name,
                    [acquisition.number for acquisition in state.acquisitions],
                    state.judges_supply,
                ]
                for state in visit.states
            ],
            [change.number for change in visit.changes],
            [[cycle.measurand.channel, cycle.measurand.port, cycle.given.control] for cycle in visit.cycles],
        ]
        for visit in plan.visits
    ]
    predictions = [
        [number, _parts(made.transfer), float(np.abs(made.spreads).sum())]
        for number, made in sorted(plan.predictions.items())
    ]
    return {
        "readings": readings,
        "acquisitions": acquisitions,
        "visits": visits,
        "predictions": predictions,
        "stimuli": [[str(stimulus) for stimulus in plan.stimuli]],
    }


def _planned(one: PlannedReading[Any]) -> Row:
    known: Row = [None, None]
    driven = one.measurand.driven.partition(".")[0] or one.measurand.channel  # none was needed then
    if isinstance(one.given, OfTransfers):
        both = (one.given.source, one.given.load)
        known = [None if result is None else [result.ohm, result.standard_ohm] for result in both]
    if isinstance(one.given, OfOperations):
        known = [[*levels.legs_vrms, levels.pair_vrms] for levels in (one.given.released, one.given.operated)]
    return [
        one.key.check, one.quantity.name, one.measurand.state, driven, one.measurand.channel,
        one.measurand.port, one.measurand.frequency_hz, list(one.captures), one.route, known,
        _limit(one.limit),
    ]  # fmt: skip


def _limit(limit: Any) -> Row | None:
    return None if limit is None else [limit.kind, limit.unit, limit.low, limit.high, limit.relative]


def _parts(values: Any) -> list[float]:
    return [part for value in np.asarray(values).ravel() for part in (float(value.real), float(value.imag))]


def reading_rows(name: str) -> list[Row]:
    """Every reading of a run that its kept captures are enough for."""
    job, kept = job_of(name, "sequence_small.toml"), kept_run(name)
    plan = planned(job)
    return [
        *map(_row, _of_states(job, plan, kept, Reference.from_dict(kept.result["reference"]))),
        *map(_row, _of_currents(job, plan, kept)),
        *_levels_of_cycles(plan, kept),
    ]


def noise_readings(job: Job, reference: Reference) -> list[Row]:
    """Those of noise in the two-loop switcher's run, with this bench's own."""
    plan, kept = planned(job), kept_run("two_loop_switcher")
    made = _of_states(job, plan, kept, reference)
    return [_row(one) for one in made if one.key.measurand.quantity == "noise"]


def _of_states(job: Job, plan: Plan, kept: Kept, reference: Reference) -> list[Reading]:
    accuracy = _accuracy(job)
    measured: dict[int, Measured] = {}
    for visit in plan.visits:
        for acquisition in (one for state in visit.states for one in state.acquisitions):
            measured[acquisition.number] = _measured(job, plan, visit, acquisition.number, kept, reference)
    return [
        make_state_reading(
            one,
            [measured[number] for number in one.captures],
            sequence=job.sequence,
            reference=reference,
            gain_accuracy=accuracy,
        )
        for one in plan.of("steady", "residual")
        if one.quantity.name not in SINCE
    ]


def _measured(
    job: Job, plan: Plan, visit: SetupVisit, number: int, kept: Kept, reference: Reference
) -> Measured:
    acquisition = next(one for one in plan.acquisitions if one.number == number)
    taken = FittedCapture(capture=kept.capture(number), fit=kept.fit(number), record=number, problems=())
    prediction = plan.predictions.get(number)
    transfer = None
    if prediction is not None and acquisition.stimulus.kind == "pair":
        emf_vrms = (acquisition.stimulus.level_vrms / 2, acquisition.stimulus.level_vrms / 2)
        transfer = make_transfer(
            taken.capture,
            taken.fit,
            emf_vrms=emf_vrms,
            reference=reference.at(taken.fit.frequencies_hz[:2], emf_vrms),
            prediction=prediction.transfer,
            drive_rows=drive_rows(visit.setup),
            gain_accuracy=_accuracy(job),
            generator_accuracy=GENERATOR_ACCURACY,
            acquisition=f"acquisition {number}",
            passive=not job.module.amplifiers,
        )
    return Measured(
        setup=visit.setup,
        stimulus=acquisition.stimulus,
        fitted=taken,
        transfer=transfer,
        prediction=prediction,
        missing=NotTaken(reason=""),
    )


def _of_currents(job: Job, plan: Plan, kept: Kept) -> list[Reading]:
    seen = {
        "idle" if state == "rest" else state: SupplyReading(
            voltage_v=voltage_v, current_a=current_a, current_standard_a=standard_a
        )
        for state, current_a, standard_a, voltage_v in kept.result["supply"]
    }
    return [
        make_reading(one, [seen[one.measurand.state]], sequence=job.sequence) for one in plan.of("supply")
    ]


def _levels_of_cycles(plan: Plan, kept: Kept) -> list[Row]:
    """V RMS on the legs of the port after each step, and between them."""
    rows: list[Row] = []
    for index, result in enumerate(kept.result["cycles"]):
        cycle = next(
            one
            for one in plan.cycles
            if (one.measurand.channel, one.given.control) == (result["channel"], result["line"])
        )
        capture = kept.as_capture(result["capture"], f"cycle {index}")
        hz = cycle.given.stimulus.tones.hot_hz
        fit = fit_tones(capture.volts, capture.interval_s, [hz], step_v=capture.step_v)
        levels = levels_of(fit.phasors[:, 0], cycle.given.rows)
        rows.append([cycle.key.check, cycle.given.control, *levels.legs_vrms, levels.pair_vrms])
    return rows


def _row(reading: Reading) -> Row:
    one, result, expected = reading.key.measurand, reading.estimate, reading.expected
    values = [None] * 4 if result is None else [result.value, result.standard, result.low, result.high]
    wanted = [None, None] if expected is None else [expected.value, expected.standard]
    return [
        reading.key.check, one.quantity, one.state, one.channel, one.port, one.frequency_hz, reading.unit,
        *values, result is not None and result.floor, *wanted,
        reading.limit_low, reading.limit_high, reading.verdict,
        [] if result is None else [line.standard for line in result.budget],
    ]  # fmt: skip


def _accuracy(job: Job) -> float:
    assert job.bench is not None
    return job.bench.oscilloscope.gain_accuracy
