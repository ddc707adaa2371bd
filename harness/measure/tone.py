"""Tones in a record: amplitude and phase of several known frequencies at once, in all inputs at once.

The fit is the least-squares sine fit of IEEE Std 1057 (three parameters, its known-frequency form) extended
to several tones over one offset. Phases refer to the middle of the record, where the clocks' ratio does not
move them.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from harness.arrays import Complex, Floats, Indices
from harness.errors import ReadingError
from harness.measure.clock import NOMINAL_CLOCK, ClockRatio, Sines, find_clock, inverse
from harness.measure.tones import LAST_MAINS_HZ, is_mains

LOCAL_BINS = 64  # noise is taken from this many bins on each side of a tone
FEWEST_BINS = 12
DITHERED = 0.5  # noise, in squared codes, that leaves 5e-5 of a code of the quantiser's own pattern
OUTSTANDING = 16.0  # times the mean power of the noise: one bin in ten million
FIRST_OCTAVE = 16  # bins
MOST_BINS = 1024  # that a median is taken of
TINY = 1e-300
LINE = 8.0  # a bin this far above the median of its neighbours is a line, not noise


@dataclass(frozen=True, kw_only=True, eq=False)
class ToneFit:
    """What was found in a record. Inputs in the capture's order, tones in the order asked for.

    phasors: V RMS, complex, shape (inputs, tones), phase at the middle of the record. standard: of each of
    their real and imaginary parts. correlation: complex, shape (inputs // 2,), of the noise near the tones in
    the second input of each pair with that in the first. offset_v, offset_standard_v, residual_v (RMS of what
    no tone explains), noise_v (RMS over the whole band of the noise found round the tones, never under that
    of the quantisation), quiet_v (of the noise of the whole spectrum, without its lines), hum_v and lines_v
    (V RMS of all lines that stand out of the noise, of the mains and other ones), line_hz (the strongest
    other one): shape (inputs,).
    """

    frequencies_hz: tuple[float, ...]
    phasors: Complex
    standard: Floats
    correlation: Complex
    offset_v: Floats
    offset_standard_v: Floats
    residual_v: Floats
    noise_v: Floats
    quiet_v: Floats
    hum_v: Floats
    lines_v: Floats
    line_hz: Floats
    clock: ClockRatio
    duration_s: float
    samples: int

    @property
    def cycles(self) -> tuple[float, ...]:
        """How many cycles of each tone the record holds."""
        return tuple(hz * self.duration_s for hz in self.frequencies_hz)

    @property
    def amplitudes_v(self) -> Floats:
        """Of offset, and cosine and sine of each tone, V peak: shape (inputs, 1 + 2 tones)."""
        peak = math.sqrt(2) * self.phasors
        amplitudes = np.empty((len(peak), 1 + 2 * peak.shape[1]))
        amplitudes[:, 0], amplitudes[:, 1::2], amplitudes[:, 2::2] = self.offset_v, peak.real, -peak.imag
        return amplitudes


@dataclass(frozen=True, kw_only=True, eq=False)
class SineFit:
    """The least-squares fit alone: amplitudes, offset, clock, and what is left.

    frequencies_hz: as set, shape (tones,). peak_v: complex, (inputs, tones), phase at the middle of the
    record. offset_v, residual_v (RMS, by the degrees of freedom left): (inputs,). residual: volts, (inputs,
    samples). spread: standard uncertainty of offset, and of each tone's real and imaginary part, over the
    RMS of white noise: (1 + 2 tones,).
    """

    frequencies_hz: Floats
    peak_v: Complex
    offset_v: Floats
    residual: Floats
    residual_v: Floats
    spread: Floats
    clock: ClockRatio


def fit_tones(
    volts: Floats,
    interval_s: float,
    frequencies_hz: Sequence[float],
    *,
    step_v: Sequence[float] | None = None,
    clock: ClockRatio = NOMINAL_CLOCK,
) -> ToneFit:
    """Fit tones of known frequency and an offset to every input.

    volts: float64, shape (inputs, samples). step_v: one code of each input; without it, no quantisation.
    clock: what is known of the clocks' ratio before; a strong tone overrules it; without one it
    stands (so hand on the clock of an acquisition that had one).
    Raises ReadingError for a record that holds no such fit: not finite, too short, undersampled.
    """
    inputs, samples = volts.shape if volts.ndim == 2 else (0, 0)
    step = np.zeros(inputs) if step_v is None else np.asarray(step_v, dtype=np.float64)
    sines = fit_sines(volts, interval_s, frequencies_hz, clock=clock)
    hz, clock, peak, residual = sines.frequencies_hz, sines.clock, sines.peak_v, sines.residual
    rms, spread = sines.residual_v, sines.spread
    spectrum = np.fft.rfft(residual, axis=1)
    power = np.square(spectrum.real)
    power += np.square(spectrum.imag)
    power /= samples
    cycles = hz * clock.ratio * interval_s * samples
    noise = _noise_near(power, cycles, cycles, rms, step)
    offset_noise = _noise_near(power, np.zeros(1), cycles, rms, step)
    levels = _noise_levels(power, interval_s * samples)
    quiet = np.sqrt(levels[:, 1:].mean(axis=1))
    coherent, coherent_offset = _undithered(np.abs(peak), quiet, step)
    hum, lines, line = _lines(power, levels, interval_s * samples)
    return ToneFit(
        frequencies_hz=tuple(hz.tolist()),
        phasors=np.asarray(peak / math.sqrt(2)),
        standard=np.hypot(np.outer(noise, np.maximum(spread[1::2], spread[2::2])), coherent) / math.sqrt(2),
        correlation=_correlation(spectrum, _bins_near(spectrum.shape[1], cycles, cycles)),
        offset_v=sines.offset_v,
        offset_standard_v=np.hypot(offset_noise * spread[0], coherent_offset),
        residual_v=rms,
        noise_v=noise,
        quiet_v=np.maximum(quiet, step / math.sqrt(12)),
        hum_v=np.sqrt(2 * hum / samples),
        lines_v=np.sqrt(2 * lines / samples),
        line_hz=line / (samples * interval_s),
        clock=clock,
        duration_s=samples * interval_s,
        samples=samples,
    )


def fit_sines(
    volts: Floats, interval_s: float, frequencies_hz: Sequence[float], *, clock: ClockRatio = NOMINAL_CLOCK
) -> SineFit:
    """Fit sines and an offset by least squares; what `fit_tones` starts from. Raises as that does."""
    hz = np.asarray(frequencies_hz, dtype=np.float64)
    _refuse(volts, interval_s, hz)
    samples = volts.shape[1]
    clock = find_clock(volts, interval_s, hz, clock)
    sines = Sines.of(samples, 2 * np.pi * interval_s * hz * clock.ratio)
    inverted = inverse(sines.products())
    result = inverted @ sines.against(volts)
    residual = sines.summed(result)
    np.subtract(volts, residual, out=residual)  # in place: fresh pages cost more than the arithmetic
    degrees_of_freedom = samples - len(result) - (0 if clock.standard == 0 else 1)
    return SineFit(
        frequencies_hz=hz,
        peak_v=np.asarray(result[1::2].T - 1j * result[2::2].T, dtype=np.complex128),
        offset_v=result[0],
        residual=residual,
        residual_v=np.sqrt(np.einsum("is,is->i", residual, residual) / degrees_of_freedom),
        spread=np.sqrt(np.diagonal(inverted)),
        clock=clock,
    )


def windowed_tone(volts: Floats, interval_s: float, frequency_hz: float) -> Complex:
    """Phasor of one tone at each input, V RMS, in a record that need not hold whole periods of anything.

    volts: shape (inputs, samples), with some eight cycles of the tone or more. Under a Hann window, what lies
    k periods of the record from the tone leaks into it by 1/(pi k (k^2 - 1)) at most (closed form); white
    noise is 1.22 times what it is without a window (F. J. Harris, Proc. IEEE 66, 1978, from memory).
    Raises ReadingError as `fit_tones` does.
    """
    _refuse(volts, interval_s, np.array([frequency_hz]))
    samples = volts.shape[1]
    window = np.hanning(samples + 1)[:-1]
    window /= window.sum()
    at_s = (np.arange(samples) - (samples - 1) / 2) * interval_s
    centred = volts - (volts @ window)[:, None]
    return np.asarray(math.sqrt(2) * (centred @ (window * np.exp(-2j * np.pi * frequency_hz * at_s))))


def from_trigger(fit: ToneFit, origin_s: float) -> ToneFit:
    """The same with phases at the trigger. origin_s: the first sample's time from there."""
    middle_s = origin_s + (fit.samples - 1) / 2 * (fit.duration_s / fit.samples)
    turns = np.asarray(fit.frequencies_hz) * fit.clock.ratio * middle_s
    return replace(fit, phasors=np.asarray(fit.phasors * np.exp(-2j * np.pi * turns)))


def joined(hot: ToneFit, cold: ToneFit) -> ToneFit:
    """Make one fit of two acquisitions, hot driven alone, then cold alone: for generators with a clock each.

    The first tone is taken from `hot`, the second from `cold`, the rest and the noise from the worse of both;
    the clock is that of the hot leg's, as uncertain as the worse.
    """
    worse = hot if float(hot.residual_v.max()) >= float(cold.residual_v.max()) else cold
    phasors, standard = worse.phasors.copy(), worse.standard.copy()
    for column, fit in enumerate((hot, cold)):
        phasors[:, column], standard[:, column] = fit.phasors[:, column], fit.standard[:, column]
    return replace(
        worse,
        frequencies_hz=(hot.frequencies_hz[0], cold.frequencies_hz[1], *worse.frequencies_hz[2:]),
        phasors=phasors,
        standard=standard,
        offset_v=(hot.offset_v + cold.offset_v) / 2,
        offset_standard_v=np.maximum(hot.offset_standard_v, cold.offset_standard_v),
        clock=replace(hot.clock, standard=max(hot.clock.standard, cold.clock.standard)),
        duration_s=min(hot.duration_s, cold.duration_s),
        samples=min(hot.samples, cold.samples),
    )


def _refuse(volts: Floats, interval_s: float, hz: Floats) -> None:
    """Raise ReadingError for what no fit can be made of."""
    if volts.ndim != 2 or volts.shape[1] < 4 * len(hz) + 4:
        raise ReadingError(f"a record of shape {volts.shape} is too short for {len(hz)} tones")
    if not np.isfinite(volts).all():
        raise ReadingError("the record holds samples that are NaN or infinite")
    if not interval_s > 0 or not (hz > 0).all():
        raise ReadingError(
            f"a sample every {interval_s:g} s and tones of {hz.tolist()} Hz: expected all above zero"
        )
    if hz.max() * interval_s >= 0.45:
        raise ReadingError(
            f"a tone of {hz.max():g} Hz needs more than {1 / interval_s:g} samples a second: it would be "
            "taken for another one. Take more samples"
        )


def _noise_near(power: Floats, centres: Floats, cycles: Floats, rms: Floats, step: Floats) -> Floats:
    """RMS noise of each input, found round some bins of the residual's spectrum.

    Bins that stand out are left out: single lines (mains, a harmonic) are kept out of a tone by whole cycles.
    Never under the noise of quantisation; the whole residual where the record has too few bins.
    """
    bins = _bins_near(power.shape[1], centres, cycles)
    result = rms
    if len(bins) >= FEWEST_BINS:
        near = power[:, bins]
        quiet = near <= LINE * _median(near)
        # The power of noise in a bin is exponential: what the cut takes off its mean is given back.
        cut = LINE * math.log(2)
        lost = cut * math.exp(-cut) / (1 - math.exp(-cut))
        result = np.sqrt((near * quiet).sum(axis=1) / np.maximum(quiet.sum(axis=1), 1) / (1 - lost))
    return np.maximum(result, step / math.sqrt(12))


def _bins_near(count: int, centres: Floats, cycles: Floats) -> Indices:
    """Bins round some centres, but for those of the tones."""
    nearby = np.zeros(count, dtype=np.bool_)
    for centre in centres:
        middle = round(centre)
        nearby[max(1, middle - LOCAL_BINS) : middle + LOCAL_BINS + 1] = True
    for tone in cycles:
        nearby[max(0, round(tone) - 1) : round(tone) + 2] = False
    nearby[-1] = False
    return np.flatnonzero(nearby)


def _correlation(spectrum: Complex, bins: Indices) -> Complex:
    """How the noise of each pair's second input goes with that of its first, in some bins.

    As where it is a unit's own: an amplifier's comes with opposite signs from its two outputs, so that
    between these it is twice that of either, not root two times. 0 where the record has too few bins.
    """
    pairs = len(spectrum) // 2
    if len(bins) < FEWEST_BINS:
        return np.zeros(pairs, dtype=np.complex128)
    near = spectrum[: 2 * pairs, bins]
    power = np.abs(near) ** 2
    quiet = (power <= LINE * _median(power)).reshape(pairs, 2, len(bins)).all(axis=1)
    first, second = near[::2] * quiet, near[1::2] * quiet
    both = (second * first.conj()).sum(axis=1)
    alone = np.sqrt((np.abs(first) ** 2).sum(axis=1) * (np.abs(second) ** 2).sum(axis=1))
    return np.asarray(np.divide(both, alone, out=np.zeros_like(both), where=alone > 0))


def _noise_levels(power: Floats, duration_s: float) -> Floats:
    """Mean power of the noise in each bin, by the medians of octaves: shape of `power`.

    A unit's noise rises to low frequencies and ends at a high one, so no single level tells a line from it.
    Between the middles of the octaves the level follows a power of the frequency; below the first it rises
    as 1/f does. Bins of the mains are left out. An octave is wide enough that a line, or the skirt of an
    unsteady tone, does not raise its median.
    """
    bins = power.shape[1]
    edges = [1, *(FIRST_OCTAVE * 2**n for n in range(64) if FIRST_OCTAVE * 2**n < bins // 2), bins]
    mains = np.zeros(bins, dtype=np.bool_)
    mains[list(_mains_bins(bins, duration_s))] = True
    middles, medians = [1.0], []
    for first, last in itertools.pairwise(edges):
        taken = np.flatnonzero(~mains[first:last])[:: max(1, (last - first) // MOST_BINS)] + first
        taken = taken if len(taken) else np.arange(first, last)
        medians.append(_median(power[:, taken])[:, 0] / math.log(2))
        middles.append(math.sqrt(first * last))
    medians.insert(0, medians[0] * middles[1])
    at = np.log(np.maximum(np.arange(bins), 1.0))
    known = np.log(np.maximum(np.stack(medians, axis=1), TINY))
    return np.stack([np.exp(np.interp(at, np.log(middles), row)) for row in known])


def _lines(power: Floats, levels: Floats, duration_s: float) -> tuple[Floats, Floats, Indices]:
    """Sum the bins that stand out of the noise: of the mains, of all others; and the strongest other bin."""
    mains = np.zeros(power.shape[1], dtype=np.bool_)
    mains[list(_mains_bins(power.shape[1], duration_s))] = True
    hum, others = np.zeros(len(power)), np.zeros(len(power))
    strongest = np.zeros(len(power), dtype=np.intp)
    for row, level in enumerate(levels):
        bins = np.flatnonzero(power[row] > OUTSTANDING * level)
        of_mains = mains[bins]
        hum[row] = power[row, bins[of_mains]].sum()
        rest = bins[~of_mains & (bins > 0)]
        others[row] = power[row, rest].sum()
        if len(rest):
            strongest[row] = rest[np.argmax(power[row, rest])]
    return hum, others, strongest


@lru_cache(maxsize=64)
def _mains_bins(bins: int, duration_s: float) -> tuple[int, ...]:
    """Bins of the mains and its harmonics in a spectrum of so many."""
    low = range(1, min(bins, math.ceil(LAST_MAINS_HZ * duration_s)))
    return tuple(index for index in low if is_mains(index / duration_s, duration_s))


def _median(power: Floats) -> Floats:
    """Median of each row, shape (rows, 1): np.median's, but for the mean of two, at a fifth of its time."""
    middle = power.shape[1] // 2
    return np.asarray(np.partition(power, middle, axis=1)[:, middle : middle + 1])


def _undithered(peak: Floats, quiet: Floats, step: Floats) -> tuple[Floats, Floats]:
    """Errors by quantisation where too little noise spreads it: of each tone's peak and of the offset.

    The mean of a quantiser's output is x + sum over n of step/(pi n) (-1)^n sin(2 pi n x / step)
    exp(-2 (pi n sigma / step)^2) (Widrow and Kollár, *Quantization Noise*, from memory); a tone's share of
    the sine is 2 J1(2 pi n A / step), times J0 for each other tone, the offset's J0 for every tone. Bessel
    functions by their envelopes; a bound divided by the root of three is a standard uncertainty.
    """
    error, offset = np.zeros_like(peak), np.zeros(len(peak))
    for row in np.flatnonzero(step > 0):
        variance = _least_dither((quiet[row] / step[row]) ** 2)
        if variance > DITHERED:
            continue
        for order in range(1, 5):
            angle = np.maximum(2 * np.pi * order * peak[row] / step[row], 1e-12)
            decay = np.sqrt(2 / (np.pi * angle))
            first, zeroth = np.minimum(0.582, decay), np.minimum(1.0, decay)
            left = math.exp(-2 * (math.pi * order) ** 2 * variance) / (math.pi * order)
            error[row] += 2 * left * first * np.prod(zeroth) / zeroth
            offset[row] += left * np.prod(zeroth)
    width = step / math.sqrt(3)
    return error * width[:, None], np.minimum(offset, 0.5) * width


def _least_dither(variance: float) -> float:
    """Least variance of the noise before a quantiser whose output has this variance, both in squared codes.

    Noise and quantiser together give the noise's own and 1/12, but up to 1/4 + 4 Q(1/sigma) for a mean on the
    edge between two codes, where no noise at all is needed for the 1/4.
    """
    if variance <= 0.25:
        return 0.0
    if variance >= 0.45:
        return variance - 1 / 12
    return NormalDist().inv_cdf(1 - (variance - 0.25) / 4) ** -2
