"""Whether each instrument obeys: settings, read back and measured; and the bench's through signal.

Each function returns a sentence on what was done and measured, and raises BenchError if the instrument does
not obey. Nothing louder than 50 mV is driven, and a unit in the fixture has no control line energised while
its supply is on.
"""

import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import combinations
from math import log, sqrt

import numpy as np

from harness.arrays import Floats
from harness.circuit.predict import predict
from harness.errors import BenchError, ProfileMismatch, SetupError
from harness.job.fixture import Setup
from harness.job.job import Job
from harness.job.state import IDLE_STATE, UNPOWERED_STATE
from harness.measure.captures import pick_range, together
from harness.measure.swapped_through import swapped_in_pairs
from harness.measure.tone import fit_tones, from_trigger, joined
from harness.measure.tones import Stimulus
from harness.plan.states import limit_of
from harness.plan.unit_currents import VOLTAGE_HELD
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
from harness.session.control_currents import least_excess_a
from harness.session.instruments import Drive, leg_vpp
from harness.session.leads.sync import RECORDS, instants_agree
from harness.session.recorder import in_order
from harness.session.through_signal import LOW_LEVEL_VRMS, lead_problems, profile_problem

TONE = Stimulus(kind="pair", frequency_hz=1e3, level_vrms=LOW_LEVEL_VRMS)
SYNCED = replace(TONE, kind="synced")
RANGES = (0.1, 0.02)  # volts per division asked for, with a plain lead: the nearest there are
QUIET_SCREEN = 0.25  # of the screen: more than this on inputs that nothing drives is hum, or no ground
ZERO_WITHIN = 0.3  # of a division: common practice, no source, is a tenth
OFFSET_DIVISIONS = 2.0
OVERDRIVEN = 0.5  # of a signal's peak, half of the screen: some converters go on for a quarter beyond it
FLAT = 0.2  # of an overdriven record at its ends: two thirds of a sine of twice the screen are (closed form)
KNOWN_CLIPPED = 0.9  # of the samples at its ends
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
    captures = []
    for wanted in RANGES:
        scale = min(scope.volts_per_division, key=lambda scale: abs(log(scale / wanted)))
        capture = _record(scope, inputs, scale)
        captures.append(capture)
        swing = np.ptp(capture.volts, axis=1)
        noisy |= {
            number
            for row, number in enumerate(capture.inputs)
            if swing[row] > QUIET_SCREEN * scale * scope.divisions
        }
    _check_apart(scope, captures)
    _check_zero(scope, captures)
    _check_offset(scope, captures[0])
    message = (
        f"inputs 1 to {scope.input_count} recorded on two ranges, each scaled as it was set, with zero volts "
        "in the middle"
    )
    if noisy:
        message += f"; hum or noise on {', '.join(map(str, sorted(noisy)))}: open, or a ground clip is off"
    return message


def _check_apart(scope: Oscilloscope, captures: Sequence[Capture]) -> None:
    """Raise ProfileMismatch if two inputs show the same noise, sample by sample: then they are one."""
    for capture in captures:
        for (one, first), (other, second) in combinations(zip(capture.inputs, capture.volts, strict=True), 2):
            if np.ptp(first) > 0.0 and np.array_equal(first, second):
                raise ProfileMismatch(
                    f"sends the same samples for input {one} and for input {other}: look at the {{n}} of "
                    "commands.waveform_source and data_query, and at answer_holds in its profile",
                    instrument="oscilloscope",
                    address=scope.identity.address,
                )


def _check_zero(scope: Oscilloscope, captures: Sequence[Capture]) -> None:
    """Raise ProfileMismatch if inputs are the same number of divisions off zero on every range.

    What an input really shows is other divisions on another range.
    """
    zeros = np.stack([_divisions(capture, capture.volts.mean(axis=1)) for capture in captures])
    whole = ~np.any([capture.clipped for capture in captures], axis=0)
    off = whole & (np.abs(zeros).min(axis=0) > ZERO_WITHIN) & (np.ptp(zeros, axis=0) < ZERO_WITHIN)
    if off.any():
        row = int(off.argmax())
        what = (
            f"input {captures[0].inputs[row]} reads {zeros[0, row]:+.2f} divisions on every range: the trace "
            "is not in the middle of the screen (set its position to zero), or the zero is wrong: look at "
            "scaling.reference, scaling.origin and sample_signed in its profile"
        )
        raise _mismatch(scope, what)


def _check_offset(scope: Oscilloscope, before: Capture) -> None:
    """Raise ProfileMismatch if an offset of the screen moves the volts; a scope without one is left out."""
    scale = before.setting.inputs[before.inputs[0]].volts_per_division
    capture = _record(scope, before.inputs, scale, offset_v=OFFSET_DIVISIONS * scale)
    if not capture.setting.inputs[capture.inputs[0]].offset_v:
        return
    moved = _divisions(capture, capture.volts.mean(axis=1) - before.volts.mean(axis=1))
    whole = ~np.any([before.clipped, capture.clipped], axis=0)
    if (whole & (np.abs(moved) > OFFSET_DIVISIONS / 2)).any():
        what = (
            f"an offset of {OFFSET_DIVISIONS:g} divisions changes what it reads by "
            f"{moved[np.abs(moved).argmax()]:+.2f}: look at commands.offset, scaling.origin and "
            "scaling.formula in its profile"
        )
        raise _mismatch(scope, what)


def _mismatch(scope: Oscilloscope, what: str) -> ProfileMismatch:
    """The error for a record of undriven inputs that can't be; it names the format that makes it quiet."""
    for key, other in scope.other_readings().items():
        swing = np.ptp(_divisions(other, other.volts.T).T, axis=1)
        zero = np.abs(_divisions(other, other.volts.mean(axis=1)))
        if (swing < QUIET_SCREEN * scope.divisions).all() and (zero < ZERO_WITHIN).all():
            what = (
                f"its record is quiet and about zero volts only with {key}: correct that key of its profile"
            )
            break
    return ProfileMismatch(what, instrument="oscilloscope", address=scope.identity.address)


def _divisions(capture: Capture, volts: Floats) -> Floats:
    """Volts, the last axis by input, as divisions of its range."""
    return volts / [capture.setting.inputs[number].volts_per_division for number in capture.inputs]


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
    if result.current_a > least_excess_a(job.module):
        raise failed(
            f"gives {result.current_a * 1e3:.1f} mA with every control line off, as if a coil were on. If "
            "relays of the board are energised then, it works the other way round: look at active_low, at "
            "energised and released, or at close and open in its profile. Otherwise something is connected "
            "that draws current, or the unit in the fixture has a fault"
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
    drive = Drive(generator, job.bench.feeds)
    board.set(frozenset(through.select or ()))
    drive.apply(TONE)
    time.sleep(board.settle_s + job.sequence.settle_s)
    captures: list[Capture] = []
    readings: list[Mapping[str, Capture]] = []
    scale = pick_range(LOW_LEVEL_VRMS / sqrt(2.0), scope.volts_per_division, scope.divisions)
    inputs: Sequence[int] = range(1, len(prediction.transfer) + 1)
    if through.inputs_swapped:
        inputs = swapped_in_pairs(inputs)
    for part in range(drive.parts(TONE)):
        drive.apply(TONE, part)
        captures.append(_record(scope, inputs, scale))
        readings.append(scope.other_readings())
    capture = in_order(together(captures), inputs)
    others = {key: in_order(together([each[key] for each in readings]), inputs) for key in readings[0]}
    problems = lead_problems(capture, TONE, prediction)
    if not problems and drive.parts(TONE) == 1:
        peak_v = float(np.abs(prediction.transfer).max(axis=1).min()) * LOW_LEVEL_VRMS / sqrt(2.0)
        _try_overdriven(scope, inputs, peak_v)
    in_sync = _try_sync(scope, drive, inputs, scale) if job.has_sync else ""
    drive.silence()
    board.set(frozenset())
    of_profile = None
    if problems:
        of_profile = profile_problem(scope, capture, TONE, prediction, others=others)
    if of_profile is not None:
        raise of_profile
    if problems:
        raise SetupError("; ".join(problems), instrument="the through signal")
    seen = f"{LOW_LEVEL_VRMS * 1e3:.0f} mV at 1 kHz seen on inputs 1 to {len(inputs)}, as set"
    return f"{through.name!r}: {seen}{in_sync}"


def _try_sync(scope: Oscilloscope, drive: Drive, inputs: Sequence[int], scale: float) -> str:
    """Start records by the generator's sync. Raises SetupError if they begin at other phases of its sine."""
    fits = []
    within_s = 0.0
    for _ in range(RECORDS):
        legs = []
        for part in range(drive.parts(SYNCED)):
            drive.apply(SYNCED, part)
            capture = _record(scope, inputs, scale, from_sync=True)
            tones_hz = SYNCED.tones.frequencies_hz
            fit = fit_tones(capture.volts, capture.interval_s, tones_hz, step_v=capture.step_v)
            legs.append(from_trigger(fit, capture.origin_s))
            within_s = capture.trigger_within_s
        fits.append(joined(*legs))
    return "; its sync starts records at one phase" if instants_agree(fits, within_s) else ""


def _try_overdriven(scope: Oscilloscope, inputs: Sequence[int], peak_v: float) -> None:
    """Record on a range that a signal of this peak overdrives, where there is one.

    Raises ProfileMismatch for an input whose ends are not known as such: then a clipped signal would be taken
    for a small one.
    """
    screens_v = {each: each * scope.divisions / 2 for each in scope.volts_per_division}
    ranges = [each for each, screen_v in screens_v.items() if screen_v < OVERDRIVEN * peak_v]
    if not ranges:
        return
    capture = _record(scope, inputs, max(ranges))
    for number, volts, clipped in zip(capture.inputs, capture.volts, capture.clipped, strict=True):
        flat = np.count_nonzero((volts == volts.max()) | (volts == volts.min()))
        if flat > FLAT * volts.size and clipped < KNOWN_CLIPPED * flat:
            ends = f"{volts.min():.4g} to {volts.max():.4g} V"
            what = (
                f"input {number} is overdriven at {max(ranges):g} V a division. It shows {ends}, which are "
                "not its first and last code: look at code_min, code_max and sample_bits in its profile"
            )
            raise ProfileMismatch(what, instrument="oscilloscope", address=scope.identity.address)


def _record(
    scope: Oscilloscope,
    inputs: Iterable[int],
    scale: float,
    offset_v: float = 0.0,
    *,
    from_sync: bool = False,
) -> Capture:
    setting = InputSetting(volts_per_division=scale, offset_v=offset_v)
    tones = TONE.tones
    return scope.capture(
        CaptureSetting(
            inputs=dict.fromkeys(inputs, setting),
            duration_s=tones.duration_s,
            samples=tones.samples,
            fewest_samples=TONE.fewest_samples,
            from_sync=from_sync,
        )
    )
