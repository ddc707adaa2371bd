"""What the program makes now of the jobs and captures that are kept: plans and readings, as plain rows."""

from typing import Any

import numpy as np

from harness.circuit.elements import BenchImpedances
from harness.job.job import Job
from harness.job.load import load_job
from harness.measure.change import HostTimes, host_edge, line_edge, look_at
from harness.measure.clock import Clock
from harness.measure.reference import Reference
from harness.measure.tone import fit_tones
from harness.measure.tones import choose_tones
from harness.measure.transfer import make_transfer
from harness.plan.build import build_plan
from harness.plan.cycles import levels_of
from harness.plan.model import EdgeAcquisition, HookupVisit, Plan
from harness.plan.supply import expected_current_a
from harness.reading import Reading
from harness.roles import SupplyReading
from harness.session.context import tones_of
from harness.session.edge_readings import EdgeTaken, edge_reading
from harness.session.readings import Measured, make_reading, supply_reading
from harness.session.recorder import Taken
from harness.session.walk import GENERATOR_ACCURACY, drive_rows
from tests.frozen.kept import HERE, Kept, kept_run

IMPEDANCES = BenchImpedances(source_ohm=50.0, input_ohm=1e6, input_f=15e-12)

Row = list[Any]


def job_of(name: str, sequence: str = "sequence.toml") -> Job:
    return load_job(HERE / "jobs" / name, sequence_file=HERE / "jobs" / name / sequence)


def planned(job: Job) -> Plan:
    return build_plan(job, impedances=IMPEDANCES)


def plan_rows(plan: Plan) -> dict[str, list[Row]]:
    """Readings, acquisitions and the order in which they are made."""
    readings: list[Row] = []
    for one in plan.readings:
        known = [
            None if found is None else [found.ohm, found.standard_ohm] for found in (one.source, one.load)
        ]
        readings.append(
            [
                one.check.name, one.quantity, one.state.name, one.driven, one.channel, one.port,
                one.frequency_hz, list(one.acquisitions), one.route, known, _limit(one.limit),
            ]
        )  # fmt: skip
    for edge in plan.edge_readings:
        readings.append(
            [
                edge.check.name, edge.quantity, edge.edge.name, edge.driven, edge.channel, edge.port,
                edge.frequency_hz, [edge.acquisition], "", [None, None], _limit(edge.limit),
            ]
        )  # fmt: skip
    for cycle in plan.cycles:
        levels = [[*one.legs_vrms, one.pair_vrms] for one in (cycle.at_rest, cycle.operated)]
        readings.append(
            [
                cycle.check.name, cycle.quantity, cycle.state.name, cycle.driven, cycle.channel, cycle.port,
                cycle.frequency_hz, [], "", levels, _limit(cycle.limit),
            ]
        )  # fmt: skip
    acquisitions = [[one.number, one.hookup, one.state.name, str(one.stimulus)] for one in plan.acquisitions]
    acquisitions += [
        [
            one.number, one.hookup, one.edge.name, str(one.stimulus), list(one.peaks_v),
            [[*leg.copy, *leg.alone] for leg in one.floating],
        ]
        for one in plan.edges
    ]  # fmt: skip
    visits = [
        [
            visit.hookup.name,
            [
                [here.state.name, [one.number for one in here.acquisitions], here.judges_supply]
                for here in visit.states
            ],
            [one.number for one in visit.edges],
            [[one.channel, one.port, one.line] for one in visit.cycles],
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


def _limit(limit: Any) -> Row | None:
    return None if limit is None else [limit.kind, limit.unit, limit.low, limit.high, limit.relative]


def _parts(values: Any) -> list[float]:
    return [part for value in np.asarray(values).ravel() for part in (float(value.real), float(value.imag))]


def reading_rows(name: str) -> list[Row]:
    """Every reading of a run that its kept captures are enough for."""
    job, kept = job_of(name, "sequence_small.toml"), kept_run(name)
    plan = planned(job)
    return [
        *map(_row, _of_states(job, plan, kept, Reference.from_dict(kept.found["reference"]))),
        *map(_row, _of_currents(job, plan, kept)),
        *map(_row, _of_changes(job, plan, kept)),
        *_levels_of_cycles(plan, kept),
    ]


def noise_readings(job: Job, reference: Reference) -> list[Row]:
    """Those of noise in the two-loop switcher's run, with this bench's own."""
    plan, kept = planned(job), kept_run("two_loop_switcher")
    made = _of_states(job, plan, kept, reference)
    return [_row(one) for one in made if one.quantity == "noise"]


def _of_states(job: Job, plan: Plan, kept: Kept, reference: Reference) -> list[Reading]:
    accuracy = _accuracy(job)
    measured: dict[int, Measured] = {}
    for visit in plan.visits:
        for acquisition in (one for here in visit.states for one in here.acquisitions):
            measured[acquisition.number] = _measured(job, plan, visit, acquisition.number, kept, reference)
    return [
        make_reading(
            one,
            [measured[number] for number in one.acquisitions],
            sequence=job.sequence,
            reference=reference,
            gain_accuracy=accuracy,
            bare=reference.bare,
        )
        for one in plan.readings
        if one.acquisitions
    ]


def _measured(
    job: Job, plan: Plan, visit: HookupVisit, number: int, kept: Kept, reference: Reference
) -> Measured:
    acquisition = next(one for one in plan.acquisitions if one.number == number)
    taken = Taken(capture=kept.capture(number), fit=kept.fit(number), record=number, problems=())
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
            drive_rows=drive_rows(visit),
            gain_accuracy=_accuracy(job),
            generator_accuracy=GENERATOR_ACCURACY,
            acquisition=f"acquisition {number}",
            passive=not job.module.amplifiers,
        )
    return Measured(
        hookup=visit.hookup,
        stimulus=acquisition.stimulus,
        taken=taken,
        transfer=transfer,
        prediction=prediction,
        reason="",
    )


def _of_currents(job: Job, plan: Plan, kept: Kept) -> list[Reading]:
    seen = {
        state: SupplyReading(voltage_v=voltage_v, current_a=current_a, current_standard_a=standard_a)
        for state, current_a, standard_a, voltage_v in kept.found["supply"]
    }
    return [
        supply_reading(
            one, seen[one.state.name], expected_current_a(job.module, one.state), sequence=job.sequence
        )
        for one in plan.readings
        if not one.acquisitions
    ]


def _of_changes(job: Job, plan: Plan, kept: Kept) -> list[Reading]:
    made: list[Reading] = []
    hookups = {visit.hookup.name: visit.hookup for visit in plan.visits}
    for planned_edge in (one for one in plan.edges if str(one.number) in kept.found["edges"]):
        hookup = hookups[planned_edge.hookup]
        taken = EdgeTaken(
            hookup=hookup,
            change=_change(job, planned_edge, hookup, kept),
            record=planned_edge.number,
            reason="",
        )
        made += [
            edge_reading(one, taken, sequence=job.sequence, gain_accuracy=_accuracy(job))
            for one in plan.edge_readings
            if one.acquisition == planned_edge.number
        ]
    return made


def _change(job: Job, acquisition: EdgeAcquisition, hookup: Any, kept: Kept) -> Any:
    """The record looked at; every other time by the computer's clock, as if no input saw the line."""
    found = kept.found["edges"][str(acquisition.number)]
    capture = kept.as_capture(found["capture"], f"edge {acquisition.number}")
    number = hookup.lines_on[acquisition.edge.lines[0]]
    edge = line_edge(capture.volts[capture.inputs.index(number)], capture.interval_s)
    if acquisition.number % 2 == 0:
        edge = host_edge(
            HostTimes(**found["times"]),
            origin_s=capture.origin_s,
            length_s=capture.volts.shape[1] * capture.interval_s,
            board_s=found["board_s"],
        )
    rows = list(range(2 * len(hookup.view)))
    return look_at(
        capture.volts[rows],
        capture.interval_s,
        tones_of(acquisition.stimulus).frequencies_hz,
        step_v=[capture.step_v[row] for row in rows],
        joined=any(
            port.net in job.fixture.loads and job.fixture.loads[port.net].across_ohm is not None
            for port in hookup.view
        ),
        floating=acquisition.floating,
        edge=edge,
        clock=Clock(**found["clock"]),
    )


def _levels_of_cycles(plan: Plan, kept: Kept) -> list[Row]:
    """V RMS on the legs of the port after each step, and between them."""
    rows: list[Row] = []
    for index, found in enumerate(kept.found["cycles"]):
        cycle = next(
            one for one in plan.cycles if (one.channel, one.line) == (found["channel"], found["line"])
        )
        capture = kept.as_capture(found["capture"], f"cycle {index}")
        hz = choose_tones(cycle.stimulus.frequency_hz).hot_hz
        fit = fit_tones(capture.volts, capture.interval_s, [hz], step_v=capture.step_v)
        hookup = next(visit.hookup for visit in plan.visits if visit.hookup.name == cycle.hookup)
        port = [f"{view.channel}.{view.net}" for view in hookup.view].index(f"{cycle.channel}.{cycle.port}")
        levels = levels_of(fit.phasors[:, 0], 2 * port)
        rows.append([cycle.check.name, cycle.line, *levels.legs_vrms, levels.pair_vrms])
    return rows


def _row(reading: Reading) -> Row:
    return [
        reading.check, reading.quantity, reading.state, reading.channel, reading.port, reading.frequency_hz,
        reading.unit, reading.value, reading.standard, reading.low, reading.high, reading.floor,
        reading.expected, reading.expected_standard, reading.limit_low, reading.limit_high, reading.verdict,
        [line.standard for line in reading.budget],
    ]  # fmt: skip


def _accuracy(job: Job) -> float:
    assert job.bench is not None
    return job.bench.oscilloscope.gain_accuracy
