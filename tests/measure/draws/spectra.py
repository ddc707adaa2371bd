"""Draws of noise and distortion: gains, codes, noise, clocks, instants, what generator and scope add."""

import math

import numpy as np
from numpy.typing import NDArray

from harness.measure.residuals import measure_harmonics, noise, thd
from tests.measure.draws.shares import Drawn, drawn

Floats = NDArray[np.float64]

RATE_HZ, SAMPLES = 100_000, 10_000
GAIN_ACCURACY = 0.03  # limits of a uniform distribution
GAIN_STANDARD = (GAIN_ACCURACY / math.sqrt(3),) * 2
UNIT_V, SCOPE_V = 3e-4, 4e-4  # RMS on each leg, over the whole record's band
WEIGHTED_DB = {"none": 0.0, "A": -2.048, "bs468": 7.309}  # of white noise to 20 kHz: the curves' integrals
QUASI_PEAK = 1.5835  # what the detector reads of long noise over its weighted RMS: 40 records of 2 s
TONE_HZ, TONE_RATE_HZ, TONE_SAMPLES, BAND_HZ = 800.0, 40_000, 4000, 8000.0
UNIT_SHARES = {2: 1.5e-3, 3: 0.8e-3j, 5: 0.4e-3}
NOISE_V, NOISE_TOP_HZ = 2e-3, 10_000  # the unit's own, on each leg up to there


def unit_noise_vrms(weighting: str) -> float:
    """What the unit's white noise has from 20 Hz to 20 kHz."""
    band_v2 = 2 * UNIT_V**2 * 19_980 / (RATE_HZ / 2)
    return math.sqrt(band_v2 * 10 ** (WEIGHTED_DB[weighting] / 10))


def _quiet_records(seed: int) -> tuple[Floats, Floats, tuple[float, float]]:
    """What the scope shows of a noisy unit, and of nothing: its gains and codes drawn for both together."""
    random = np.random.default_rng(seed)
    gains = 1 + random.uniform(-GAIN_ACCURACY, GAIN_ACCURACY, (2, 1))
    step = SCOPE_V * random.uniform(0.5, 1.5)
    records = [UNIT_V * random.normal(size=(2, SAMPLES)), np.zeros((2, SAMPLES))]
    scope = SCOPE_V * random.normal(size=(2, 2, SAMPLES))
    seen, own = (
        np.round(gains * (unit + added) / step) * step for unit, added in zip(records, scope, strict=True)
    )
    return seen, own, (step, step)


def noises(seed: int) -> dict[str, list[Drawn]]:
    """Noise, unweighted and A-weighted."""
    seen, own, step = _quiet_records(seed)
    flat, weighted = (
        noise(seen, 1 / RATE_HZ, own_volts=own, step_v=step, weighting=each, gain_standard=GAIN_STANDARD)
        for each in ("none", "A")
    )
    return {
        "noise, unweighted": [drawn(flat, unit_noise_vrms("none"))],
        "noise, A-weighted": [drawn(weighted, unit_noise_vrms("A"))],
    }


def quasi_peaks(seed: int) -> dict[str, list[Drawn]]:
    """Noise, weighted quasi-peak."""
    seen, own, step = _quiet_records(seed)
    result = noise(
        seen, 1 / RATE_HZ, own_volts=own, step_v=step, weighting="quasi-peak", gain_standard=GAIN_STANDARD
    )
    return {"noise, quasi-peak": [drawn(result, QUASI_PEAK * unit_noise_vrms("bs468"))]}


def _limited(white_v: Floats) -> Floats:
    """White noise cut off above NOISE_TOP_HZ, so that nothing of it folds; its RMS stays."""
    spectrum = np.fft.rfft(white_v, axis=1)
    spectrum[:, round(NOISE_TOP_HZ * TONE_SAMPLES / TONE_RATE_HZ) :] = 0.0
    kept = TONE_RATE_HZ / 2 / NOISE_TOP_HZ
    return np.asarray(np.fft.irfft(spectrum, TONE_SAMPLES, axis=1) * math.sqrt(kept))


def _tone_records(seed: int) -> list[Floats]:
    """A tone in the unit's setup and in the through setup; source and scope add harmonics to both."""
    random = np.random.default_rng(seed)
    source = {n: 1e-3 * (random.normal() + 1j * random.normal()) for n in (2, 3, 4)}
    clock = 1 + random.uniform(-1e-4, 1e-4)
    gains = 1 + random.uniform(-GAIN_ACCURACY, GAIN_ACCURACY, (2, 1))
    records = []
    for unit in (True, False):
        # the source's harmonics come out a little otherwise in another setup: 5 %, standard
        otherwise = 0.05 / math.sqrt(2) * (random.normal(size=3) + 1j * random.normal(size=3))
        series: dict[int, complex] = {1: 1.0} | {
            n: each * (1 + (change if unit else 0))
            for (n, each), change in zip(source.items(), otherwise, strict=True)
        }
        if unit:
            for n, each in UNIT_SHARES.items():
                series[n] = series.get(n, 0.0) + each
        start = random.uniform(0, 2 * np.pi)
        angle = 2 * np.pi * TONE_HZ * clock * np.arange(TONE_SAMPLES) / TONE_RATE_HZ + start
        wave = np.sum([np.real(each * np.exp(1j * n * angle)) for n, each in series.items()], axis=0)
        added = 3e-3 * random.normal(size=(2, TONE_SAMPLES))
        if unit:
            added += _limited(NOISE_V * random.normal(size=(2, TONE_SAMPLES)))
        records.append(np.round(gains * (np.stack([wave / 2, -wave / 2]) + added) / 5e-3) * 5e-3)
    return records


def distortions(seed: int) -> dict[str, list[Drawn]]:
    """Harmonic distortion, and everything but the tone."""
    seen, through = (
        measure_harmonics(record, 1 / TONE_RATE_HZ, TONE_HZ, step_v=(5e-3, 5e-3), highest_hz=BAND_HZ)
        for record in _tone_records(seed)
    )
    harmonics = sum(abs(each) ** 2 for each in UNIT_SHARES.values())
    noise_v2 = 2 * NOISE_V**2 * (BAND_HZ - 20) / NOISE_TOP_HZ / 0.5  # over the fundamental's 0.5 V²
    return {
        "THD": [drawn(thd(seen, through), math.sqrt(harmonics))],
        "THD+N": [drawn(thd(seen, through, and_noise=True), math.sqrt(harmonics + noise_v2))],
    }
