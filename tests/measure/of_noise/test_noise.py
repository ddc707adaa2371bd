"""Weightings against their standards' tables, noise against what was put in."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.budget import in_db
from harness.measure.residuals import band_power, density_above, least_noise_vrms, noise
from harness.measure.spectrum import Weighting, a_weighting, bs468_network
from harness.measure.tones import choose_tones
from harness.units import ZERO_DBU_VRMS

# IEC 61672-1, table of the A-weighting, 20 Hz to 20 kHz in third octaves
# (read at lichtbeeldgeluid.nl/geluid/tabellen)
A_TABLE_DB = [
    -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4, -10.9, -8.6, -6.6, -4.8, -3.2, -1.9,
    -0.8, 0.0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1, -1.1, -2.5, -4.3, -6.6, -9.3,
]  # fmt: skip

# ITU-R BS.468-4, table 1: Hz, dB, tolerance (read in copies of the table that agree)
BS468_TABLE = [
    (31.5, -29.9, 2.0), (63, -23.9, 1.4), (100, -19.8, 1.0), (200, -13.8, 0.85), (400, -7.8, 0.7),
    (800, -1.9, 0.55), (1000, 0.0, 0.5), (2000, 5.6, 0.5), (3150, 9.0, 0.5), (4000, 10.5, 0.5),
    (5000, 11.7, 0.5), (6300, 12.2, 0.05), (7100, 12.0, 0.2), (8000, 11.4, 0.4), (9000, 10.1, 0.6),
    (10000, 8.1, 0.8), (12500, 0.0, 1.2), (14000, -5.3, 1.4), (16000, -11.7, 1.6), (20000, -22.2, 2.0),
    (31500, -42.7, 2.8),
]  # fmt: skip

RATE_HZ = 100_000
STEPS = (1e-5, 1e-5)


def quiet_pair(seed: int, vrms: float, samples: int = 100_000) -> NDArray[np.float64]:
    return vrms * np.random.default_rng(seed).normal(size=(2, samples))


@pytest.mark.parametrize(("n", "level_db"), list(zip(range(-17, 14), A_TABLE_DB, strict=True)))
def test_a_weighting_reproduces_iec_61672_1_at_exact_frequencies(n: int, level_db: float) -> None:
    """The table belongs to 1000·10^(n/10) Hz and is rounded to a tenth."""
    hz = np.array([1000 * 10 ** (n / 10)])
    assert 20 * math.log10(a_weighting(hz)[0]) == pytest.approx(level_db, abs=0.0501)


@pytest.mark.parametrize(("hz", "level_db", "tolerance_db"), BS468_TABLE)
def test_the_network_reproduces_bs_468_4_table_1(hz: float, level_db: float, tolerance_db: float) -> None:
    result = 20 * math.log10(abs(bs468_network(np.array([hz]))[0]))
    assert result == pytest.approx(level_db, abs=min(0.06, tolerance_db))


def test_the_network_is_causal() -> None:
    """What its formula's phase gives is a network that answers after a click, not before."""
    hz = np.arange(0.0, 100_001.0, 2.0)
    answer = np.fft.irfft(bs468_network(hz), 100_000)
    energy = answer**2
    # its seven-pole-steep top end is cut at 100 kHz, which rings by itself
    assert energy[-50_000:].sum() < 1e-4 * energy.sum()


@pytest.mark.parametrize(
    ("weighting", "over_flat_db"),
    [("A", -2.048), ("bs468", 7.309)],  # white noise, 20 Hz to 20 kHz: closed form of the tables' curves
)
def test_weighted_white_noise_has_the_level_of_the_curves_integral(
    weighting: Weighting, over_flat_db: float
) -> None:
    volts = quiet_pair(3, 1e-3, 1_000_000)
    flat = band_power(volts, 1 / RATE_HZ).mean_square_v2
    weighted = band_power(volts, 1 / RATE_HZ, weighting=weighting).mean_square_v2
    assert 10 * math.log10(weighted / flat) == pytest.approx(over_flat_db, abs=0.06)


def test_noise_of_both_legs_adds_and_common_noise_cancels() -> None:
    volts = quiet_pair(7, 1e-3)
    expected_v2 = 2 * 1e-6 * 19_980 / (RATE_HZ / 2)
    assert band_power(volts, 1 / RATE_HZ).mean_square_v2 == pytest.approx(expected_v2, rel=0.03)
    shared = np.stack([volts[0], volts[0]])
    assert band_power(shared, 1 / RATE_HZ).mean_square_v2 == pytest.approx(0.0, abs=1e-18)


def test_a_level_in_dbu_is_over_the_root_of_six_tenths() -> None:
    """Closed form: 0 dBu is 1 mW in 600 ohm, sqrt(0.6) = 0.774597 V; -60 dBu is 0.774597 mV."""
    own = quiet_pair(1, 1e-5)
    sine = 0.774597e-3 * np.sqrt(2) * np.sin(2 * np.pi * 1000 * np.arange(100_000) / RATE_HZ)
    seen = quiet_pair(2, 1e-5) + np.stack([sine / 2, -sine / 2])
    level = in_db(noise(seen, 1 / RATE_HZ, own_volts=own, step_v=STEPS), ZERO_DBU_VRMS)
    assert level.value == pytest.approx(-60.0, abs=0.002)
    assert level.low <= -60.0 <= level.high


def test_what_the_scope_adds_by_itself_is_taken_off() -> None:
    own, seen = quiet_pair(1, 1e-3), quiet_pair(2, 1e-3) + quiet_pair(3, 1e-3)
    result = noise(seen, 1 / RATE_HZ, own_volts=own, step_v=STEPS)
    true = math.sqrt(2e-6 * 19_980 / (RATE_HZ / 2))
    assert not result.floor
    assert result.low <= true <= result.high
    assert {line.name for line in result.budget} == {"noise", "scope's own noise"}


def test_noise_under_the_scopes_own_is_a_floor_and_no_number() -> None:
    seen = quiet_pair(2, 1e-3) + quiet_pair(3, 1e-6)
    result = noise(seen, 1 / RATE_HZ, own_volts=quiet_pair(1, 1e-3), step_v=STEPS)
    assert result.floor
    assert result.low == -math.inf
    assert math.sqrt(2e-12 * 0.3996) < result.value < 2e-4


def test_without_a_record_of_the_scopes_own_noise_only_a_floor_is_said() -> None:
    result = noise(quiet_pair(2, 1e-3), 1 / RATE_HZ, own_volts=None, step_v=STEPS)
    assert result.floor
    assert result.value > math.sqrt(2e-6 * 0.3996)


def test_a_record_asleep_inside_one_code_is_no_silence() -> None:
    """A sine of 0.4 codes moves no converter: what may hide in the codes is said."""
    asleep = np.zeros((2, 100_000))
    result = noise(asleep, 1 / RATE_HZ, own_volts=asleep, step_v=(1e-3, 1e-3))
    assert result.floor
    assert result.value >= 0.4e-3


def test_mains_hum_is_no_chance() -> None:
    """A line of 50 Hz counts as noise by its power, but has next to no uncertainty of its own."""
    hum = 0.01 * np.sin(2 * np.pi * 50 * np.arange(100_000) / RATE_HZ)
    result = noise(
        quiet_pair(2, 1e-4) + np.stack([hum, -hum]), 1 / RATE_HZ, own_volts=quiet_pair(1, 1e-4), step_v=STEPS
    )
    assert result.value == pytest.approx(0.02 / math.sqrt(2), rel=1e-3)
    assert result.standard is not None
    assert result.standard < 1e-4 * result.value


def test_too_slow_a_record_is_refused() -> None:
    with pytest.raises(ReadingError, match="Take more samples"):
        noise(np.zeros((2, 20_000)), 1e-4, own_volts=None, step_v=STEPS)


def test_the_floor_said_beforehand_is_the_one_found() -> None:
    """Two records of a quiet scope's own noise on 1 mV per division give about what was said."""
    tones = choose_tones(60e3)
    random = np.random.default_rng(11)
    step = 8e-3 / 256
    result = []
    for _ in range(20):
        records = 0.02e-3 * random.normal(size=(2, 2, tones.samples))
        seen, own = np.round(records / step) * step
        interval_s = tones.duration_s / tones.samples
        result.append(noise(seen, interval_s, own_volts=own, step_v=(0.0, 0.0)))
    message = least_noise_vrms(1e-3, tones, weighting="none")
    levels = [each.high for each in result if each.floor]
    assert len(levels) >= 17
    assert 0.7 * message < np.median(levels) < 1.6 * message


@pytest.mark.parametrize("top_hz", [100e3, 1e6])
def test_what_folds_from_above_half_the_sample_rate_is_in_the_interval(top_hz: float) -> None:
    """Closed form: white noise through two poles at top_hz, as a sampler at 2 MHz without a filter has it."""
    fine_hz, every, density_v2_hz = 16e6, 8, 1e-14
    held = 0
    for seed in range(10):
        random = np.random.default_rng(seed)
        white = random.normal(0.0, math.sqrt(density_v2_hz * fine_hz / 2), 1_600_000)
        spectrum = np.fft.rfft(white) / np.sqrt(1 + (np.fft.rfftfreq(len(white), 1 / fine_hz) / top_hz) ** 4)
        unit = np.fft.irfft(spectrum, len(white))[::every]
        own, scope = random.normal(0.0, 2e-5, (2, 2, len(unit)))
        result = noise(
            scope + np.stack([unit, 0 * unit]),
            every / fine_hz,
            own_volts=own,
            own_above_v2_hz=density_above(own, every / fine_hz),
            step_v=(0.0, 0.0),
        )
        true = math.sqrt(density_v2_hz * 19_980)
        held += result.low <= true <= result.high
        assert 20 * math.log10(result.high / result.low) < (1.0 if top_hz < 2e5 else 3.5)
    assert held >= 9


def test_noise_like_1_over_f_has_the_logarithm_of_the_bands_ends() -> None:
    """Closed form: the integral of a/f from 20 Hz to 20 kHz is a ln 1000. 20 Hz is a bin here."""
    random = np.random.default_rng(1)
    samples, bins = RATE_HZ // 10, np.arange(1, RATE_HZ // 20)
    squares = []
    for _ in range(200):
        spectrum = np.zeros(samples // 2 + 1, dtype=complex)
        spectrum[bins] = (
            samples * np.sqrt(1e-12 / bins / 2) * np.exp(2j * np.pi * random.uniform(size=len(bins)))
        )
        volts = np.stack([np.fft.irfft(spectrum, samples), np.zeros(samples)])
        squares.append(band_power(volts, 1 / RATE_HZ).mean_square_v2)
    assert np.mean(squares) == pytest.approx(1e-12 * math.log(1000), rel=0.025)
