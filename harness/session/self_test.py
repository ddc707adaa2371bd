"""Whether each instrument obeys: settings, read back and measured; and the bench's through signal.

Each function returns a sentence on what was done and measured, and raises BenchError if the instrument does
not obey. Nothing louder than 50 mV is driven, and a unit in the fixture has no control line energised while
its supply is on.
"""

import time
from functools import partial
from math import log, sqrt

import numpy as np

from harness.circuit.predict import predict
from harness.errors import BenchError, SetupError
from harness.job.fixture import Setup
from harness.job.job import Job
from harness.job.state import IDLE_STATE, UNPOWERED_STATE
from harness.measure.captures import pick_range, together
from harness.measure.tones import Stimulus
from harness.plan.states import limit_of
from harness.roles import (
    Capture,
    CaptureSetting,
    Generator,
    InputSetting,
    Oscilloscope,
    Supply,
    Switchboard,
)
from harness.session.context import impedances
from harness.session.instruments import Drive, leg_vpp
from harness.session.supply_watch import VOLTAGE_HELD
from harness.session.through import LOW_LEVEL_VRMS, lead_problems

TONE = Stimulus(kind="pair", frequency_hz=1e3, level_vrms=LOW_LEVEL_VRMS)
RANGES = (0.1, 0.02)  # volts per division asked for, with a plain lead: the nearest there are
QUIET_SCREEN = 0.25  # of the screen: more than this on inputs that nothing drives is hum, or no ground
ABOVE_SET = 1.1  # of the set voltage: a supply that gives more does not obey


def try_generator(generator: Generator, outputs: tuple[int, int]) -> str:
    """Set, switch on and off each output that the job uses, at a low level; the driver reads each back."""
    vpp = max(leg_vpp(LOW_LEVEL_VRMS), generator.amplitude_range_vpp[0])
    for output in outputs:
        generator.sine(output, frequency_hz=TONE.frequency_hz, amplitude_vpp=vpp)
        generator.switch(output, on=True)
        generator.switch(output, on=False)
    return (
        f"outputs {outputs[0]} and {outputs[1]}: {vpp:.2g} Vpp at 1 kHz set, switched on and off, read back"
    )


def try_oscilloscope(scope: Oscilloscope) -> str:
    """Record every input on two ranges; the driver compares each record with its settings."""
    inputs = range(1, scope.input_count + 1)
    noisy: set[int] = set()
    for wanted in RANGES:
        scale = min(scope.volts_per_division, key=lambda scale: abs(log(scale / wanted)))
        capture = _record(scope, inputs, scale)
        swing = np.ptp(capture.volts, axis=1)
        noisy |= {
            number
            for row, number in enumerate(capture.inputs)
            if swing[row] > QUIET_SCREEN * scale * scope.divisions
        }
    message = f"inputs 1 to {scope.input_count} recorded on two ranges, each scaled as it was set"
    if noisy:
        message += f"; hum or noise on {', '.join(map(str, sorted(noisy)))}: open, or a ground clip is off"
    return message


def try_supply(supply: Supply, job: Job) -> str:
    """Switch the module's supply on with no control line energised, look at its voltage, and switch it
    off.
    """
    wanted_v, limit_a = job.module.supply.voltage_v, limit_of(job.module, IDLE_STATE)
    supply.set(voltage_v=wanted_v, limit_a=limit_a)
    supply.switch(on=True)
    if not supply.measures_current:
        supply.off()
        return f"{wanted_v:g} V set, switched on and off with no line energised; what it gives is unknown"
    result = supply.measure()
    supply.off()
    failed = partial(BenchError, instrument="supply", address=supply.identity.address)
    if result.voltage_v > ABOVE_SET * wanted_v:
        raise failed(f"was set to {wanted_v:g} V and gives {result.voltage_v:.2f} V")
    if result.voltage_v < VOLTAGE_HELD * wanted_v:
        raise failed(
            f"was set to {wanted_v:g} V and gives {result.voltage_v:.2f} V at {result.current_a * 1e3:.0f} "
            f"mA (limit {limit_a * 1e3:.0f} mA) with no control line energised: something draws current that "
            "should not"
        )
    return (
        f"{wanted_v:g} V set, {result.voltage_v:.2f} V and {result.current_a * 1e3:.1f} mA measured with no "
        "line energised; switched off, its voltage gone"
    )


def try_switchboard(board: Switchboard, job: Job) -> str:
    """Close each channel that the job uses alone, then none; with everything else off."""
    selected = {channel for setup in job.fixture.setups for channel in setup.select or ()}
    channels = sorted(selected | set(job.fixture.controls.values()))
    for channel in channels:
        board.set(frozenset([channel]))
    board.set(frozenset())
    count = f"{len(channels)} channels closed one by one and opened"
    return f"{count}, each read back" if board.reads_back else f"{count}; it can't be read back"


def try_through(
    generator: Generator,
    scope: Oscilloscope,
    board: Switchboard,
    job: Job,
    through: Setup,
) -> str:
    """Measure the generator's own signal in a through setup that channels select.

    Raises SetupError that says which leads or levels are wrong.
    """
    if job.bench is None:
        raise ValueError("a job without a bench has no through signal")
    prediction = predict(
        job.module,
        job.fixture,
        through,
        UNPOWERED_STATE,
        frequencies_hz=TONE.tones.frequencies_hz,
        impedances=impedances(generator, scope),
    )
    drive = Drive(generator, job.bench.generator)
    board.set(frozenset(through.select or ()))
    drive.apply(TONE)
    time.sleep(board.settle_s + job.sequence.settle_s)
    captures = []
    scale = pick_range(LOW_LEVEL_VRMS / sqrt(2.0), scope.volts_per_division, scope.divisions)
    inputs = range(1, len(prediction.transfer) + 1)
    for part in range(drive.parts(TONE)):
        drive.apply(TONE, part)
        captures.append(_record(scope, inputs, scale))
    capture = together(captures)
    drive.silence()
    board.set(frozenset())
    problems = lead_problems(capture, TONE, prediction)
    if problems:
        raise SetupError("; ".join(problems), instrument="the through signal")
    return f"{through.name!r}: {LOW_LEVEL_VRMS * 1e3:g} mV at 1 kHz seen on inputs 1 to {len(inputs)}, as set"


def _record(scope: Oscilloscope, inputs: range, scale: float) -> Capture:
    setting = InputSetting(volts_per_division=scale)
    tones = TONE.tones
    return scope.capture(
        CaptureSetting(
            inputs=dict.fromkeys(inputs, setting), duration_s=tones.duration_s, samples=tones.samples
        )
    )
