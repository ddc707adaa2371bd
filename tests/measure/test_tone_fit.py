"""The tone fit against golden records, the Cramér–Rao bound and a clock that differs."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.clock import EXACT_CLOCK, NOMINAL_CLOCK, ClockRatio
from harness.measure.tone import fit_tones, joined, windowed_tone
from harness.measure.tones import choose_tones

# 16 samples at 1 kS/s; golden values computed with 40 digits, independently (three- and four-parameter fits
# of IEEE Std 1057; the four-parameter form is its 4.1.4.3). Less than one cycle, on purpose.
GOLDEN = np.array(
    [
        *(1.0573, 0.6789, 0.2079, -0.2749, -0.6978, -1.0078, -1.1464, -1.0918),
        *(-0.8649, -0.4896, -0.0192, 0.4623, 0.8885, 1.2017, 1.3459, 1.296),
    ]
)


@pytest.mark.parametrize(
    ("clock", "frequency_hz", "a", "b", "c", "e_rms"),
    [
        (
            EXACT_CLOCK,
            62.0,
            0.9477847906295996,
            -0.8181763032192698,
            0.1055855240652546,
            0.005299488447332096,
        ),
        (
            ClockRatio(ratio=1.0, standard=math.inf),
            62.323244301938832,
            0.9568465532530877,
            -0.8046037638214159,
            0.09977212881554734,
            0.001993463411778436,
        ),
    ],
    ids=["three parameters", "four parameters"],
)
def test_the_golden_record_fits_as_computed_elsewhere(
    clock: ClockRatio, frequency_hz: float, a: float, b: float, c: float, e_rms: float
) -> None:
    fit = fit_tones(GOLDEN[None], 1e-3, [62.0], clock=clock)
    found_hz = 62.0 * fit.clock.ratio
    middle_s = 7.5e-3
    at_start = math.sqrt(2) * fit.phasors[0, 0] * np.exp(-2j * np.pi * found_hz * middle_s)
    assert found_hz == pytest.approx(frequency_hz, abs=1e-6)
    assert at_start.real == pytest.approx(a, abs=1e-7)
    assert -at_start.imag == pytest.approx(b, abs=1e-7)
    assert fit.offset_v[0] == pytest.approx(c, abs=1e-7)
    parameters = 3 if clock is EXACT_CLOCK else 4
    assert fit.residual_v[0] * math.sqrt((16 - parameters) / 16) == pytest.approx(e_rms, rel=1e-6)


def test_a_coarse_converter_has_the_effective_bits_of_its_steps() -> None:
    """IEEE Std 1057-1994 (as quoted at dadisp.com, EFFBIT): log2(range / (rms of the residual · sqrt(12))).

    Closed form: eight levels span seven steps, and a residual of step/sqrt(12) makes log2(7) = 2.81 bits. The
    range is that of the codes that were reached.
    """
    sine = np.sin(2 * np.pi * 4 * np.arange(1000) * 1e-3)
    coded = (np.clip(np.floor(sine / 0.25), -4, 3) + 0.5) * 0.25
    fit = fit_tones(coded[None], 1e-3, [4.0], clock=EXACT_CLOCK)
    rms = fit.residual_v[0] * math.sqrt((1000 - 3) / 1000)
    assert math.log2(np.ptp(coded) / (rms * math.sqrt(12))) == pytest.approx(2.81, abs=0.005)


@pytest.mark.parametrize(("bits", "ratio_db"), [(8, 49.93), (10, 61.97), (12, 74.01)])
def test_an_ideal_converter_leaves_its_own_noise(bits: int, ratio_db: float) -> None:
    """6.02 N + 1.76 dB: a full-scale sine over quantisation noise (Kester, MT-001, its abstract)."""
    sine = np.sin(2 * np.pi * 37 * np.arange(20_000) / 20_000 + 0.3)
    step_v = 2 / 2**bits
    fit = fit_tones(np.round(sine / step_v)[None] * step_v, 1 / 20_000, [37.0], clock=EXACT_CLOCK)
    level = abs(fit.phasors[0, 0])
    assert 20 * math.log10(level / fit.residual_v[0]) == pytest.approx(ratio_db, abs=0.1)


@pytest.mark.parametrize("amplitude_v", [0.010, 0.1, 1.0, 10.0])
@pytest.mark.parametrize("clock", [EXACT_CLOCK, NOMINAL_CLOCK], ids=["clock known", "clock found"])
def test_the_variance_is_within_five_percent_of_the_cramer_rao_bound(
    amplitude_v: float, clock: ClockRatio
) -> None:
    """Eight bits on a range that the tone fills; noise of half a code dithers it.

    Bound for each of the real and the imaginary part in RMS volts: (noise² + step²/12)/N.
    """
    tones = choose_tones(1e3)
    samples, draws = 1000, 400
    interval_s = tones.duration_s / samples
    step_v = 2 * amplitude_v * 2 / 0.8 / 256  # two tones of the same size on each input
    sigma_v = 0.5 * step_v
    random = np.random.default_rng(7)
    instants = (np.arange(samples) - (samples - 1) / 2) * interval_s
    errors, claimed = [], []
    for _ in range(draws):
        true = amplitude_v / math.sqrt(2) * np.exp(1j * random.uniform(0, 2 * np.pi, (4, 2)))
        ratio = 1.0 if clock is EXACT_CLOCK else 1 + random.uniform(-1e-4, 1e-4)
        volts = random.normal(size=(4, samples)) * sigma_v
        for k, hz in enumerate(tones.frequencies_hz):
            volts += np.real(math.sqrt(2) * true[:, k, None] * np.exp(2j * np.pi * hz * ratio * instants))
        volts = step_v * np.round(volts / step_v)
        fit = fit_tones(volts, interval_s, tones.frequencies_hz, step_v=[step_v] * 4, clock=clock)
        errors.append(fit.phasors - true)
        claimed.append(fit.standard)
    parts = np.concatenate([np.real(errors).ravel(), np.imag(errors).ravel()])
    bound = (sigma_v**2 + step_v**2 / 12) / samples
    assert len(parts) == 400 * 16  # the variance itself is then known to 1.8 %
    assert np.mean(parts**2) / bound <= 1.05
    assert np.mean(np.square(claimed)) / bound == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("frequency_hz", [20.0, 1e3, 2e4, 1e5])
@pytest.mark.parametrize("ratio", [1 - 2e-4, 1 - 5e-5, 1 + 1e-4])
def test_a_clock_that_differs_is_found_and_costs_no_level(frequency_hz: float, ratio: float) -> None:
    tones = choose_tones(frequency_hz)
    interval_s = tones.duration_s / tones.samples
    instants = np.arange(tones.samples) * interval_s
    random = np.random.default_rng(3)
    volts = random.normal(size=(2, tones.samples)) * 1e-3
    for hz in tones.frequencies_hz:
        volts += math.sqrt(2) * np.sin(2 * np.pi * hz * ratio * instants + 1.0)
    fit = fit_tones(volts, interval_s, tones.frequencies_hz)
    assert fit.clock.ratio == pytest.approx(ratio, abs=5 * fit.clock.standard)
    assert np.abs(fit.phasors) == pytest.approx(np.ones((2, 2)), abs=1e-4)


def test_without_a_strong_tone_the_clock_known_before_stands() -> None:
    tones = choose_tones(2e4)
    random = np.random.default_rng(5)
    known = ClockRatio(ratio=1.00008, standard=1e-7)
    fit = fit_tones(
        random.normal(size=(4, 20_000)) * 1e-3, tones.duration_s / 20_000, tones.frequencies_hz, clock=known
    )
    assert fit.clock.ratio == pytest.approx(known.ratio, abs=3e-7)


def test_hum_in_whole_cycles_neither_moves_a_tone_nor_its_uncertainty() -> None:
    tones = choose_tones(1e3)
    instants = np.arange(20_000) * tones.duration_s / 20_000
    quiet = np.random.default_rng(2).normal(size=(1, 20_000)) * 1e-4
    hum = 5e-3 * np.sin(2 * np.pi * 50 * instants) + 2e-3 * np.sin(2 * np.pi * 150 * instants)
    without = fit_tones(quiet, instants[1], tones.frequencies_hz)
    with_hum = fit_tones(quiet + hum, instants[1], tones.frequencies_hz)
    assert np.abs(with_hum.phasors - without.phasors).max() < 1e-7
    assert with_hum.standard == pytest.approx(without.standard, rel=0.05)
    assert with_hum.hum_v[0] == pytest.approx(math.hypot(5e-3, 2e-3) / math.sqrt(2), rel=0.01)
    assert with_hum.lines_v[0] == 0


@pytest.mark.parametrize("hum_hz", [50.0, 60.0, 100.0, 120.0, 150.0, 180.0])
def test_hum_that_a_short_record_cuts_anywhere_stays_out_of_a_tone_under_a_window(hum_hz: float) -> None:
    """Closed form: a sine k periods of the record away leaks by 1/(pi k (k^2 - 1)) at most."""
    instants = np.arange(4000) * 0.01 / 4000
    phases = np.linspace(0, 2 * np.pi, 24, endpoint=False)[:, None]
    hum = 0.3 + np.sin(2 * np.pi * hum_hz * instants + phases)
    tone = 0.02 * np.sin(2 * np.pi * 975.0 * instants)
    k = [(975.0 - sign * hum_hz) * 0.01 for sign in (1, -1)]
    leaked = sum(1 / (math.pi * each * (each**2 - 1)) for each in k)
    # the mean is taken off, so that the part of a slow hum that is in it leaks as an offset does
    leaked += 2 / (math.pi * 9.75 * (9.75**2 - 1))
    read = windowed_tone(tone + hum, instants[1], 975.0)
    assert np.abs(math.sqrt(2) * np.abs(read) - 0.02).max() < leaked
    alone = windowed_tone(tone[None], instants[1], 975.0)
    assert math.sqrt(2) * abs(alone[0]) == pytest.approx(0.02, rel=1e-3)


@pytest.mark.parametrize("amplitude_codes", [0.1, 0.3, 0.49, 0.51, 0.8, 1.3, 3.7, 20.2])
def test_a_record_without_noise_claims_no_more_than_its_quantiser_allows(amplitude_codes: float) -> None:
    """Undithered: a tone of less than half a code vanishes altogether. Standard uncertainties must know."""
    instants = np.arange(20_000) * 5e-6
    phases = np.random.default_rng(1).uniform(0, 6, 2)
    hz = (980.0, 1010.0)
    true = [amplitude_codes / math.sqrt(2) * np.exp(1j * phase) for phase in phases]
    volts = sum(
        amplitude_codes * np.cos(2 * np.pi * f * instants + p) for f, p in zip(hz, phases, strict=True)
    )
    fit = fit_tones(np.round(volts)[None], 5e-6, hz, step_v=[1.0], clock=EXACT_CLOCK)
    middle_s = (20_000 - 1) / 2 * 5e-6
    for k in (0, 1):
        error = abs(fit.phasors[0, k] - true[k] * np.exp(2j * np.pi * hz[k] * middle_s))
        assert error <= 2 * math.sqrt(2) * fit.standard[0, k]


def test_two_acquisitions_of_one_leg_each_make_one_fit() -> None:
    """Hot alone, then cold alone: what each input sees of either is in its own column."""
    instants = np.arange(20_000) * 5e-6
    random = np.random.default_rng(4)
    fits = []
    for hz, seen in ((980.0, [1.0, 0.2]), (1010.0, [0.1, 0.7])):
        volts = np.outer(seen, np.sin(2 * np.pi * hz * instants)) + 1e-3 * random.normal(size=(2, 20_000))
        fits.append(fit_tones(volts, 5e-6, [980.0, 1010.0]))
    both = joined(*fits)
    assert math.sqrt(2) * np.abs(both.phasors) == pytest.approx(np.array([[1.0, 0.1], [0.2, 0.7]]), abs=1e-4)


@pytest.mark.parametrize(
    ("volts", "interval_s", "frequencies_hz", "says"),
    [
        (np.full((1, 100), np.nan), 1e-3, [10.0], "NaN or infinite"),
        (np.zeros((1, 8)), 1e-3, [10.0, 20.0], "too short"),
        (np.zeros((1, 1000)), 1e-3, [480.0], "samples a second"),
        (np.zeros((1, 1000)), 1e-3, [0.001], "too short"),
        (np.zeros((1, 1000)), 0.0, [10.0], "expected all above zero"),
    ],
)
def test_what_no_fit_can_be_made_of_is_refused(
    volts: NDArray[np.float64], interval_s: float, frequencies_hz: list[float], says: str
) -> None:
    with pytest.raises(ReadingError, match=says):
        fit_tones(volts, interval_s, frequencies_hz)


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
def test_an_ideal_converter_has_6_02_n_plus_1_76_db(bits: int) -> None:
    """A sine over the whole range over what is left of it after the fit: 6.0206 N + 1.7609 dB (IEEE 1241).

    The formula takes the rounding for white noise of step²/12, which it is to 0.2 dB from eight bits on.
    """
    hz = 991.0  # odd and prime: every sample stands at another phase (AD's MT-001, from memory)
    step_v = 2.0 / 2**bits
    volts = np.round((1 - step_v / 2) * np.sin(2 * np.pi * hz * np.arange(65_536) / 65_536) / step_v) * step_v
    fit = fit_tones(volts[None], 1 / 65_536, [hz], clock=EXACT_CLOCK)
    ratio_db = 20 * math.log10(abs(fit.phasors[0, 0]) / fit.residual_v[0])
    assert ratio_db == pytest.approx(6.0206 * bits + 1.7609, abs=0.2)
