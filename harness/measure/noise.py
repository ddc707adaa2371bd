"""Noise of a pair: RMS of its differential from 20 Hz to 20 kHz, less what the scope adds by itself.

A scope's own noise is mostly larger than that of what it looks at. So the reading is a difference of two mean
squares: of the port's record, and of one with the same inputs, on the same ranges, on nothing that makes
noise (their leads shorted). Where the difference is lost in its own uncertainty the noise is said to lie
below that.
"""

import itertools
import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.measure.levels import below, root_of_power
from harness.measure.spectrum import SPREAD, take_spectrum
from harness.measure.tones import TonePair
from harness.measure.weighting import Weighting, power_weights
from harness.reading import Contribution, Estimate

Floats = NDArray[np.float64]

LOW_HZ, HIGH_HZ = 20.0, 20_000.0
BLOCK_BINS = 64  # the noise round a bin is the median of so many
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
    weighting: Weighting = "flat",
    gain_standard: tuple[float, float] = (0.0, 0.0),
    k: float = 2.0,
) -> Estimate:
    """RMS noise of a pair's differential, V, 20 Hz to 20 kHz, unweighted or weighted.

    volts: hot, cold, shape (2, samples). own_volts: the same of the scope's own noise, another record, of any
    length; without one the scope's part is unknown and the result a floor: the noise is no more than what was
    seen. step_v: one code of each input. gain_standard: relative standard uncertainty of each input's gain.
    A record too quiet to move the quantiser about is a floor too, half a code of each input above what it
    shows: within a code anything can hide.
    Raises ReadingError where the records don't hold the band.
    """
    seen = band_power(volts, interval_s, weighting=weighting)
    if own_volts is None:
        return below(math.sqrt(seen.mean_square_v2 + k * _standard(seen, gain_standard)), k=k)
    own = band_power(own_volts, interval_s, weighting=weighting)
    parts = [
        Contribution(name="noise", standard=seen.standard_v2),
        Contribution(name="scope's own noise", standard=own.standard_v2),
        Contribution(name="input gain", standard=2 * gain_standard[0] * abs(seen.hot_v2 - own.hot_v2)),
        Contribution(name="input gain", standard=2 * gain_standard[1] * abs(seen.cold_v2 - own.cold_v2)),
    ]
    found = root_of_power(seen.mean_square_v2 - own.mean_square_v2, parts, k=k)
    hidden = undithered(volts, step_v) + undithered(own_volts, step_v)
    return below(found.high + hidden, k=k) if hidden > 0 else found


def band_power(
    volts: Floats,
    interval_s: float,
    *,
    weighting: Weighting = "flat",
    high_hz: float = HIGH_HZ,
) -> BandPower:
    """Mean square of hot less cold from 20 Hz up, weighted, V², and how far it can be off by chance.

    volts: hot, cold, shape (2, samples). high_hz: where the band ends. Raises ReadingError where the record
    does not hold the band.

    A bin of noise of mean N has the variance N²; one that holds a steady line besides, of power P in all, has
    2 N P - N². N is taken from the median of neighbouring bins, which lines don't move.
    """
    spectrum = take_spectrum(volts, interval_s, low_hz=LOW_HZ, high_hz=high_hz)
    weights = power_weights(weighting, spectrum.frequencies_hz) * spectrum.bin_hz
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
    """Mean power of the noise alone in each bin, by the median of its block (an exponential's is ln 2)."""
    bins = len(power)
    blocks = max(bins // BLOCK_BINS, 1)
    edges = np.linspace(0, bins, blocks + 1).astype(int)
    whole = bins // blocks
    if whole * blocks == bins:
        medians = np.median(power.reshape(blocks, whole), axis=1)
    else:
        medians = np.array([np.median(power[a:b]) for a, b in itertools.pairwise(edges)])
    return np.repeat(medians / math.log(2), np.diff(edges))


def _standard(power: BandPower, gain_standard: tuple[float, float]) -> float:
    """Standard uncertainty of a mean square by chance and gains, V²."""
    return math.hypot(
        power.standard_v2, 2 * gain_standard[0] * power.hot_v2, 2 * gain_standard[1] * power.cold_v2
    )
