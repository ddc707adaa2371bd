"""Noise as ITU-R BS.468-4 reads it: through its weighting network and a quasi-peak detector."""

import math

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.levels import below, root_of_power
from harness.measure.noise import LOW_HZ, band_power, undithered
from harness.measure.weighting import bs468_network
from harness.reading import Contribution, Estimate

Floats = NDArray[np.float64]

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


def quasi_peak(
    volts: Floats,
    interval_s: float,
    *,
    own_volts: Floats | None,
    step_v: tuple[float, float],
    gain_standard: tuple[float, float] = (0.0, 0.0),
    k: float = 2.0,
) -> Estimate:
    """Weighted quasi-peak noise of a pair's differential, V, as for a steady sine of 1 kHz its RMS.

    volts: hot, cold, shape (2, samples); own_volts: the same of the scope's own noise. Arguments and floors
    are those of `noise.noise`. The record is taken as one period of a lasting noise, so that the detector is
    read when it has settled. The scope's own noise is taken off by its square, as is right for two noises of
    one spectrum. How far a reading fluctuates with the length of the record is known for noise; for rare
    clicks it is too little. What the inputs' gain errors do is told by the weighted mean square, as if the
    detector read that. Raises ReadingError where the record does not hold the band.
    """
    seen = _settled(volts, interval_s)
    chance = _chance(seen, volts, interval_s)
    by_leg = _by_leg(seen, volts, interval_s)
    if own_volts is None:
        gains = (2 * gain * part for gain, part in zip(gain_standard, by_leg, strict=True))
        return below(math.sqrt(seen**2 + k * math.hypot(chance, *gains)), k=k)
    own = _settled(own_volts, interval_s)
    own_by_leg = _by_leg(own, own_volts, interval_s)
    parts = [
        Contribution(name="noise", standard=chance),
        Contribution(name="scope's own noise", standard=_chance(own, own_volts, interval_s)),
        *(
            Contribution(name="input gain", standard=2 * gain * abs(part - own_part))
            for gain, part, own_part in zip(gain_standard, by_leg, own_by_leg, strict=True)
        ),
    ]
    found = root_of_power(seen**2 - own**2, parts, k=k)
    hidden = undithered(volts, step_v) + undithered(own_volts, step_v)
    return below(found.high + hidden, k=k) if hidden > 0 else found


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
    kept = np.zeros(count // 2 + 1, dtype=np.complex128)
    kept[:bins] = spectrum[:bins] * bs468_network(np.arange(bins) / duration_s)
    return np.asarray(np.fft.irfft(kept, count) * (count / samples)), duration_s / count


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


def _settled(volts: Floats, interval_s: float) -> float:
    """Mean reading of a lasting noise of which hot less cold is one period, V."""
    weighted, step_s = weighted_track(volts[0] - volts[1], interval_s)
    return float(detect(weighted, step_s, settled=True).mean())


def _by_leg(reading: float, volts: Floats, interval_s: float) -> tuple[float, float]:
    """The parts of a reading's square that hot and cold contribute, V²: as of the weighted mean square."""
    power = band_power(volts, interval_s, weighting="bs468")
    scale = reading**2 / power.mean_square_v2 if power.mean_square_v2 > 0 else 0.0
    return scale * power.hot_v2, scale * power.cold_v2


def _chance(reading: float, volts: Floats, interval_s: float) -> float:
    """Standard uncertainty of a reading's square by chance, V²."""
    return 2 * reading**2 * math.sqrt(FLUCTUATION_S / (volts.shape[1] * interval_s))
