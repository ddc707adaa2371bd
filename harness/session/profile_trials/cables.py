"""A generator and an oscilloscope joined by cables, output 1 to input 1 and 2 to 2: each sees the other.

What both profiles say of one signal must agree. Each function yields what it has tried, and raises
ProfileMismatch at the first that does not. Nothing louder than 0.1 V peak to peak is driven, but for a
generator whose least amplitude is larger.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from drivers.generator_and_supply import ScpiGenerator
from drivers.models.sources import GeneratorProfile
from drivers.profile import OscilloscopeProfile
from drivers.scope.oscilloscope import FineMode, ScpiOscilloscope
from harness.arrays import Complex
from harness.errors import ProfileMismatch
from harness.measure.captures import pick_range
from harness.measure.tone import fit_tones
from harness.measure.tones import Stimulus
from harness.roles import Capture, CaptureSetting, InputSetting
from harness.session.profile_trials.alone import LOW_VPP, QUIETER
from harness.session.profile_trials.trial import ProfileTrial

TONES = Stimulus(kind="pair", frequency_hz=1e3)
LEVEL_WITHIN = 0.1  # of generator and scope together: their data sheets have some 1 and 3 %
HALF_WITHIN = 0.05  # of one instrument's own steps
SILENT_BELOW = 0.1  # of the level that is driven
MISSING_BELOW = 0.2  # of it, hum and noise included
PURE_ABOVE = 0.05  # third harmonic: 1/3 in a square, 1/9 in a triangle (closed form)
PHASE_WITHIN_DEG = 10.0
FREQUENCY_WITHIN = 0.01
AVERAGES, AVERAGED_WITHIN = 16, 0.01
SCOPE_KEYS = (
    "samples", "sample_bits", "sample_signed", "byte_order", "code_min", "code_max", "divisions",
    "scaling.scale", "scaling.codes_per_division", "scaling.interval_s", "scaling.rate_hz", "commands.scale",
    "commands.timebase_scale",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class CabledPair:
    """Generator and oscilloscope with their profiles, output n at input n."""

    generator: ScpiGenerator
    of_generator: GeneratorProfile
    scope: ScpiOscilloscope
    of_scope: OscilloscopeProfile

    @property
    def joined(self) -> range:
        """Outputs that have an input."""
        return range(1, 1 + min(2, self.of_generator.outputs, self.of_scope.inputs))

    @property
    def low_vpp(self) -> float:
        """The level that is driven."""
        return max(LOW_VPP, self.of_generator.amplitude_min_vpp)

    def at_input_vrms(self, vpp: float) -> float:
        """What an input shows of an open-circuit amplitude: output and input resistance divide it."""
        input_ohm = self.of_scope.input_impedance_ohm
        return vpp / (2.0 * sqrt(2.0)) * input_ohm / (input_ohm + self.of_generator.output_impedance_ohm)

    def mismatch(self, what: str, keys: str) -> ProfileMismatch:
        """The error for a signal that is not as both profiles say."""
        address = f"{self.generator.identity.address} and {self.scope.identity.address}"
        return ProfileMismatch(
            f"{what}: look at {keys}", instrument="generator and oscilloscope", address=address
        )


def try_together(pair: CabledPair) -> Iterator[ProfileTrial]:
    """Drive each output alone, then both, and look at it on the scope."""
    generator = pair.generator
    hot_hz, cold_hz = TONES.tones.frequencies_hz
    for n, hz in zip(pair.joined, (hot_hz, cold_hz), strict=False):
        yield _alone(pair, n, hz)
    if len(pair.joined) == 2:
        if pair.of_generator.independent_frequencies:
            yield _two_frequencies(pair)
        if pair.of_generator.commands.silence is not None:
            yield _silent(pair)
        if pair.of_generator.commands.phase is not None:
            yield _phase(pair)
    if pair.of_scope.commands.average is not None:
        yield _averaged(pair)
    generator.off()
    capture = _record(pair, pair.low_vpp)
    for n in pair.joined:
        _refuse_signal(
            pair, _tones(capture, (hot_hz, cold_hz)), n, "with all outputs off", "commands.output_off"
        )
    yield ProfileTrial(what="off", message="nothing seen of any output", proves=("commands.output_off",))


def _alone(pair: CabledPair, n: int, hz: float) -> ProfileTrial:
    """One output at two levels; the other off."""
    generator, levels = pair.generator, []
    for vpp in (pair.low_vpp, max(pair.low_vpp / 2, pair.of_generator.amplitude_min_vpp)):
        generator.sine(n, frequency_hz=hz, amplitude_vpp=vpp)
        generator.switch(n, on=True)
        capture = _record(pair, vpp)
        _refuse_other_frequency(pair, capture, n, hz=hz, vpp=vpp)
        seen = _tones(capture, (hz,))
        result = abs(seen[n - 1, 0]) / pair.at_input_vrms(vpp)
        levels.append(result)
        if abs(result - 1.0) > LEVEL_WITHIN:
            raise pair.mismatch(
                f"output {n} was set to {vpp:g} Vpp and input {n} shows {result:.3g} times that",
                "the unit of commands.amplitude, load_open and matched_load, or scaling.scale, "
                "codes_per_division and commands.probe",
            )
        for other in pair.joined:
            if other != n:
                _refuse_signal(
                    pair, seen, other, f"with output {n} alone on", "commands.output_on and the cables"
                )
        _refuse_impure(pair, capture, n, hz)
    if abs(levels[1] / levels[0] - 1.0) > HALF_WITHIN:
        what = f"half of the level of output {n} shows as {levels[1] / levels[0] / 2:.3g} of it"
        raise pair.mismatch(what, "the unit of commands.amplitude, or scaling.scale and commands.scale")
    generator.switch(n, on=False)
    keys = ["commands.output_on", "commands.amplitude", "commands.frequency", "matched_load"]
    keys += ["commands.load_open", "commands.function_sine"]
    if n == pair.of_generator.outputs:
        keys.append("outputs")
    message = f"{pair.low_vpp:g} Vpp at {hz:g} Hz and half of that seen on input {n}, a sine, as set"
    return ProfileTrial(what=f"output {n}", message=message, proves=(*keys, *SCOPE_KEYS))


def _two_frequencies(pair: CabledPair) -> ProfileTrial:
    hz = TONES.tones.frequencies_hz
    for n in pair.joined:
        pair.generator.sine(n, frequency_hz=hz[n - 1], amplitude_vpp=pair.low_vpp)
        pair.generator.switch(n, on=True)
    seen = np.abs(_tones(_record(pair, pair.low_vpp), hz)) / pair.at_input_vrms(pair.low_vpp)
    if abs(np.diag(seen) - 1.0).max() > LEVEL_WITHIN or seen[0, 1] + seen[1, 0] > SILENT_BELOW:
        what = f"outputs 1 and 2 do not run at {hz[0]:g} and {hz[1]:g} Hz at once"
        keys = "independent_frequencies and commands.frequency, or averaging in commands.acquire_type"
        raise pair.mismatch(what, keys)
    message = f"{hz[0]:g} Hz and {hz[1]:g} Hz at once, each on its own input"
    return ProfileTrial(what="two frequencies", message=message, proves=("independent_frequencies",))


def _silent(pair: CabledPair) -> ProfileTrial:
    hz = TONES.tones.hot_hz
    for n in pair.joined:
        other = 3 - n
        pair.generator.silence(n)
        pair.generator.switch(n, on=True)
        pair.generator.sine(other, frequency_hz=hz, amplitude_vpp=pair.low_vpp)
        pair.generator.switch(other, on=True)
        seen = _tones(_record(pair, pair.low_vpp), (hz,))
        _refuse_signal(pair, seen, n, "while it is silent", "commands.silence")
        if abs(abs(seen[other - 1, 0]) / pair.at_input_vrms(pair.low_vpp) - 1.0) > LEVEL_WITHIN:
            what = f"output {other} is not as set while output {n} is silent"
            raise pair.mismatch(what, "commands.silence and function_sine")
    return ProfileTrial(
        what="silence", message="each output silent while the other is driven", proves=("commands.silence",)
    )


def _phase(pair: CabledPair) -> ProfileTrial:
    hz = TONES.tones.hot_hz
    for wanted_deg in (0.0, 180.0):
        for n, phase_deg in zip(pair.joined, (0.0, wanted_deg), strict=True):
            pair.generator.sine(n, frequency_hz=hz, amplitude_vpp=pair.low_vpp, phase_deg=phase_deg)
            pair.generator.switch(n, on=True)
        seen = _tones(_record(pair, pair.low_vpp), (hz,))[:, 0]
        found_deg = float(np.angle(seen[1] / seen[0], deg=True))
        if abs((found_deg - wanted_deg + 180.0) % 360.0 - 180.0) > PHASE_WITHIN_DEG:
            what = f"output 2 was set to {wanted_deg:g} degrees and is at {found_deg:.0f} from output 1"
            raise pair.mismatch(
                what, "commands.phase; some generators align phases by a command of their own"
            )
    return ProfileTrial(what="phase", message="0 and 180 degrees between outputs", proves=("commands.phase",))


def _averaged(pair: CabledPair) -> ProfileTrial:
    """Output 1 alone, recorded plainly and averaged: the same level, and less noise."""
    pair.generator.off()
    pair.generator.sine(1, frequency_hz=TONES.tones.hot_hz, amplitude_vpp=pair.low_vpp)
    pair.generator.switch(1, on=True)
    levels, noises_v = [], []
    for averages in (1, AVERAGES):
        pair.scope.fine = FineMode(averages=averages)
        capture = _record(pair, pair.low_vpp)
        fit = fit_tones(capture.volts, capture.interval_s, (TONES.tones.hot_hz,), step_v=capture.step_v)
        levels.append(abs(fit.phasors[0, 0]))
        noises_v.append(float(fit.residual_v[0]))
    pair.scope.fine = FineMode()
    if abs(levels[1] / levels[0] - 1.0) > AVERAGED_WITHIN:
        what = f"averaged, output 1 shows {levels[1] / levels[0]:.3g} of the level of a plain record"
        raise pair.mismatch(what, "commands.average, trigger_source and trigger_level")
    message = (
        f"noise of input 1: {1e3 * noises_v[0]:.2g} mV RMS, and {1e3 * noises_v[1]:.2g} mV RMS as an average "
        f"of {AVERAGES}"
    )
    if noises_v[1] >= QUIETER * noises_v[0]:
        return ProfileTrial(what="averaging", message=f"{message}, which is not clearly less")
    proves = (
        "commands.average",
        "commands.average_count",
        "commands.trigger_source",
        "commands.trigger_level",
    )
    return ProfileTrial(what="averaging", message=message, proves=proves)


def _record(pair: CabledPair, vpp: float) -> Capture:
    """Inputs that have a cable, on a range that holds what they show."""
    settings = sorted(pair.scope.volts_per_division)
    wanted = settings.index(pick_range(vpp, settings, pair.scope.divisions))
    tones = TONES.tones
    for scale in settings[wanted::2]:
        capture = pair.scope.capture(
            CaptureSetting(
                inputs=dict.fromkeys(pair.joined, InputSetting(volts_per_division=scale)),
                duration_s=tones.duration_s,
                samples=tones.samples,
                fewest_samples=TONES.fewest_samples,
            )
        )
        if not any(capture.clipped):
            break
    return capture


def _tones(capture: Capture, frequencies_hz: Sequence[float]) -> Complex:
    """Phasors in V RMS, (inputs, tones)."""
    return fit_tones(capture.volts, capture.interval_s, frequencies_hz, step_v=capture.step_v).phasors


def _refuse_other_frequency(pair: CabledPair, capture: Capture, n: int, *, hz: float, vpp: float) -> None:
    """Refuse an input that shows no signal of its output, or one of another frequency."""
    volts = capture.volts[n - 1] - capture.volts[n - 1].mean()
    if volts.std() < MISSING_BELOW * pair.at_input_vrms(vpp):
        raise pair.mismatch(
            f"output {n} was switched on with {vpp:g} Vpp and input {n} shows {volts.std() * 1e3:.2g} mV RMS",
            "the cables, commands.output_on and function_sine, or commands.display_on and waveform_source",
        )
    length_s = volts.size * capture.interval_s
    found_hz = float(np.abs(np.fft.rfft(volts)).argmax()) / length_s
    if abs(found_hz - hz) > FREQUENCY_WITHIN * hz + 1.5 / length_s:
        what = f"output {n} was set to {hz:g} Hz and input {n} shows {found_hz:.4g} Hz"
        raise pair.mismatch(what, "commands.frequency, or scaling.interval_s or rate_hz")


def _refuse_signal(pair: CabledPair, seen: Complex, n: int, when: str, keys: str) -> None:
    result = float(np.abs(seen[n - 1]).max()) / pair.at_input_vrms(pair.low_vpp)
    if result > SILENT_BELOW:
        raise pair.mismatch(f"input {n} shows {result:.2g} of the level of output {n} {when}", keys)


def _refuse_impure(pair: CabledPair, capture: Capture, n: int, hz: float) -> None:
    """Refuse what is no sine: by its third harmonic, to which no mains belongs."""
    seen = np.abs(_tones(capture, (hz, 3 * hz)))[n - 1]
    if seen[1] > PURE_ABOVE * seen[0]:
        what = f"output {n} shows a third harmonic of {seen[1] / seen[0]:.0%}: it is no sine"
        raise pair.mismatch(what, "commands.function_sine")
