"""Distortion against the closed forms of well-known waveforms, and what the bench adds taken off."""

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.residuals import Harmonics, measure_harmonics, thd
from harness.measure.tones import Stimulus

RATE_HZ, SAMPLES = 400_000, 40_000
HZ = 1000.0
STEPS = (0.0, 0.0)
PURE = {1: 1.0}


def record(
    series: Mapping[int, complex],
    *,
    seed: int = 0,
    noise_v: float = 1e-6,
    samples: int = SAMPLES,
    clock: float = 1.00003,
) -> NDArray[np.float64]:
    """A pair that carries a Fourier series {order: complex amplitude}, half on each leg, at any instant."""
    random = np.random.default_rng(seed)
    start = random.uniform(0, 2 * np.pi)
    angle = 2 * np.pi * HZ * clock * np.arange(samples) / RATE_HZ + start
    wave = sum(np.real(amplitude * np.exp(1j * n * angle)) for n, amplitude in series.items())
    return np.stack([wave / 2, -wave / 2]) + noise_v * random.normal(size=(2, samples))


def harmonics(series: Mapping[int, complex], **how: Any) -> Harmonics:
    return measure_harmonics(record(series, **how), 1 / RATE_HZ, HZ, step_v=STEPS)


def odd_series(last: int, amplitude: Callable[..., Any]) -> dict[int, complex]:
    return {n: amplitude(n) for n in range(1, last + 1, 2)}


ANGLES = 2 * np.pi * np.arange(65_536) / 65_536


def spectrum_of(wave: NDArray[np.float64]) -> dict[int, complex]:
    """Fourier series of one period of a waveform, to the 199th harmonic, by a long FFT."""
    return {n: a for n, a in enumerate(2 * np.fft.rfft(wave)[:200] / len(wave)) if n > 0 and abs(a) > 1e-12}


def clipped_sine(level: float) -> dict[int, complex]:
    """Of a sine of 1 clipped at `level`, on both sides."""
    return spectrum_of(np.clip(np.cos(ANGLES), -level, level))


SQUARE = odd_series(199, lambda n: 1j / n)
TRIANGLE = odd_series(199, lambda n: 1 / n**2)


@pytest.mark.parametrize(
    ("series", "to_tenth", "to_20_khz"),
    [
        # Closed form: sums of 1/n^2 and 1/n^4 to the last harmonic. Unbounded, they come to sqrt(pi^2/8 - 1)
        # and sqrt(pi^4/96 - 1), as quoted from Blagouchine and Moreau, IEEE Trans. Commun. 59 (2011).
        (SQUARE, 0.42879477, 0.45686028),
        (TRIANGLE, 0.12047650, 0.12106734),
        ({n: 1j / n for n in range(1, 200)}, 0.74146324, None),  # sawtooth
    ],
)
def test_thd_of_ideal_waveforms(
    series: Mapping[int, complex], to_tenth: float, to_20_khz: float | None
) -> None:
    seen, through = harmonics(series, seed=1), harmonics(PURE, seed=2)
    assert thd(seen, through).value == pytest.approx(to_tenth, rel=1e-4)
    if to_20_khz:
        assert thd(seen, through, and_noise=True).value == pytest.approx(to_20_khz, rel=2e-4)


@pytest.mark.parametrize(
    ("level", "third", "fifth"),
    [(0.891251, 3.68417e-2, 2.47180e-2), (0.707946, 12.92340e-2, 2.60923e-2), (0.5, None, None)],
)
def test_harmonics_of_a_clipped_sine(level: float, third: float | None, fifth: float | None) -> None:
    """Symmetric hard clip, -1 and -3 dB: b3/b1, b5/b1 and the total in closed form."""
    seen, through = harmonics(clipped_sine(level), seed=3), harmonics(PURE, seed=4)
    if third:
        assert abs(seen.relative[1]) == pytest.approx(third, rel=1e-4)
        assert abs(seen.relative[3]) == pytest.approx(fifth, rel=1e-4)
    phi = math.asin(level)
    first = 2 / math.pi * (phi + level * math.sqrt(1 - level**2))
    square = 2 / math.pi * ((phi - level * math.sqrt(1 - level**2)) / 2 + level**2 * (math.pi / 2 - phi))
    total = math.sqrt(2 * square / first**2 - 1)
    assert thd(seen, through).value < total
    assert thd(seen, through, and_noise=True).value == pytest.approx(
        total, rel=3e-3
    )  # the rest is over 20 kHz


def test_one_sided_clipping_makes_even_harmonics() -> None:
    """A sine clipped at +0.9 alone: H2 1.790954 %, H3 1.611858 %, all of them 3.210445 % (a long FFT)."""
    series = spectrum_of(np.minimum(np.cos(ANGLES), 0.9))
    seen, through = harmonics(series, seed=20), harmonics(PURE, seed=21)
    assert abs(seen.relative[0]) == pytest.approx(1.790954e-2, rel=1e-4)
    assert abs(seen.relative[1]) == pytest.approx(1.611858e-2, rel=1e-4)
    assert thd(seen, through, and_noise=True).value == pytest.approx(3.210445e-2, rel=1e-3)


@pytest.mark.parametrize(
    ("duty", "distortion"),
    [(0.5, 0.4834), (0.4, 0.5562), (0.25, 0.9223), (0.1, 1.9108)],
)
def test_a_pulse_has_the_distortion_of_its_duty(duty: float, distortion: float) -> None:
    """sqrt(d (1 - d) pi² / (2 sin² pi d) - 1), all harmonics: closed form; those over 20 kHz are missing."""
    seen = harmonics({n: math.sin(math.pi * n * duty) / n for n in range(1, 21)}, seed=22)
    orders = np.arange(2, 21)
    within = np.sum((np.sin(np.pi * orders * duty) / orders) ** 2) / math.sin(math.pi * duty) ** 2
    over_20_khz = distortion**2 - within
    result = thd(seen, harmonics(PURE, seed=23), and_noise=True)
    assert 0 < over_20_khz < 0.15 * distortion**2
    assert math.sqrt(result.value**2 + over_20_khz) == pytest.approx(distortion, rel=2e-4)


def test_the_polynomial_case() -> None:
    """y = x + 0.01 x² + 0.02 x³ of a cosine of 1: 1.015, 0.005, 0.005, THD 0.6966569 %, by hand."""
    seen, through = harmonics({1: 1.015, 2: 0.005, 3: 0.005}, seed=5), harmonics(PURE, seed=6)
    result = thd(seen, through)
    assert result.value == pytest.approx(0.006966569, rel=1e-4)
    assert result.low <= 0.006966569 <= result.high


def test_what_generator_and_scope_add_is_taken_off_as_a_phasor() -> None:
    source = {1: 1.0, 2: 1e-3, 3: 1e-3j}
    seen = harmonics({1: 1.0, 2: 1e-3, 3: 0.4e-3j}, seed=7)  # the unit happens to cancel some of it
    result = thd(seen, harmonics(source, seed=8), stability=0.01)
    assert result.low <= 0.6e-3 <= result.high
    assert {line.name for line in result.budget} >= {"noise", "through reference"}


@pytest.mark.parametrize("of_scope", [0.05, 0.5, 0.95])
@pytest.mark.parametrize("own", [3e-3, 3e-3j, -2e-3])
def test_an_inverting_unit_turns_the_generators_even_harmonics_alone(own: complex, of_scope: float) -> None:
    """Closed form: -1 times the generator's series; the third is turned with the fundamental, the second not.

    of_scope: the share of the through setup's second harmonic that the scope adds, whatever it is shown.
    """
    second, third = 6e-4, 8e-4j
    through = harmonics({1: 1.0, 2: second, 3: third}, seed=21)
    bench = second * (of_scope - (1 - of_scope))
    seen = harmonics({1: -1.0, 2: bench + own, 3: -third}, seed=22)
    result = thd(seen, through, inverted=True)
    assert result.low <= abs(own) <= result.high
    assert result.high <= abs(own) + 2 * second


def test_a_clean_unit_on_a_distorting_bench_is_below_a_floor() -> None:
    source = {1: 1.0, 2: 1e-3, 3: 1e-3j}
    result = thd(harmonics(source, seed=9), harmonics(source, seed=10))
    assert result.floor
    assert result.value < 3e-4
    seen, through = (harmonics(source, seed=seed, noise_v=1e-3) for seed in (9, 10))
    both = thd(seen, through, and_noise=True)
    assert both.floor


def test_without_a_through_setup_nothing_is_laid_to_the_unit() -> None:
    seen = harmonics({1: 1.0, 2: 1e-3}, seed=11)
    result = thd(seen, None, largest_residual=0.00075)
    assert result.floor
    assert result.value == pytest.approx(1.75e-3, rel=0.01)


@pytest.mark.parametrize("bits", [8, 12])
def test_a_converters_own_floor_is_said(bits: int) -> None:
    """A pure tone through a quantiser without dither shows harmonics that are the converter's."""
    step = 2.0 / 2**bits
    pair = record(PURE, noise_v=0.0, seed=12) * 1.9
    coded = np.round(pair / step) * step
    seen = measure_harmonics(coded, 1 / RATE_HZ, HZ, step_v=(step, step))
    result = thd(seen, measure_harmonics(record(PURE, seed=13), 1 / RATE_HZ, HZ, step_v=STEPS))
    assert result.floor
    assert result.value < 2 * step


def test_a_tone_whose_harmonics_lie_outside_the_band_is_refused() -> None:
    with pytest.raises(ReadingError, match="at most 10000 Hz"):
        measure_harmonics(np.zeros((2, SAMPLES)), 1 / RATE_HZ, 15_000, step_v=STEPS)


def test_silence_has_no_distortion() -> None:
    with pytest.raises(ReadingError, match="no tone of 1000 Hz"):
        harmonics({1: 1e-9}, noise_v=1e-3)


def test_a_through_setup_of_another_tone_is_refused() -> None:
    other = measure_harmonics(record(PURE), 1 / RATE_HZ, HZ, step_v=STEPS, highest_hz=9000)
    with pytest.raises(ReadingError, match="harmonics are of"):
        thd(harmonics(PURE), other)


@pytest.mark.parametrize("hz", [20.0, 50.0, 1000.0, 10_000.0])
def test_a_record_of_distortion_holds_harmonics_up_to_20_khz(hz: float) -> None:
    """Sampling theorem: more than twice the highest frequency. IEC 60268-3 asks for it at 20 Hz too."""
    tones = Stimulus(kind="antiphase", frequency_hz=hz, level_vrms=1.0).tones
    rate_hz, own_hz = tones.samples / tones.duration_s, tones.hot_hz
    assert rate_hz >= 200e3
    angle = 2 * np.pi * own_hz * np.arange(tones.samples) / rate_hz
    wave = np.sin(angle) + 0.05 * np.sin(2 * angle)
    noise_v = 1e-6 * np.random.default_rng(1).normal(size=(2, tones.samples))
    found = measure_harmonics(np.stack([wave / 2, -wave / 2]) + noise_v, 1 / rate_hz, own_hz, step_v=STEPS)
    if 2 * own_hz < 20e3:
        assert thd(found, None).value == pytest.approx(0.05, abs=2e-4)


@pytest.mark.parametrize("top_hz", [40e3, 300e3, 1e6])
def test_noise_that_folds_into_everything_is_in_the_interval(top_hz: float) -> None:
    """White noise to where two poles end it, sampled at 200 kHz without a filter; and the scope's own."""
    rate_hz, fine, samples = 200e3, 40, 20_000
    random = np.random.default_rng(1)
    hz = np.fft.rfftfreq(samples * fine, 1 / (rate_hz * fine))
    density = 1e-12 / (1 + (hz / top_hz) ** 4)  # V²/Hz of the pair

    def seen(unit: float) -> Harmonics:
        spectrum = (random.normal(size=len(hz)) + 1j * random.normal(size=len(hz))) * np.sqrt(
            density * samples * fine * rate_hz * fine / 4
        )
        hiss = unit * np.fft.irfft(spectrum, samples * fine)[::fine]
        angle = 2 * np.pi * HZ * np.arange(samples) / rate_hz
        own = 2e-4 * random.normal(size=(2, samples))
        wave = np.stack([np.cos(angle) / 2 + hiss, -np.cos(angle) / 2])
        return measure_harmonics(wave + own, 1 / rate_hz, HZ, step_v=STEPS)

    in_band = hz <= 20e3
    truth = math.sqrt(density[in_band].sum() * hz[1]) / math.sqrt(0.5)
    result = thd(seen(1.0), seen(0.0), and_noise=True)
    assert result.low <= truth <= result.high
    share = next((line.standard for line in result.budget if line.name == "folded noise"), 0.0)
    assert share < 0.05 * truth
    assert result.floor == (top_hz > 100e3)  # then all that is seen may have folded
