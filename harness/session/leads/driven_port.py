"""What a setup with the driven port in view says of the bench since its through reference."""

from dataclasses import dataclass

import numpy as np

from harness.arrays import Complex, Floats
from harness.circuit.solve import transfer
from harness.errors import CircuitError, ReadingError, SetupError
from harness.faults.effects import FaultyCircuits
from harness.job.faults import single_faults
from harness.job.fixture import Setup
from harness.job.state import IDLE_STATE
from harness.measure.reference import Reference
from harness.measure.tones import Stimulus
from harness.measure.transfer import GENERATOR_ACCURACY, make_transfer
from harness.plan.setups import drive_rows, input_numbers
from harness.reading import Reading
from harness.session.context import RunContext, impedances, peaks_of
from harness.session.recorder import CaptureRequest
from harness.session.through import LEAST_DB, SURE

CROSSED = 0.05  # of the drive, in the other leg: what is not the same as before
LIVE = 0.1  # of the e.m.f.: an input that is to show less says little of itself


@dataclass(frozen=True, kw_only=True)
class DrivenPort:
    """What a setup with the driven port in view says of the bench since the through reference.

    moved: what has changed, "" if nothing is seen. as_before: the inputs that show what they should.
    """

    moved: str
    as_before: frozenset[int]


def inputs_of(reading: Reading, setup: Setup) -> frozenset[int]:
    """The inputs that show a reading's port in a setup; 0 as well for what cannot be seen in it."""
    numbers = input_numbers(setup)
    ports = [port for port in setup.view if str(port) == reading.key.measurand.pair]
    if reading.setup != setup.name or not ports:
        return frozenset({0, *numbers})
    return frozenset(numbers[row] for row in setup.rows(ports[0]))


def look_at_driven_port(context: RunContext, reference: Reference, setup: Setup) -> DrivenPort:
    """Compare what is driven, and what arrives, with the reference: complex, in the setup that is made."""
    rows = drive_rows(setup)
    stimulus = next(iter(context.plan.stimuli), None)
    if rows is None or stimulus is None:
        return DrivenPort(moved="", as_before=frozenset())
    emf_vrms = (stimulus.level_vrms / 2, stimulus.level_vrms / 2)
    context.set_state(setup, IDLE_STATE)
    prediction = context.predict(setup, IDLE_STATE, stimulus)
    peaks_v = peaks_of(setup, prediction, stimulus.level_vrms)
    context.drive.apply(stimulus)
    request = CaptureRequest(
        setup=setup, state=IDLE_STATE, stimulus=stimulus, peaks_v=peaks_v, purpose="driven port"
    )
    try:
        fitted = context.recorder.take(request)
    except ReadingError as error:
        raise SetupError(f"setup {setup.name!r}: {error}", instrument="the wiring") from error
    finally:
        context.drive.silence()
    seen = make_transfer(
        fitted.capture,
        fitted.fit,
        emf_vrms=emf_vrms,
        reference=reference.at(fitted.fit.frequencies_hz[:2], emf_vrms),
        prediction=prediction.transfer,
        drive_rows=rows,
        gain_accuracy=context.gain_accuracy,
        generator_accuracy=GENERATOR_ACCURACY,
        level_drifts=context.level_drifts,
        acquisition="driven port",
        passive=not context.job.module.may_invert,
    )
    square = seen.square + (np.abs(prediction.spreads) ** 2).sum(axis=0)
    every = np.arange(len(seen.values))
    legs = every % 2
    own, expected = seen.values[every, legs], prediction.transfer[every, legs]
    allowed = np.maximum((10 ** (LEAST_DB / 20) - 1) * np.abs(expected), SURE * np.sqrt(square[every, legs]))
    right = np.abs(own - expected) <= allowed
    live = np.abs(expected) > LIVE
    numbers = input_numbers(setup)
    as_before = frozenset(numbers[row] for row in every if right[row] and live[row])
    driven = list(rows)
    changes_db = 20 * np.log10(np.maximum(np.abs(own[driven] / expected[driven]), 1e-6))
    moved = ""
    alike = abs(changes_db[0] - changes_db[1]) < max(LEAST_DB, 0.1 * abs(changes_db[0]))
    # Legs that the unit shorts are alike as well, and show each other's tone.
    others = (every[driven], 1 - legs[driven])
    crossed = np.abs(seen.values[others]) - np.abs(prediction.transfer[others])
    if (
        not right[driven].any()
        and alike
        and np.all(np.abs(crossed) < CROSSED)
        and not _may_be_units(context, setup, stimulus, own[driven], allowed[driven])
    ):
        moved = (
            f"the level at both legs of the driven port {setup.drive} is {changes_db.mean():+.2f} dB from "
            "that in the through reference"
        )
    return DrivenPort(moved=moved, as_before=as_before)


def _may_be_units(
    context: RunContext, setup: Setup, stimulus: Stimulus, own: Complex, allowed: Floats
) -> bool:
    """Whether a fault of the unit loads the driven port so that its legs show this; shapes (2,)."""
    job, bench = context.job, context.bench
    circuits = FaultyCircuits(job.module, job.fixture, impedances(bench.generator, bench.oscilloscope))
    rows = list(drive_rows(setup) or ())
    for fault in single_faults(job.module, job.fixture, contact_ohm=()):
        try:
            made = transfer(circuits.of((fault,), setup, IDLE_STATE), stimulus.tones.frequencies_hz[:2])
        except CircuitError:
            continue
        if np.all(np.abs(made[rows, [0, 1]] - own) <= allowed):
            return True
    return False
