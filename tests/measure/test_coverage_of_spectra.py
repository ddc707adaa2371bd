"""Whether noise's and distortion's true values lie inside their intervals as often as they should.

A thousand draws each of gains, codes, noise, clocks, instants and what generator and scope add themselves.
JCGM 100: k = 2 covers 95.45 % of a normal distribution.
"""

import math

import numpy as np
import pytest

from harness.measure.distortion import measure_harmonics, thd, thd_and_noise
from harness.measure.noise import noise
from harness.measure.quasi_peak import quasi_peak

DRAWS = 1000
RATE_HZ, SAMPLES = 100_000, 10_000
GAIN_ACCURACY = 0.03  # limits of a uniform distribution
UNIT_V, SCOPE_V = 3e-4, 4e-4  # RMS on each leg, over the whole record's band
WEIGHTED_V2 = {  # what the unit's white noise has from 20 Hz to 20 kHz, by the curves' integrals
    "flat": 1.0,
    "a": 10 ** (-2.048 / 10),
    "bs468": 10 ** (7.309 / 10),
}


def coverage(found, true):
    """Share of draws whose interval holds the true value; floors hold what lies below them."""
    assert sum(estimate.floor for estimate in found) < 0.02 * DRAWS
    return np.mean([estimate.low <= true <= estimate.high for estimate in found])


def quiet_records(seed):
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


@pytest.mark.parametrize("weighting", ["flat", "a"])
def test_noise_lies_inside_its_interval(weighting):
    standard = (GAIN_ACCURACY / math.sqrt(3),) * 2
    found = []
    for seed in range(DRAWS):
        seen, own, step = quiet_records(seed)
        found.append(
            noise(seen, 1 / RATE_HZ, own_volts=own, step_v=step, weighting=weighting, gain_standard=standard)
        )
    true = math.sqrt(2 * UNIT_V**2 * 19_980 / (RATE_HZ / 2) * WEIGHTED_V2[weighting])
    assert 0.93 <= coverage(found, true) <= 0.975


def test_quasi_peak_noise_lies_inside_its_interval():
    standard = (GAIN_ACCURACY / math.sqrt(3),) * 2
    found = []
    for seed in range(DRAWS):
        seen, own, step = quiet_records(seed)
        found.append(quasi_peak(seen, 1 / RATE_HZ, own_volts=own, step_v=step, gain_standard=standard))
    # what the detector reads of much longer noise: 1.5835 of its weighted RMS (mean of 40 records of 2 s)
    true = 1.5835 * math.sqrt(2 * UNIT_V**2 * 19_980 / (RATE_HZ / 2) * WEIGHTED_V2["bs468"])
    assert 0.93 <= coverage(found, true) <= 0.975


TONE_HZ, TONE_RATE_HZ, TONE_SAMPLES, BAND_HZ = 800.0, 20_000, 2000, 8000.0
UNIT_SHARES = {2: 1.5e-3, 3: 0.8e-3j, 5: 0.4e-3}
NOISE_V = 2e-3  # the unit's own, on each leg over the whole record's band


def tone_records(seed):
    """A tone in the unit's hookup and in the through hookup; source and scope add harmonics to both."""
    random = np.random.default_rng(seed)
    source = {n: 1e-3 * (random.normal() + 1j * random.normal()) for n in (2, 3, 4)}
    clock = 1 + random.uniform(-1e-4, 1e-4)
    gains = 1 + random.uniform(-GAIN_ACCURACY, GAIN_ACCURACY, (2, 1))
    records = []
    for unit in (True, False):
        # the source's harmonics come out a little otherwise in another hookup: 5 %, standard
        otherwise = 0.05 / math.sqrt(2) * (random.normal(size=3) + 1j * random.normal(size=3))
        series = {1: 1.0} | {
            n: share * (1 + (change if unit else 0))
            for (n, share), change in zip(source.items(), otherwise, strict=True)
        }
        if unit:
            for n, share in UNIT_SHARES.items():
                series[n] = series.get(n, 0.0) + share
        start = random.uniform(0, 2 * np.pi)
        angle = 2 * np.pi * TONE_HZ * clock * np.arange(TONE_SAMPLES) / TONE_RATE_HZ + start
        wave = sum(np.real(share * np.exp(1j * n * angle)) for n, share in series.items())
        added = 3e-3 * random.normal(size=(2, TONE_SAMPLES))
        if unit:
            added += NOISE_V * random.normal(size=(2, TONE_SAMPLES))
        records.append(np.round(gains * (np.stack([wave / 2, -wave / 2]) + added) / 5e-3) * 5e-3)
    return records


@pytest.fixture(scope="module")
def distortions():
    found = []
    for seed in range(DRAWS):
        seen, through = (
            measure_harmonics(record, 1 / TONE_RATE_HZ, TONE_HZ, step_v=(5e-3, 5e-3), highest_hz=BAND_HZ)
            for record in tone_records(seed)
        )
        found.append((thd(seen, through), thd_and_noise(seen, through)))
    return found


def test_distortion_lies_inside_its_interval(distortions):
    true = math.sqrt(sum(abs(share) ** 2 for share in UNIT_SHARES.values()))
    assert 0.93 <= coverage([harmonic for harmonic, _ in distortions], true) <= 0.975


def test_distortion_and_noise_lie_inside_their_interval(distortions):
    noise_v2 = 2 * NOISE_V**2 * (BAND_HZ - 20) / (TONE_RATE_HZ / 2) / 0.5  # over the fundamental's 0.5 V²
    true = math.sqrt(sum(abs(share) ** 2 for share in UNIT_SHARES.values()) + noise_v2)
    assert 0.93 <= coverage([both for _, both in distortions], true) <= 0.975
