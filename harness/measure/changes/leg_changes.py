"""A change of state as it was captured: drops, bounces and times of each leg, and what it left as a click.

Terms. *Drop*: the signal is gone, from the instant a leg leaves its old course to the first at which it
follows its new one (break before make; transfer time of a change-over contact, IEC 61810-1, from memory).
*Bounce*: from that first closing to the final one, if it opens again (bounce time, IEV 444-04, from memory).
*Operate* and *release time*: from the control line's edge to the first closing of the last leg to change,
bounce left out (same source). *Click*: what is left when the courses are taken out (`click`).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from harness.arrays import Complex, Floats
from harness.errors import ReadingError
from harness.measure.budget import below, estimate, is_detected
from harness.measure.changes.contact_motion import LegChange, follow
from harness.measure.clock import NOMINAL_CLOCK, ClockRatio
from harness.measure.sides import UNIFORM, Instant, SteadySides, between, steady_sides
from harness.measure.spectrum import band_pass
from harness.reading import Contribution, Estimate


@dataclass(frozen=True, kw_only=True, eq=False)
class LegChanges:
    """A record across a change of state. legs: in the record's order; empty where nothing happened."""

    sides: SteadySides
    legs: tuple[LegChange, ...]


def find_leg_changes(
    volts: Floats,
    interval_s: float,
    frequencies_hz: Sequence[float],
    *,
    step_v: Sequence[float],
    joined: bool,
    routes: Complex | None = None,
    mains: int = 0,
    clock: ClockRatio = NOMINAL_CLOCK,
) -> LegChanges:
    """Find what each leg of a record does across a change of state.

    volts: hot, cold, hot, cold…, shape (legs, samples), or a single leg; frequencies_hz: of the tones in it,
    known; none in silence, in which there are no drops or bounces to be seen and only clicks. mains: how many
    of them, the last ones, are no signal. joined: whether a load lies across each pair, through which an open
    leg shows a copy of the other one.
    routes: what the circuit predicts of every leg in each place of the contacts, complex, shape (3, 3, legs,
    signals): by the places of the hot legs' contacts and of the cold legs', as in `contact_motion`.
    Raises ReadingError if the record is too short or not steady on either side.
    """
    sides = steady_sides(volts, interval_s, frequencies_hz, step_v=step_v, clock=clock)
    if sides.first is None:
        return LegChanges(sides=sides, legs=())
    size = 1 if len(volts) % 2 else 2
    result: list[LegChange] = []
    for first in range(0, len(volts), size):
        rows = range(first, first + size)
        own = None if routes is None or size == 1 else routes[:, :, first : first + size]
        result += follow(sides, rows, joined=joined, routes=own, signals=len(frequencies_hz) - mains)
    return LegChanges(sides=sides, legs=tuple(result))


def drop(leg: LegChange, k: float = 2.0) -> Estimate:
    """How long the signal is gone, s; a floor where no gap is seen: any is shorter than that."""
    if leg.left is None or leg.arrived is None or not leg.dropped:
        return below(leg.smallest_s, k=k)
    return between(leg.left, leg.arrived, names=("opening", "closing"), k=k)


def bounce_time(leg: LegChange, k: float = 2.0) -> Estimate:
    """Time from a leg's first closing to its final one, s; a floor where it closed once."""
    if leg.arrived is None or leg.settled is None or leg.openings == 0:
        return below(leg.smallest_s, k=k)
    return between(leg.arrived, leg.settled, names=("first closing", "final closing"), k=k)


def switching_time(legs: Sequence[LegChange], edge: Instant, k: float = 2.0) -> Estimate:
    """Operate or release time, s: from the control edge to the last leg's first closing, bounce left out.

    edge: `find_edge` on a control line's input, or an instant otherwise known, on the record's time.
    Raises ReadingError if a leg did not change, or changed before the edge: then it isn't its cause.
    """
    # a leg alone is that of a relay that has contacts in it alone: its partner does not arrive
    instants = [leg.all_arrived or leg.arrived if len(legs) == 1 else leg.all_arrived for leg in legs]
    arrivals = [instant for instant in instants if instant is not None]
    if not arrivals or len(arrivals) < len(legs):
        raise ReadingError("a leg shows no change of route in this record: it has no operate or release time")
    last = max(arrivals, key=lambda instant: instant.time_s)
    result = between(edge, last, names=("control edge", "closing"), k=k)
    if result.high < 0:
        raise ReadingError(
            f"the route changes {-1e3 * result.value:.3g} ms before the control edge, which can't be its "
            "cause"
        )
    return result


LOW_HZ, HIGH_HZ, ORDER = 22.0, 22_000.0, 3
FEWEST_QUIET = 256  # samples before the change from which the noise is taken
CLEAR = 5.0  # a peak so many times the noise is one; noise gets there once in two million samples
PLATEAU = 4.0  # times the noise: samples so near the highest one may each be the peak
SMOOTHED = 8  # samples that are averaged to tell where the peak is
NEAR_TOP = 2.0  # times the noise: averages so near the highest one are of the peak
DURATION_LEVEL = 0.1
AVERAGED_OVER = (1, 2, 4, 8, 16, 32, 64, 128, 256, 512)  # samples
SHORT = 0.05  # of a click's duration: an average over so much of its tail leaves that as it is
ABOVE_NOISE = 4.0  # times the noise: noise alone gets there once in 30,000 samples
LOST = 0.5  # of a peak: a click of which averages show no more is too short for them
AVERAGED_SHIFT = 0.4  # of the averaged samples: an abrupt flank passes a tenth so much too early


@dataclass(frozen=True, kw_only=True, eq=False)
class Excess:
    """What is left of a leg or a pair, over the whole record, and where the change lies in it.

    inputs_v: what each scope input contributes, signed, shape (inputs, samples). noise_v: RMS of their sum
    where nothing happens. step_v: one code of the inputs, root of their squares. first, last: samples; the
    window of a click. bandwidth_hz: of its noise.
    """

    inputs_v: Floats
    interval_s: float
    noise_v: float
    step_v: float
    first: int
    last: int
    bandwidth_hz: float

    @cached_property
    def volts(self) -> Floats:
        """The sum of what the inputs contribute, shape (samples,)."""
        return np.asarray(self.inputs_v.sum(axis=0))

    @property
    def slow_noise_v(self) -> float:
        """RMS of white noise of the same density: what a slow shape fitted to many samples is up against."""
        return self.noise_v * math.sqrt(0.5 / (self.interval_s * self.bandwidth_hz))


@dataclass(frozen=True, kw_only=True)
class ClickEstimates:
    """Peak, V; energy, V²s; duration, s, or why there is none. Floors if no click is above the noise."""

    peak_v: Estimate
    energy_v2s: Estimate
    duration: Estimate | str

    @property
    def duration_s(self) -> Estimate:
        """Raises ReadingError if the record does not hold the whole click."""
        if isinstance(self.duration, str):
            raise ReadingError(self.duration)
        return self.duration


def excess_of(leg_changes: LegChanges, signs: Mapping[int, float], *, step_v: float) -> Excess:
    """What is left of a signed sum of legs when their courses are taken out: +1 and -1 for a pair.

    signs: by the leg's row. step_v: one code of the legs' inputs, root of their squares. The noise is taken
    from what lies outside the change, and the window goes on for as long again as the change lasts.
    """
    sides = leg_changes.sides
    inputs_v = np.stack([sign * _left(leg_changes, leg) for leg, sign in signs.items()])
    left = inputs_v.sum(axis=0)
    samples = len(left)
    if sides.first is None or sides.last is None:
        first, last = 0, samples
        quiet = left
    else:
        width = max(sides.last + 1 - sides.first, 32)
        first, last = max(sides.first - 8, 0), min(sides.last + 1 + width, samples)
        quiet = np.concatenate([left[: sides.first], left[last:]])
    noise_v = max(float(np.sqrt(np.mean(quiet**2))), step_v / math.sqrt(12)) if len(quiet) else step_v
    return Excess(
        inputs_v=inputs_v,
        interval_s=sides.interval_s,
        noise_v=noise_v,
        step_v=step_v,
        first=first,
        last=last,
        bandwidth_hz=0.5 / sides.interval_s,
    )


def band_limited(excess: Excess) -> Excess:
    """Pass an excess through 22 Hz to 22 kHz: Butterworth, third order at either end, causal as a meter's.

    Its window grows to the record's end, or to three time constants of the lower end. Raises ReadingError
    where the record is too coarsely sampled for the upper end.
    """
    if not 2.5 * HIGH_HZ * excess.interval_s < 1:
        raise ReadingError(f"{1 / excess.interval_s:g} samples a second hold no band up to {HIGH_HZ:g} Hz")
    inputs_v = band_pass(excess.inputs_v, excess.interval_s, LOW_HZ, HIGH_HZ, ORDER)
    quiet = inputs_v[:, excess.first // 2 : excess.first].sum(axis=0)
    bandwidth_hz = min(HIGH_HZ * 1.0472, excess.bandwidth_hz)  # of noise, through three poles
    share = bandwidth_hz * 2 * excess.interval_s
    noise_v = excess.noise_v * math.sqrt(share)
    if len(quiet) >= FEWEST_QUIET:
        noise_v = max(noise_v, float(quiet.std()))
    ring = round(3 / (2 * math.pi * LOW_HZ * excess.interval_s))
    return replace(
        excess,
        inputs_v=inputs_v,
        noise_v=noise_v,
        step_v=0.0,
        last=min(excess.last + ring, inputs_v.shape[1]),
        bandwidth_hz=bandwidth_hz,
    )


def measure_click(excess: Excess, *, gain_standard: float = 0.0, k: float = 2.0) -> ClickEstimates:
    """Measure an excess. gain_standard: relative standard uncertainty of each input's gain."""
    window = excess.volts[excess.first : excess.last]
    magnitude = np.abs(window)
    index = int(np.argmax(magnitude))
    floor_v = max(CLEAR * excess.noise_v, excess.step_v)
    inputs_v = excess.inputs_v[:, excess.first : excess.last]
    by_gains_v = gain_standard * float(np.sqrt(np.max(np.sum(inputs_v**2, axis=0))))
    energy = _energy(excess, window, gain_standard, k)
    if not magnitude[index] > floor_v:
        # no higher than what was seen and what noise, or the inputs' gains, may have taken off it
        bound = float(magnitude[index]) + k * math.hypot(excess.noise_v, by_gains_v) + excess.step_v / 2
        return ClickEstimates(
            peak_v=below(bound, k=k),
            energy_v2s=energy,
            duration=below(len(window) * excess.interval_s, k=k),
        )
    sign = math.copysign(1.0, window[index])
    peak = _peak(sign * window, index, excess, by_gains_v, k)
    return ClickEstimates(peak_v=peak, energy_v2s=energy, duration=_duration(peak, excess, k))


def _left(leg_changes: LegChanges, leg: int) -> Floats:
    """One leg less its expected courses, over the whole record."""
    sides = leg_changes.sides
    samples = sides.volts.shape[1]
    expected = sides.before.volts(0, samples)[leg]
    if leg_changes.legs:
        change = leg_changes.legs[leg]
        expected[change.start : change.stop] = change.expected
        expected[change.stop :] = sides.after.volts(change.stop, samples)[leg]
    return np.asarray(sides.volts[leg] - expected)


def _energy(excess: Excess, window: Floats, gain_standard: float, k: float) -> Estimate:
    """Energy less the noise's, with its variance by noise: alone, and together with the click.

    An input's gain changes it by twice its own part: the integral of its volts times those of all.

    Noise of the density d = s²/B and the bandwidth B adds s² T to the energy in the mean; the variance around
    it is 2 d E together with a click of the energy E, and s² d T alone. A leap comes anywhere between two
    samples, so that either value may hold over that interval.
    """
    duration_s = len(window) * excess.interval_s
    square = excess.noise_v**2
    density = square / excess.bandwidth_hz
    value = float(np.sum(window**2)) * excess.interval_s - square * duration_s
    leaps = np.abs(np.diff(window**2, prepend=0.0, append=0.0))
    beside = np.maximum(np.concatenate([[0.0], leaps[:-1]]), np.concatenate([leaps[1:], [0.0]]))
    sampling = max(float(np.max(leaps - beside)), 0.0) * excess.interval_s * UNIFORM
    chance = math.sqrt(2 * density * max(value, 0.0) + square * density * duration_s)
    inputs_v = excess.inputs_v[:, excess.first : excess.last]
    by_input = inputs_v @ window * excess.interval_s - square * duration_s / len(inputs_v)
    by_gains = 2 * gain_standard * float(np.linalg.norm(by_input))
    standard = math.hypot(chance, sampling, by_gains)
    if not is_detected(value, standard, k):
        return below(max(value, 0.0) + k * standard, k=k)
    lines = [
        Contribution(name="noise", standard=chance),
        Contribution(name="sampling", standard=sampling),
        Contribution(name="input gain", standard=by_gains),
    ]
    return estimate(value, lines, k)


def _peak(course: Floats, index: int, excess: Excess, by_gains_v: float, k: float) -> Estimate:
    """Highest value near a sample: of a parabola through all samples that noise could have made the highest.

    The largest of many noisy samples is too large; the parabola's top is not. Which samples these are is told
    by their averages, unless the peak is so sharp that it is lost in them. With few such samples it may lie
    between them: half of the step to the higher neighbour is as likely as none of it.
    by_gains_v: its standard uncertainty by the inputs' gains.
    """
    smooth = _average(course, SMOOTHED)
    top = int(np.argmax(smooth))
    if course[index] - smooth[top] > PLATEAU * excess.noise_v:
        smooth, top, limit = course, index, float(course[index]) - PLATEAU * excess.noise_v
    else:
        limit = float(smooth[top]) - NEAR_TOP * excess.noise_v
    low = top
    while low > 0 and smooth[low - 1] > limit:
        low -= 1
    high = top + 1
    while high < len(course) and smooth[high] > limit:
        high += 1
    if high - low >= 5:
        at = np.arange(low, high) - (low + high - 1) / 2
        rows = np.vander(at, 3, increasing=True)
        inverted = np.linalg.inv(rows.T @ rows)
        result = inverted @ rows.T @ course[low:high]
        ends = [at[0] - 0.5, at[-1] + 0.5]
        if result[2] < 0 and abs(result[1] / (2 * result[2])) < ends[1]:
            ends.append(-result[1] / (2 * result[2]))
        tops = np.vander(np.asarray(ends), 3, increasing=True)
        best = int(np.argmax(tops @ result))
        value = float(tops[best] @ result)
        chance = excess.slow_noise_v * math.sqrt(float(tops[best] @ inverted @ tops[best]))
        sampling = 0.0
    else:
        neighbours = [course[n] for n in (index - 1, index + 1) if 0 <= n < len(course)]
        drop = max(float(course[index]) - max(float(max(neighbours)), 0.0), 0.0)
        value, chance, sampling = float(course[index]) + drop / 2, excess.noise_v, drop * UNIFORM
    lines = [
        Contribution(name="noise", standard=chance),
        Contribution(name="sampling", standard=sampling),
        Contribution(name="quantisation", standard=excess.step_v * UNIFORM if chance == 0 else 0.0),
        Contribution(name="input gain", standard=by_gains_v),
    ]
    return estimate(value, lines, k)


def _average(volts: Floats, samples: int) -> Floats:
    """Mean of as many samples round each; at the ends the first or last sample counts for what is missing."""
    if samples == 1:
        return volts
    padded = np.pad(volts, (samples // 2, samples - 1 - samples // 2), mode="edge")
    summed = np.concatenate([[0.0], np.cumsum(padded)])
    return np.asarray((summed[samples:] - summed[:-samples]) / samples)


def _duration(peak: Estimate, excess: Excess, k: float) -> Estimate | str:
    """From the first to the last passage of a tenth of the peak; the reason if the record does not hold both.

    The click is averaged over samples until the level stands clear of the noise; its tail over as many as are
    short beside the whole. What noise, and the peak's uncertainty, add to the level or take from it moves the
    passages: of a slow tail by much, and where a tail swings back to about a tenth of the peak to another
    swing.
    """
    level, dt = DURATION_LEVEL * peak.value, excess.interval_s
    by_peak_v = DURATION_LEVEL * (peak.standard or 0.0)
    span: float | None = None
    for samples in AVERAGED_OVER:
        noise_v = excess.noise_v * math.sqrt(min(0.5 / (samples * dt * excess.bandwidth_hz), 1.0))
        off_v = math.hypot(noise_v, by_peak_v)
        if level < ABOVE_NOISE * noise_v + k * off_v:
            continue
        if span is not None and samples > SHORT * span:
            break
        begin = max(excess.first - 2 * samples, 0)
        magnitude = np.abs(_average(excess.volts, samples)[begin : excess.last])
        if span is None and magnitude.max() < LOST * peak.value:
            break
        levels = [level, level + k * off_v, level - k * off_v]
        above = [np.flatnonzero(magnitude > each) for each in levels]
        if any(each.size == 0 for each in above):
            break  # the averages of a click so short are no longer above the noise
        if any(each[0] == 0 or each[-1] == len(magnitude) - 1 for each in above):
            if span is None:
                return "the click has no end in this record. Arm a longer one"
            break
        if span is None:
            first_samples = samples
            firsts = [int(each[0]) for each in above]
            starts = [begin + _passage(magnitude, n, -1, v) for n, v in zip(firsts, levels, strict=True)]
        last_samples = samples
        lasts = [int(each[-1]) for each in above]
        ends = [begin + _passage(magnitude, n, 1, v) for n, v in zip(lasts, levels, strict=True)]
        span = ends[0] - starts[0]
    if span is None:
        return below((excess.last - excess.first) * dt, k=k)
    value, shorter, longer = (end - start for start, end in zip(starts, ends, strict=True))
    # By the averages an abrupt end lies 0.4 of them too far out, a gentle one does not; between two samples
    # it is anywhere.
    shifts = [AVERAGED_SHIFT * samples if samples > 1 else 0.0 for samples in (first_samples, last_samples)]
    sampling = math.hypot(*shifts, 1.0, 1.0) * UNIFORM * dt
    value_s, low_s, high_s = (value - sum(shifts) / 2) * dt, (value - shorter) * dt, (longer - value) * dt
    lines = [
        Contribution(name="sampling", standard=sampling),
        Contribution(name="noise and peak", standard=(low_s + high_s) / 2 / k),
    ]
    return replace(
        estimate(value_s, lines, k),
        low=max(value_s - math.hypot(low_s, k * sampling), 0.0),
        high=value_s + math.hypot(high_s, k * sampling),
    )


def _passage(magnitude: Floats, inside: int, outwards: int, level: float) -> float:
    """Where a level is passed, in samples, beside the outermost sample above it."""
    fall = float(magnitude[inside] - magnitude[inside + outwards])
    return inside + outwards * (float(magnitude[inside]) - level) / fall
