"""A profile tried on its instrument alone: it is set, read back, switched on and off, with nothing connected.

Each function yields what it has tried, and raises BenchError at the first that is not as the profile says.
Nothing louder than 0.1 V peak to peak and no voltage above 5 V is switched on.
"""

import time
from collections.abc import Iterator
from functools import partial

import numpy as np

from drivers.boards.switchboard import Channels
from drivers.generator_and_supply import ScpiGenerator, ScpiSupply
from drivers.models.sources import GeneratorProfile, SupplyProfile
from drivers.models.switchboards import BoardProfile
from drivers.profile import OscilloscopeProfile
from drivers.scope.oscilloscope import FineMode, ScpiOscilloscope
from harness.errors import BenchTimeout, ProfileMismatch
from harness.roles import CaptureSetting, InputSetting
from harness.session.profile_trials.trial import ProfileTrial, line_keys, written_keys
from harness.session.self_test import try_oscilloscope

LOW_VPP = 0.1  # 35 mV RMS, which no contact film and no open lead minds
TONE_HZ = 1e3
TRIED_V = (3.0, 5.0)
TRIED_A = 0.05
VOLTAGE_WITHIN, VOLTAGE_WITHIN_V = 0.03, 0.1  # data sheets of supplies have a tenth of it
NO_CURRENT_A = 0.02  # what a meter may show with nothing connected
RECORD_S = 0.1
QUIETER = 0.8  # times the noise of a plain record: two records differ by a few percent
STATE = ("on_answer", "off_answer", "output_state")  # what says that an output is on


def try_generator(generator: ScpiGenerator, profile: GeneratorProfile) -> Iterator[ProfileTrial]:
    """Set each output, switch it on and off, and set the ends of the frequency with all outputs off."""
    low_vpp, least_vpp = max(LOW_VPP, profile.amplitude_min_vpp), generator.amplitude_range_vpp[0]
    for n in range(1, profile.outputs + 1):
        generator.sine(n, frequency_hz=TONE_HZ, amplitude_vpp=low_vpp)
        generator.switch(n, on=True)
        generator.switch(n, on=False)
    commands, proves = profile.commands, []
    if commands.output_query is not None:
        proves += ["commands.output_on", "commands.output_off", "commands.output_query", *STATE]
    if commands.frequency_query is not None:
        proves += ["commands.frequency", "commands.frequency_query", "frequency_digits"]
    if generator.reads_levels_back:
        proves += ["commands.amplitude_query", "amplitude_digits"]
    read_back = ", read back" if proves else "; nothing of that is read back"
    yield ProfileTrial(
        what="outputs",
        message=f"1 to {profile.outputs}: {low_vpp:g} Vpp at 1 kHz set, on and off{read_back}",
        proves=tuple(proves),
    )
    for frequency_hz in (profile.frequency_min_hz, profile.frequency_max_hz, TONE_HZ):
        generator.sine(1, frequency_hz=frequency_hz, amplitude_vpp=least_vpp)
    ends = ("frequency_min_hz", "frequency_max_hz") if commands.frequency_query is not None else ()
    yield ProfileTrial(
        what="range",
        message=f"{profile.frequency_min_hz:g} to {profile.frequency_max_hz:g} Hz and "
        f"{least_vpp:.3g} Vpp set with the outputs off" + (", read back" if ends else ""),
        proves=(*ends, *(("amplitude_min_vpp",) if generator.reads_levels_back else ())),
    )


def try_supply(supply: ScpiSupply, profile: SupplyProfile) -> Iterator[ProfileTrial]:
    """Set two small voltages with nothing connected, and measure each."""
    tried_v = [min(1.0, profile.voltage_max_v / TRIED_V[-1]) * volts for volts in TRIED_V]
    limit_a = min(TRIED_A, profile.current_max_a)
    failed = partial(ProfileMismatch, instrument="supply", address=supply.identity.address)
    for wanted_v in tried_v:
        supply.set(voltage_v=wanted_v, limit_a=limit_a)
        supply.switch(on=True)
        if not supply.measures_current:
            continue
        result = supply.measure()
        if abs(result.voltage_v - wanted_v) > VOLTAGE_WITHIN * wanted_v + VOLTAGE_WITHIN_V:
            raise failed(
                f"was set to {wanted_v:g} V and measures {result.voltage_v:g} V: look at commands.voltage, "
                "commands.measure_voltage, voltage_digits and voltage_unit_v in its profile"
            )
        if abs(result.current_a) > NO_CURRENT_A:
            raise failed(
                f"measures {result.current_a:g} A with nothing connected: look at commands.measure_current, "
                "current_digits and current_unit_a in its profile; or something is connected"
            )
    supply.off()
    volts = " and ".join(f"{wanted_v:g} V" for wanted_v in tried_v)
    proves = ["commands.output_query", *STATE] if profile.commands.output_query is not None else []
    if not supply.measures_current:
        yield ProfileTrial(
            what="output", message=f"{volts} set, on and off; it measures nothing", proves=tuple(proves)
        )
        return
    proves += [
        "commands.voltage", "commands.output_on", "commands.output_off", "commands.measure_voltage",
        "voltage_digits", "voltage_unit_v", "off_below_v", "off_within_s", *line_keys(profile),
    ]  # fmt: skip
    yield ProfileTrial(
        what="output",
        message=f"{volts} set, switched on, measured, no current; switched off, its voltage gone",
        proves=tuple(proves),
    )


def try_switchboard(board: Channels, profile: BoardProfile) -> Iterator[ProfileTrial]:
    """Close each channel alone, then none."""
    for channel in range(1, board.channel_count + 1):
        board.set(frozenset([channel]))
        time.sleep(board.settle_s)
    board.set(frozenset())
    message = f"1 to {board.channel_count} closed one by one and opened: no relay may be energised now"
    if "active_low" in type(profile).model_fields:
        message += " (if all are, `active_low` is the other way round)"
    if not board.reads_back:
        yield ProfileTrial(what="channels", message=f"{message}; it can't be read back")
        return
    keys = set(type(profile).model_fields) - {"first_number", "active_low"}
    keys |= {key for key in written_keys(profile) if key.startswith("commands.")}
    yield ProfileTrial(
        what="channels",
        message=f"{message}, each read back",
        proves=tuple(sorted(keys)),
    )


def try_scope(scope: ScpiOscilloscope, profile: OscilloscopeProfile) -> Iterator[ProfileTrial]:
    """Record each input on two ranges, then one input on every range, the longest record, and a trigger."""
    message = try_oscilloscope(scope)
    commands = profile.commands
    proves = [
        "commands.single", "commands.data_query", "commands.timebase_scale", "commands.complete_query",
        "complete_answer", "complete_after_s", "inputs", "time_divisions", "text_in_block", "block_prefix",
        "block_terminated", "answer_holds", "expects", "commands.preamble_query", "scaling.fields",
        "scaling.points", "scaling.interval_s", "scaling.rate_hz", "commands.waveform_source",
        "commands.waveform_format", "commands.display_on", "commands.display_off",
    ]  # fmt: skip
    if profile.codes is not None:
        proves += ["commands.scale", "commands.offset", "scaling.reference", "scaling.origin", "divisions"]
    yield ProfileTrial(what="inputs", message=message, proves=tuple(proves))
    for volts_per_division in scope.volts_per_division:
        scope.capture(_setting(volts_per_division))
    taken = scope.volts_per_division
    yield ProfileTrial(
        what="ranges",
        message=f"{len(taken)} from {taken[0]:g} to {taken[-1]:g} V a division recorded, each as set",
        proves=("volts_per_division_v",) if profile.codes is not None else (),
    )
    longest = profile.record_lengths[-1] if profile.record_lengths else profile.record_length_max
    capture = scope.capture(_setting(taken[-1], samples=longest, fewest=1))
    points = capture.volts.shape[1]
    lengths = ("record_length_max", "record_lengths", "commands.acquire_points", "commands.waveform_points")
    pieces = ("points_per_read", "first_sample", "commands.window_start", "commands.window_stop")
    message = f"{points} samples in {RECORD_S:g} s"
    if points < longest:
        yield ProfileTrial(
            what="longest record", message=f"{message}, where its profile says {longest}", proves=pieces
        )
    else:
        yield ProfileTrial(what="longest record", message=message, proves=(*lengths, *pieces))
    if commands.high_resolution is not None:
        yield _try_high_resolution(scope)
    if commands.trigger_force is not None:
        yield _try_trigger(scope)


def _try_high_resolution(scope: ScpiOscilloscope) -> ProfileTrial:
    """Record the noise of input 1 on the finest range, plainly and in high resolution."""
    noises_v = []
    for high_resolution in (False, True):
        scope.fine = FineMode(high_resolution=high_resolution)
        volts = scope.capture(_setting(scope.volts_per_division[0])).volts[0]
        noises_v.append(float(np.std(np.diff(volts))) / np.sqrt(2.0))  # hum and drift left out
    scope.fine = FineMode()
    plain, fine = (f"{1e3 * noise_v:.2g} mV RMS" for noise_v in noises_v)
    message = f"noise of input 1 on its finest range: {plain}, and {fine} with commands.high_resolution"
    if noises_v[1] >= QUIETER * noises_v[0]:
        return ProfileTrial(what="high resolution", message=f"{message}, which is not clearly less")
    return ProfileTrial(what="high resolution", message=message, proves=("commands.high_resolution",))


def _try_trigger(scope: ScpiOscilloscope) -> ProfileTrial:
    """Let a record wait for the computer, and trigger it."""
    waits_s = scope.begin(_setting(scope.volts_per_division[-1]))
    time.sleep(waits_s)
    try:
        scope.trigger()
        scope.complete()
    except BenchTimeout as error:
        raise ProfileMismatch(
            "a record that waits for the computer is not complete after commands.trigger_force: look at that "
            "and at commands.trigger_normal in its profile",
            instrument="oscilloscope",
            address=scope.identity.address,
        ) from error
    return ProfileTrial(what="trigger", message="a record was complete after commands.trigger_force")


def _setting(volts_per_division: float, *, samples: int = 2000, fewest: int = 0) -> CaptureSetting:
    return CaptureSetting(
        inputs={1: InputSetting(volts_per_division=volts_per_division)},
        duration_s=RECORD_S,
        samples=samples,
        fewest_samples=fewest,
    )
