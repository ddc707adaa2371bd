"""What the estimators are worth: ratios against the Cramér–Rao bound, scipy and numpy, in one run.

python -m benchmarks.estimators
"""

import math
import os
import time
from collections.abc import Callable

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy, as the command line has it

import numpy as np

from harness.measure.residuals import band_power
from harness.measure.spectrum import take_spectrum
from harness.measure.tone import fit_sines, fit_tones

SAMPLES, DURATION_S = 20_000, 0.1
HZ = 990.0
LONG = 200_000
TRIALS = 1500
NOISE_DIVISIONS = 0.03
INSTANTS = np.arange(SAMPLES) * DURATION_S / SAMPLES


def variance_ratio(peak_v: float, *, quantised: bool, unknown_clock: bool, seed: int) -> float:
    """Variance of the fitted peak over the Cramér–Rao bound, 2 s²/N with s² of noise and quantisation."""
    random = np.random.default_rng(seed)
    per_division = peak_v / 3
    step = 8 * per_division / 256 if quantised else 0.0
    noise_v = NOISE_DIVISIONS * per_division
    result = np.empty(TRIALS)
    for trial in range(TRIALS):
        clock = 1 + (random.uniform(-1e-4, 1e-4) if unknown_clock else 0.0)
        wave = peak_v * np.cos(2 * np.pi * HZ * clock * INSTANTS + random.uniform(0, 2 * np.pi))
        volts = wave + noise_v * random.normal(size=SAMPLES) + step * random.uniform(-0.5, 0.5)
        if quantised:
            volts = np.round(volts / step) * step
        fit = fit_tones(volts[None], DURATION_S / SAMPLES, [HZ], step_v=[step])
        result[trial] = math.sqrt(2) * abs(fit.phasors[0, 0])
    bound = 2 * (noise_v**2 + step**2 / 12) / SAMPLES
    return float(np.mean((result - peak_v) ** 2) / bound)


def best(actions: dict[str, Callable[[], object]], rounds: int) -> dict[str, float]:
    """Shortest time of each, taken in turns so that a busy machine is busy for all."""
    times: dict[str, list[float]] = {name: [] for name in actions}
    for _ in range(rounds):
        for name, action in actions.items():
            start = time.perf_counter()
            action()
            times[name].append(time.perf_counter() - start)
    return {name: min(taken) for name, taken in times.items()}


def speed_ratios() -> dict[str, float]:
    """Times of scipy's curve_fit and of ours: on one input with one tone, and on a capture as a run makes it.

    That is four inputs with two tones, 8-bit. curve_fit starts from the nominal frequencies and amplitudes.
    Like it, `fit_sines` gives amplitudes, frequency, offset and their spread by white noise; `fit_tones`,
    which starts from that, finds besides the noise round each tone and the lines of others.
    """
    from scipy.optimize import curve_fit

    random = np.random.default_rng(1)
    step, hot_hz, cold_hz = 0.01, HZ, HZ + 30

    def single(t: np.ndarray, peak: float, hz: float, phase: float, offset: float) -> np.ndarray:
        return np.asarray(peak * np.cos(2 * np.pi * hz * t + phase) + offset)

    def double(
        t: np.ndarray, clock: float, offset: float, a: float, p: float, b: float, q: float
    ) -> np.ndarray:
        hot = a * np.cos(2 * np.pi * hot_hz * clock * t + p)
        return np.asarray(hot + b * np.cos(2 * np.pi * cold_hz * clock * t + q) + offset)

    def coded(volts: np.ndarray) -> np.ndarray:
        return np.round((volts + 0.03 * random.normal(size=volts.shape)) / step) * step

    one = coded(single(INSTANTS, 1.0, HZ * 1.00004, 0.7, 0.0))
    fine = np.arange(LONG) * DURATION_S / LONG
    long = coded(single(fine, 1.0, HZ * 1.00004, 0.7, 0.0))
    four = np.stack([coded(double(INSTANTS, 1.00004, 0.0, a, 0.3, 1 - a, 1.1)) for a in (0.9, 0.1, 0.8, 0.2)])

    def theirs_on_four() -> None:
        for row in four:
            curve_fit(double, INSTANTS, row, p0=[1.0, 0.0, 0.5, 0.0, 0.5, 0.0])

    return best(
        {
            "curve_fit one": lambda: curve_fit(single, INSTANTS, one, p0=[0.9, HZ, 0.0, 0.0]),
            "fit one": lambda: fit_sines(one[None], DURATION_S / SAMPLES, [HZ]),
            "all one": lambda: fit_tones(one[None], DURATION_S / SAMPLES, [HZ], step_v=[step]),
            "curve_fit long": lambda: curve_fit(single, fine, long, p0=[0.9, HZ, 0.0, 0.0]),
            "fit long": lambda: fit_sines(long[None], DURATION_S / LONG, [HZ]),
            "all long": lambda: fit_tones(long[None], DURATION_S / LONG, [HZ], step_v=[step]),
            "curve_fit four": theirs_on_four,
            "fit four": lambda: fit_sines(four, DURATION_S / SAMPLES, [hot_hz, cold_hz]),
            "all four": lambda: fit_tones(four, DURATION_S / SAMPLES, [hot_hz, cold_hz], step_v=[step] * 4),
        },
        20,
    )


def spectrum_ratios() -> dict[str, float]:
    """Times of spectrum work on a million points, and of numpy's FFTs of that size."""
    record = np.random.default_rng(2).normal(size=(1, 1_000_000))
    pair = np.concatenate([record, record[:, ::-1]])
    return best(
        {
            "fft": lambda: np.fft.fft(record[0]),
            "rfft": lambda: np.fft.rfft(record[0]),
            "spectrum": lambda: np.abs(take_spectrum(record, 1e-6, low_hz=20, high_hz=499_000).values) ** 2,
            "pair": lambda: band_power(pair, 1e-6, weighting="A"),
        },
        15,
    )


def main() -> None:
    print("variance of a sine fit over the Cramér–Rao bound (at most 1.05; by chance ±0.04)")
    for peak_v in (0.01, 0.1, 1.0, 10.0):
        for quantised in (False, True):
            for unknown_clock in (False, True):
                ratio = variance_ratio(peak_v, quantised=quantised, unknown_clock=unknown_clock, seed=7)
                kind = "8 bit" if quantised else "exact"
                clock = "clock unknown" if unknown_clock else "clock nominal"
                print(f"  {peak_v:5g} V, {kind}, {clock}   {ratio:6.3f}")
    taken = speed_ratios()
    for record, words, goal in (
        ("one", "one input, one tone", "(the calls' own time, not the arithmetic's)"),
        ("long", f"the same of {LONG:,} samples", "(at least 100)"),
        ("four", "four inputs, two tones", "(at least 100)"),
    ):
        theirs, fit, everything = (taken[f"{way} {record}"] for way in ("curve_fit", "fit", "all"))
        print(f"{words}: curve_fit {1e3 * theirs:.2f} ms, ours {1e3 * fit:.3f} ms, with noise and lines")
        print(f"  {1e3 * everything:.3f} ms")
        print(f"  curve_fit / ours                        {theirs / fit:6.1f}   {goal}")
        print(f"  curve_fit / ours with noise and lines   {theirs / everything:6.1f}")
    taken = spectrum_ratios()
    print(f"1 M points: numpy fft {1e3 * taken['fft']:.1f} ms, rfft {1e3 * taken['rfft']:.1f} ms")
    print(f"  spectrum / fft                          {taken['spectrum'] / taken['fft']:6.2f}   (at most 2)")
    print(f"  spectrum / rfft                         {taken['spectrum'] / taken['rfft']:6.2f}")
    print(
        f"  noise of a pair / two ffts              {taken['pair'] / (2 * taken['fft']):6.2f}   (at most 2)"
    )


if __name__ == "__main__":
    main()
