"""What is in a record besides its tone: the noise of a pair, and the distortion of a tone.

A scope's own noise is mostly larger than that of what it looks at. So the reading is a difference of two mean
squares: of the port's record, and of one with the same inputs, on the same ranges, on nothing that makes
noise (their leads shorted). Where the difference is lost in its own uncertainty the noise is said to lie
below that.

Quasi-peak noise is as ITU-R BS.468-4 reads it: through its weighting network and a quasi-peak detector.
"""

import itertools
import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np

from harness.arrays import Complex, Floats
from harness.errors import ReadingError
from harness.measure.budget import below, root_of_power
from harness.measure.clock import sine_rows
from harness.measure.spectrum import SPREAD, Weighting, bs468_network, power_weights, take_spectrum
from harness.measure.tone import ToneFit, fit_tones
from harness.measure.tones import TonePair
from harness.reading import Contribution, Estimate

LOW_HZ, HIGH_HZ = 20.0, 20_000.0
BLOCK_BINS = 64  # the noise round a bin is the median of so many
FLICKER = 2.0  # an octave of 1/f
FIRST_BINS = 3  # and of so many at the lower end of the band
QUIET_DIVISIONS = 0.02  # RMS of an 8-bit scope, a quiet one: common practice is 0.03 to 0.065, no source
WHITE_NOISE_DB = MappingProxyType({"none": 0.0, "A": -2.05, "quasi-peak": 11.3})  # over unweighted RMS
DITHERED_STEPS = 0.5  # RMS of a record, in codes, from which on quantisation is noise and nothing else


@dataclass(frozen=True, kw_only=True)
class BandPower:
    """Mean square of a pair's differential in a band, V², with the standard uncertainty of its estimation.

    hot_v2, cold_v2: the parts that each leg's input contributes, so that an input's relative gain error e
    changes the mean square by 2 e times its part. Their sum is mean_square_v2.
    """

    mean_square_v2: float
    standard_v2: float
    hot_v2: float
    cold_v2: float


def noise(
    volts: Floats,
    interval_s: float,
    *,
    own_volts: Floats | None,
    step_v: tuple[float, float],
    own_interval_s: float | None = None,
    own_above_v2_hz: float | None = None,
    weighting: Literal["none", "A", "quasi-peak"] = "none",
    gain_standard: tuple[float, float] = (0.0, 0.0),
    k: float = 2.0,
) -> Estimate:
    """RMS noise of a pair's differential, V, 20 Hz to 20 kHz, unweighted or weighted; or its quasi-peak.

    volts: hot, cold, shape (2, samples). own_volts: the same of the scope's own noise, another record, of any
    length; without one the scope's part is unknown and the result a floor: the noise is no more than what was
    seen. own_interval_s: between samples of own_volts, if it is another one; it was kept only where it moved
    the quantiser then. own_above_v2_hz: its density at the upper end of the record. step_v: one code of each
    input. gain_standard: relative standard uncertainty of each input's gain.
    A record too quiet to move the quantiser about is a floor too, half a code of each input above what it
    shows: within a code anything can hide. The scope's own quasi-peak is taken off by its square, as is right
    for two noises of one spectrum.
    Raises ReadingError if the records don't hold the band.
    """

    def power(of_volts: Floats, step_s: float) -> BandPower:
        if weighting == "quasi-peak":
            return quasi_peak_power(of_volts, step_s)
        return band_power(of_volts, step_s, weighting=weighting)

    seen = power(volts, interval_s)
    if own_volts is None:
        gains = (2 * gain_standard[0] * seen.hot_v2, 2 * gain_standard[1] * seen.cold_v2)
        return below(math.sqrt(seen.mean_square_v2 + k * math.hypot(seen.standard_v2, *gains)), k=k)
    own = power(own_volts, own_interval_s or interval_s)
    parts = [
        Contribution(name="noise", standard=seen.standard_v2),
        Contribution(name="scope's own noise", standard=own.standard_v2),
        Contribution(name="input gain", standard=2 * gain_standard[0] * abs(seen.hot_v2 - own.hot_v2)),
        Contribution(name="input gain", standard=2 * gain_standard[1] * abs(seen.cold_v2 - own.cold_v2)),
    ]
    folded_v2 = _folded(volts, interval_s, own_above_v2_hz, weighting)
    parts.append(Contribution(name="folded noise", standard=folded_v2 / math.sqrt(3)))
    result = root_of_power(seen.mean_square_v2 - own.mean_square_v2 - folded_v2, parts, k=k)
    hidden = undithered(volts, step_v) + (0.0 if own_interval_s else undithered(own_volts, step_v))
    return below(result.high + hidden, k=k) if hidden > 0 else result


TOP = (0.75, 0.95)  # of half the sample rate: the upper end of a record's spectrum
FOLDED = math.pi**2 / 24  # of the density there: what folds into a band far below, of noise like 1/f


def density_above(volts: Floats, interval_s: float) -> float:
    """Density of hot less cold at the upper end of a record's spectrum, V²/Hz; volts: (2, samples)."""
    spectrum = np.fft.rfft(volts[0] - volts[1])
    first, last = (round(share * (len(spectrum) - 1)) for share in TOP)
    square = np.abs(spectrum[first:last]) ** 2
    return float(2 * interval_s / volts.shape[1] * np.median(square) / math.log(2))


def _folded(volts: Floats, interval_s: float, own_v2_hz: float | None, weighting: str) -> float:
    """Half of the most that can have folded into the band from above half the sample rate, V².

    A scope samples without a filter. Of a density that falls as the square of the frequency from there on,
    S/4k² at 2k times half the rate, both sides of every multiple of the rate fold: 2 Σ S/4k² = π²/12 S; and
    at the end of the spectrum S is seen twice. Anything from nothing to that is in the band.
    """
    if own_v2_hz is None:
        return 0.0
    extra_v2_hz = max(density_above(volts, interval_s) - own_v2_hz, 0.0)
    return FOLDED / 2 * extra_v2_hz * (HIGH_HZ - LOW_HZ) * 10 ** (WHITE_NOISE_DB[weighting] / 10)


def band_power(
    volts: Floats, interval_s: float, *, weighting: Weighting = "none", high_hz: float = HIGH_HZ
) -> BandPower:
    """Mean square of hot less cold from 20 Hz up, weighted, V², and how far it can be off by chance.

    volts: hot, cold, shape (2, samples). high_hz: where the band ends. Raises ReadingError if the record
    does not hold the band.

    The first and the last bin count as far as they lie in the band: half, where they lie at its ends. Noise
    like 1/f has much in the first one.

    A bin of noise of mean N has the variance N²; one that holds a steady line besides, of power P in all, has
    2 N P - N². N is taken from the median of neighbouring bins, which lines don't move.
    """
    spectrum = take_spectrum(volts, interval_s, low_hz=LOW_HZ, high_hz=high_hz)
    weights = power_weights(weighting, spectrum.frequencies_hz) * spectrum.bin_hz
    weights[0] *= 0.5 + (spectrum.frequencies_hz[0] - LOW_HZ) / spectrum.bin_hz
    weights[-1] *= 0.5 + min((high_hz - spectrum.frequencies_hz[-1]) / spectrum.bin_hz, 0.5)
    hot, cold = spectrum.values
    difference = hot - cold
    power = weights * (difference.real**2 + difference.imag**2)
    return BandPower(
        mean_square_v2=float(power.sum()),
        standard_v2=math.sqrt(SPREAD * chance_variance(power)),
        hot_v2=float(np.sum(weights * (hot * difference.conj()).real)),
        cold_v2=float(np.sum(weights * (-cold * difference.conj()).real)),
    )


def chance_variance(power: Floats) -> float:
    """Variance of a sum of bins of noise and steady lines; power: shape (bins,)."""
    level = np.maximum(_noise_levels(power), 1e-300)
    return max(float(np.sum(level * (2 * power - level))), float(np.sum(level**2)) / len(power))


def undithered(volts: Floats, step_v: tuple[float, float]) -> float:
    """What may hide inside the codes of records too quiet to be dithered, V RMS: half a code each, else 0."""
    rms = volts.std(axis=1)
    return sum(step / 2 for level, step in zip(rms, step_v, strict=True) if level < DITHERED_STEPS * step)


def least_noise_vrms(
    volts_per_division: float,
    tones: TonePair,
    *,
    weighting: Literal["none", "A", "quasi-peak"],
    k: float = 2.0,
) -> float:
    """The least noise of a pair, V RMS, that can be told from a quiet 8-bit scope's own on this range.

    Both are white here. The scope's mean square in the band is known from two records with chance alone, and
    what is not above that is a floor; `tones` says how long and how finely sampled a record is.
    """
    own_v2 = 2 * (QUIET_DIVISIONS * volts_per_division) ** 2 * 2 * (HIGH_HZ - LOW_HZ)
    own_v2 *= tones.duration_s / tones.samples
    bins = (HIGH_HZ - LOW_HZ) * tones.duration_s
    chance_v2 = own_v2 * math.sqrt(2 * SPREAD / bins)
    return math.sqrt(k * chance_v2) * 10 ** (WHITE_NOISE_DB[weighting] / 20)


def _noise_levels(power: Floats) -> Floats:
    """Mean power of the noise alone in each bin, by the median of its block (an exponential's is ln 2).

    The first block is divided again, each part twice as long as the one before: noise like 1/f rises there.
    Where hum fills a part, its noise is no more than FLICKER times the part above.
    """
    bins = len(power)
    edges = np.linspace(0, bins, max(bins // BLOCK_BINS, 1) + 1).astype(int).tolist()
    low = [FIRST_BINS * (2**n - 1) for n in range(1, 16) if FIRST_BINS * (2**n - 1) < edges[1] / 2]
    edges[1:1] = low
    medians = np.array([np.median(power[first:last]) for first, last in itertools.pairwise(edges)])
    for block in reversed(range(len(low))):
        medians[block] = min(medians[block], FLICKER * medians[block + 1])
    return np.repeat(medians / math.log(2), np.diff(edges))


DETECTOR_HZ = 100_000.0
# Two peak rectifiers in a row, each charging through one time constant and always discharging through
# another. Found by least squares on the recommendation's burst tables (its sections 2.1 and 2.2), to whose
# middles they come within half a tolerance.
CHARGE_1_S, DISCHARGE_1_S = 1.44e-3, 0.274
CHARGE_2_S, DISCHARGE_2_S = 0.219, 0.374
CALIBRATION = 1.16925  # a steady sine of 1 kHz reads its RMS
TOGETHER = 8  # samples: 0.08 ms, next to nothing to the second rectifier
SETTLED, MOST_ROUNDS = 5e-4, 40  # change over a repetition of the record; the longest stretch of repetitions
NOISE_READING = 1.354  # of Gaussian noise's RMS, before calibration: where the detector starts
HIGHEST_HZ = 31_500.0  # the last point of the recommendation's table
FLUCTUATION_S = 4.4e-5  # of noise: variance of a reading over its square, times the record's length
SEAM_S = 2e-3  # twenty time constants of the network's slowest part


def quasi_peak_power(volts: Floats, interval_s: float) -> BandPower:
    """Square of the weighted quasi-peak of hot less cold, V². That of a steady 1 kHz sine is its RMS.

    volts: hot, cold, shape (2, samples), taken as one period of a lasting noise, so that the detector is read
    when it has settled. How far a reading fluctuates with the length of the record is known for noise; for
    rare clicks it is too little. The parts of hot and cold are as in the weighted mean square.

    A line that has no whole cycles in the record, as the idle generator's above the band, leaps where its end
    meets its beginning. That is a click, which the detector would see ten times a second; so the network's
    answer to it is left out.
    Raises ReadingError if the record does not hold the band.
    """
    weighted, step_s = weighted_track(volts[0] - volts[1], interval_s)
    square = float(detect(weighted[round(SEAM_S / step_s) :], step_s, settled=True).mean()) ** 2
    power = band_power(volts, interval_s, weighting="bs468")
    scale = square / power.mean_square_v2 if power.mean_square_v2 > 0 else 0.0
    return BandPower(
        mean_square_v2=square,
        standard_v2=2 * square * math.sqrt(FLUCTUATION_S / (volts.shape[1] * interval_s)),
        hot_v2=scale * power.hot_v2,
        cold_v2=scale * power.cold_v2,
    )


def weighted_track(volts: Floats, interval_s: float) -> tuple[Floats, float]:
    """Pass a record through the weighting network, and resample it for the detector.

    volts: shape (samples,), taken as one period of what lasts. Returns the weighted volts and their interval.
    Raises ReadingError for a record too short or too coarsely sampled.
    """
    samples = len(volts)
    duration_s = samples * interval_s
    if not 2 * HIGHEST_HZ * interval_s < 1 or not LOW_HZ * duration_s >= 2 - 1e-9:
        raise ReadingError(
            f"{samples} samples in {duration_s:.3g} s hold no band from {LOW_HZ:g} Hz to {HIGHEST_HZ:g} Hz, "
            "which a weighted quasi-peak needs. Take a longer record of more samples"
        )
    spectrum = np.fft.rfft(volts)
    count = round(duration_s * DETECTOR_HZ)
    bins = min(len(spectrum), count // 2)
    passed = np.zeros(count // 2 + 1, dtype=np.complex128)
    passed[:bins] = spectrum[:bins] * bs468_network(np.arange(bins) / duration_s)
    return np.asarray(np.fft.irfft(passed, count) * (count / samples)), duration_s / count


def detect(weighted: Floats, interval_s: float, *, settled: bool = False) -> Floats:
    """Run the quasi-peak detector over weighted volts, from rest; a steady sine reads its RMS in the end.

    settled: start where the detector stands after the record has been repeated for a long time.
    Returns its reading after every eighth sample. The two rectifiers are sequential by nature, so this is a
    plain loop; while nothing reaches the first one's charge, eight samples are one step.
    """
    charge_1, discharge_1, charge_2, discharge_2 = (
        -math.expm1(-interval_s / time) for time in (CHARGE_1_S, DISCHARGE_1_S, CHARGE_2_S, DISCHARGE_2_S)
    )
    rectified = np.abs(np.concatenate([weighted, np.zeros(-len(weighted) % TOGETHER)])).reshape(-1, TOGETHER)
    steps = list(zip(rectified.max(axis=1).tolist(), rectified.tolist(), strict=True))
    kept_1 = (1 - discharge_1) ** TOGETHER
    all_charge_2, all_discharge_2 = TOGETHER * charge_2, TOGETHER * discharge_2
    first = second = NOISE_READING * float(np.std(weighted)) if settled else 0.0
    track: list[float] = []
    for _ in range(MOST_ROUNDS if settled else 1):
        begun, track = second, []
        for highest, values in steps:
            if highest > first * kept_1:
                for value in values:
                    rise = value - first
                    first += (charge_1 * rise if rise > 0 else 0.0) - discharge_1 * first
            else:
                first *= kept_1
            rise = first - second
            second += (all_charge_2 * rise if rise > 0 else 0.0) - all_discharge_2 * second
            track.append(second)
        if abs(second - begun) <= SETTLED * second:
            break
    return np.asarray(track) * CALIBRATION


LAST_HARMONIC = 10
LEAST_RATIO = 20.0  # of the fundamental over its standard uncertainty: below, nothing to compare with
LINEARITY = 1e-4  # of the fundamental: a scope's own harmonics on another range: common practice, no source
STABILITY = 0.05  # of the through setup's harmonics, per part: common practice, no source


@dataclass(frozen=True, kw_only=True, eq=False)
class Harmonics:
    """What one tone's record holds, as seen differentially.

    fundamental_vrms, and fundamental_standard_vrms. orders: 2, 3, … those within the band. relative: complex,
    each harmonic over the fundamental's magnitude, phase counted from the fundamental's; standard: of each of
    their real and imaginary parts. rest: power in the band of all that is neither tone nor one of these.
    above_v2: what noise as dense as at the upper end of the record has in the band, and above_standard_v2;
    None: not known.
    """

    frequency_hz: float
    fundamental_vrms: float
    fundamental_standard_vrms: float
    orders: tuple[int, ...]
    relative: Complex
    standard: Floats
    rest: BandPower
    volts_per_division: tuple[float, ...] = ()
    above_v2: float | None = None
    above_standard_v2: float = 0.0


def measure_harmonics(
    volts: Floats,
    interval_s: float,
    frequency_hz: float,
    *,
    step_v: tuple[float, float],
    highest_hz: float = HIGH_HZ,
) -> Harmonics:
    """Find the fundamental and its harmonics up to the tenth, as far as the band goes, in a pair's record.

    volts: hot, cold, shape (2, samples). highest_hz: where the band ends. Raises ReadingError if the
    record has no tone, if no harmonic lies in the band, or if the record can't hold them (too short, too few
    samples a second).
    """
    orders = tuple(n for n in range(2, LAST_HARMONIC + 1) if n * frequency_hz <= highest_hz * (1 + 1e-9))
    if not orders:
        raise ReadingError(
            f"no harmonic of {frequency_hz:g} Hz lies under {highest_hz:g} Hz. Take a tone of at most "
            f"{highest_hz / 2:g} Hz"
        )
    fit = fit_tones(volts, interval_s, [frequency_hz * n for n in (1, *orders)], step_v=step_v)
    phasors = fit.phasors[0] - fit.phasors[1]
    standard = np.hypot(fit.standard[0], fit.standard[1])
    level = abs(phasors[0])
    if not level > LEAST_RATIO * standard[0]:
        raise ReadingError(f"there is no tone of {frequency_hz:g} Hz to measure the distortion of")
    turned = phasors[1:] * np.exp(-1j * np.angle(phasors[0]) * np.asarray(orders))
    remainder = _remainder(volts, interval_s, fit)
    above_v2 = density_above(remainder, interval_s) * (highest_hz - LOW_HZ)
    above_bins = (TOP[1] - TOP[0]) * volts.shape[1] / 2
    return Harmonics(
        frequency_hz=frequency_hz,
        fundamental_vrms=float(level),
        fundamental_standard_vrms=float(standard[0]),
        orders=orders,
        relative=np.asarray(turned / level),
        standard=np.asarray(standard[1:] / level),
        rest=band_power(remainder, interval_s, high_hz=highest_hz),
        above_v2=above_v2,
        above_standard_v2=above_v2 / (math.log(2) * math.sqrt(above_bins)),  # of a median of so many
    )


def thd(
    seen: Harmonics,
    through: Harmonics | None,
    *,
    alike: bool = True,
    inverted: bool = False,
    and_noise: bool = False,
    stability: float = STABILITY,
    largest_residual: float = 0.0,
    k: float = 2.0,
) -> Estimate:
    """Total harmonic distortion to the tenth harmonic, over the fundamental, a fraction.

    IEC 60268-3, and meters that notch the fundamental out, divide by the whole signal instead (from memory):
    they read d / sqrt(1 + d²), which is 0.005 % of the reading less at d = 1 %, and 0.5 % less at 10 %.

    through: the same tone in the through setup. and_noise: with everything else from 20 Hz to 20 kHz; the
    scope's own noise, found in the through setup, is taken off by its power. stability: what part of the
    through setup's harmonics may come out otherwise in the unit's, one standard uncertainty. Without a
    through setup no part of what is seen can be laid to the unit, and the result is a floor: no more than
    that and `largest_residual` together, the latter being what generator and scope may have, a fraction.
    alike: whether both were recorded on the same ranges. If not, the scope's own harmonics are others, and
    its noise is not known, so that of everything only an upper bound is. inverted: whether the unit turns the
    polarity. It turns the generator's even harmonics against the fundamental, and not those that the scope
    adds; the through setup shows both together, so that what they come to is anything between.
    Raises ReadingError for a through setup of another tone.
    """
    power, parts = _harmonic_power(seen, through, stability, inverted=inverted)
    if through is not None and not alike:
        shifted = 2 * LINEARITY * math.sqrt(max(power, 0.0)) + LINEARITY**2
        parts.append(Contribution(name="through reference", standard=shifted))
    if and_noise:
        square = seen.fundamental_vrms**2
        power += seen.rest.mean_square_v2 / square
        parts.append(Contribution(name="noise", standard=seen.rest.standard_v2 / square))
        if through is not None and alike:
            folded, standard = _folded_in_rest(seen, through)
            power -= (through.rest.mean_square_v2 + folded) / square
            parts.append(Contribution(name="through reference", standard=through.rest.standard_v2 / square))
            parts.append(Contribution(name="folded noise", standard=standard / square))
    result = root_of_power(power, parts, k=k)
    if through is not None and (alike or not and_noise):
        return result
    return below(result.high + largest_residual, k=k)


def _folded_in_rest(seen: Harmonics, through: Harmonics) -> tuple[float, float]:
    """Half of the most that can have folded into the rest from above half the sample rate, V²; its standard.

    This record's rate is low, and noise may not fall from there on. What falls at all folds no denser into
    the band than at the upper end of the record, where its first image is nearest: anything from nothing to
    that is in the band. By chance it comes out as negative as positive where there is none.
    """
    if seen.above_v2 is None or through.above_v2 is None:
        return 0.0, 0.0
    half = (seen.above_v2 - through.above_v2) / 2
    chance = math.hypot(seen.above_standard_v2, through.above_standard_v2) / 2
    return half, math.hypot(max(half, 0.0) / math.sqrt(3), chance)


def _harmonic_power(
    seen: Harmonics, through: Harmonics | None, stability: float, *, inverted: bool
) -> tuple[float, list[Contribution]]:
    """Power of the unit's harmonics over the fundamental's, free of what noise adds to it, and its parts.

    A phasor with noise s in each part has the power |true|² + 2 s² in the mean, and around it the variance
    4 s² |true|² + 4 s⁴.
    """
    difference, variance = seen.relative, seen.standard**2
    shares = {"noise": seen.standard**2}
    if through is not None:
        if through.orders != seen.orders or not math.isclose(
            through.frequency_hz, seen.frequency_hz, rel_tol=1e-6
        ):
            raise ReadingError(
                f"the through setup's harmonics are of {through.frequency_hz:g} Hz, the unit's of "
                f"{seen.frequency_hz:g} Hz"
            )
        unknown = (np.asarray(seen.orders) % 2 == 0) & inverted
        known = np.where(unknown, 0.0, through.relative)
        difference = seen.relative - known
        shares["through reference"] = through.standard**2 + (stability * np.abs(known)) ** 2 / 2
        variance = shares["noise"] + shares["through reference"]
    square = np.abs(difference) ** 2
    spread = np.maximum(4 * variance * square - 4 * variance**2, 4 * variance**2)
    power = float(np.sum(square - 2 * variance))
    parts = [
        Contribution(name=name, standard=math.sqrt(float(np.sum(spread * share / variance))))
        for name, share in shares.items()
    ]
    if through is not None:
        # twice this is what t, in or against the phase of s, makes of |s|²: 2 |t| |s| + |t|²
        turned = np.where(unknown, np.abs(through.relative), 0.0)
        worst = turned * (np.sqrt(square) + turned / 2)
        parts.append(Contribution(name="through reference", standard=float(np.linalg.norm(worst))))
    relative = seen.fundamental_standard_vrms / seen.fundamental_vrms
    parts.append(Contribution(name="fit", standard=2 * float(square.sum()) * relative))
    return power, parts


def _remainder(volts: Floats, interval_s: float, fit: ToneFit) -> Floats:
    """Take the fitted tones out of a record."""
    radians = 2 * np.pi * interval_s * fit.clock.ratio * np.asarray(fit.frequencies_hz)
    return np.asarray(volts - fit.amplitudes_v @ sine_rows(volts.shape[1], radians))
