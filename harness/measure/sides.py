"""What a record shows on either side of a change, and instants in it: how sure each is."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.arrays import Floats, Indices
from harness.errors import ReadingError
from harness.measure.budget import estimate
from harness.measure.clock import NOMINAL_CLOCK, ClockRatio, sine_rows
from harness.measure.tone import fit_tones
from harness.reading import Contribution, Estimate

LEAST_STEP = 10.0  # of a control line's two levels, over its noise
ROUND_MEDIAN = 5.0  # times the median distance from a state's median: what belongs to it
MIDDLE = 0.2  # of an edge's amplitude, to either side of its middle: what a cubic is fitted to
FEWEST_OF_EDGE = 8
UNIFORM = 1 / math.sqrt(12)  # standard uncertainty of what lies anywhere in an interval of 1


@dataclass(frozen=True, kw_only=True)
class Instant:
    """Seconds from a record's first sample, with one standard uncertainty.

    even_s: the part of that which is of an even distribution, such as anywhere between two samples.
    """

    time_s: float
    standard_s: float
    even_s: float = 0.0


def between(first: Instant, second: Instant, *, names: tuple[str, str], k: float = 2.0) -> Estimate:
    """Time from the first instant to the second, s; names: of their two lines in the budget."""
    lines = [
        Contribution(name=name, standard=instant.standard_s)
        for name, instant in zip(names, (first, second), strict=True)
    ]
    return estimate(second.time_s - first.time_s, lines, k, even=(first.even_s, second.even_s))


def state_levels(volts: Floats, step_v: float = 0.0) -> tuple[float, float]:
    """Low and high state of a two-level waveform: the means of what lies round the medians of its halves.

    IEEE Std 181 takes the modes of each half's histogram; medians are their robust kin. A median of few codes
    is one of them, and up to half a code off; the mean of the codes next to it is not, as noise spreads them.
    step_v: one code.
    """
    middle = (float(volts.min()) + float(volts.max())) / 2
    levels = []
    for half in (volts[volts <= middle], volts[volts >= middle]):
        off = np.abs(half - np.median(half))
        levels.append(float(half[off <= ROUND_MEDIAN * np.median(off) + 1.5 * step_v].mean()))
    return levels[0], levels[1]


def find_edge(volts: Floats, interval_s: float, *, step_v: float = 0.0) -> Instant:
    """First transition of a control line, either way: the instant of its 50 % level (IEEE Std 181).

    volts: shape (samples,). step_v: one code. The transition must go from beyond 10 % to beyond 90 % of the
    two states' distance. The instant is that of a cubic through all samples around the middle of the edge;
    of an edge too steep for that, interpolated between the samples on either side of the middle. It is as
    uncertain as the step between these two is large, and the noise, at least the quantisation's, against the
    slope.
    Raises ReadingError if the line does not change.
    """
    low, high = state_levels(volts, step_v)
    amplitude = high - low
    steps = np.abs(np.diff(volts))
    # The median magnitude of white noise's differences is 0.6745 times root 2 of its RMS; of few codes it may
    # be none, so that it only tells which differences are the noise's.
    quiet = steps[steps <= 6 * max(float(np.median(steps)) / 0.9539, step_v)]
    noise = max(float(np.sqrt(np.mean(quiet**2) / 2)), step_v / math.sqrt(12))
    if not amplitude > LEAST_STEP * max(noise, 1e-12):
        raise ReadingError(
            "the control line does not change in this record: its lead, or the command, is missing"
        )
    level = (volts - low) / amplitude
    settled = np.where(level > 0.9, 1, np.where(level < 0.1, -1, 0))
    known = np.flatnonzero(settled)
    changes = np.flatnonzero(np.diff(settled[known]))
    if len(changes) == 0:
        raise ReadingError(
            "the control line does not change in this record: it never goes from one state to the other"
        )
    first, last = int(known[changes[0]]), int(known[changes[0] + 1])
    over = level[first : last + 1] > 0.5
    index = first + int(np.flatnonzero(over != over[0])[0]) - 1
    near = first + np.flatnonzero(np.abs(level[first : last + 1] - 0.5) < MIDDLE)
    middle = _middle_standard(noise, step_v) / amplitude
    if len(near) >= FEWEST_OF_EDGE:
        return _gentle(near, level[near], noise / amplitude, middle, interval_s)
    step = float(level[index + 1] - level[index])
    jump = min(abs(step), 1.0)
    return Instant(
        time_s=(index + (0.5 - float(level[index])) / step) * interval_s,
        standard_s=interval_s * math.hypot(UNIFORM * jump, math.hypot(noise / amplitude, middle) / abs(step)),
        even_s=interval_s * UNIFORM * jump,
    )


def _middle_standard(noise: float, step_v: float) -> float:
    """Standard uncertainty, V, of the middle between two levels by the codes that they are in.

    A quantiser's mean is off by up to step/pi exp(-2 (pi sigma/step)^2) with noise of sigma before it (Widrow
    and Kollár, *Quantization Noise*, from memory). What is seen has a variance of at most step²/4 more.
    """
    if step_v == 0:
        return 0.0
    before = max((noise / step_v) ** 2 - 0.25, 0.0)
    return step_v / math.pi * math.exp(-2 * math.pi**2 * before) / 2  # of two levels, each by a sine's RMS


def _gentle(at: Indices, level: Floats, noise: float, off: float, interval_s: float) -> Instant:
    """Where a cubic through samples of an edge passes its middle.

    noise: of a sample, off: standard uncertainty of the middle, both over the amplitude.
    A parabola would be off by a three-hundredth of the time constant of an exponential edge.
    """
    middle, reach = float(at.mean()), (len(at) - 1) / 2
    rows = np.vander((at - middle) / reach, 4)
    inverted = np.linalg.inv(rows.T @ rows)
    cubic = inverted @ rows.T @ (level - 0.5)
    roots = np.roots(cubic)
    root = float(roots[np.argmin(np.abs(roots))].real)
    row = np.vander([root], 4)[0]
    slope = abs(float(np.polyval(np.polyder(cubic), root)))
    standard = math.hypot(noise * math.sqrt(float(row @ inverted @ row)), off) / slope
    return Instant(time_s=(middle + reach * root) * interval_s, standard_s=interval_s * reach * standard)


STARTLING = 6.0  # times the noise: one sample in 500 million
UNREST = 5.0  # times the noise's power, over a block; no less, as the notches make neighbours alike
BLOCK = 32
MEDIAN_POWER = (1 - 2 / (9 * BLOCK)) ** 3  # of a block of noise, over its mean (chi squared)
BEYOND = 8.0  # standard deviations of a block's power
MOST_LOOKS = 6
FEWEST_CYCLES = 2.0
MARGIN = 2  # samples kept off the change
UNSTEADY = 2.0  # times the noise: more is left of a fit than noise alone
SMALL = 0.03  # of the tone


@dataclass(frozen=True, kw_only=True, eq=False)
class Course:
    """What each leg steadily does: an offset and tones, over a noise. Arrays of shape (legs, …).

    coefficients: offset, then cosine and sine of each tone, V; radians: per sample, counted from `middle`.
    noise_v: RMS of all that is left; quiet_v: of what noise alone would leave.
    """

    coefficients: Floats
    radians: Floats
    middle: float
    noise_v: Floats
    quiet_v: Floats

    def volts(self, first: int, last: int) -> Floats:
        """Its volts from one sample of the record to before another; shape (legs, samples)."""
        return np.asarray(self.coefficients @ sine_rows(last - first, self.radians, first - self.middle))


@dataclass(frozen=True, kw_only=True, eq=False)
class SteadySides:
    """A record across a change, what is steady before it and after it, and where it lies.

    volts: shape (legs, samples). first, last: samples between which the change lies, None if nothing
    happens (then both courses are that of the whole record). noise_v: RMS, shape (legs,).
    """

    volts: Floats
    interval_s: float
    before: Course
    after: Course
    noise_v: Floats
    first: int | None
    last: int | None


def steady_sides(
    volts: Floats,
    interval_s: float,
    frequencies_hz: Sequence[float],
    *,
    step_v: Sequence[float],
    clock: ClockRatio = NOMINAL_CLOCK,
) -> SteadySides:
    """Find the change in a record and fit what is steady before it and after it.

    volts: shape (legs, samples); frequencies_hz: of the tones, known; none for a record in silence.
    The change is found without any fit: each tone and the offset are notched out by a few samples' delays,
    forwards for its beginning and backwards for its end; what is left is noise but where something happens.
    Raises ReadingError if either side is too short, or not steady.
    """
    samples = volts.shape[1]
    if not np.isfinite(volts).all():
        raise ReadingError("the record holds samples that are NaN or infinite")
    step = np.asarray(step_v, dtype=np.float64)
    ahead = _unrest(volts, interval_s, frequencies_hz, step)
    back = _unrest(volts[:, ::-1], interval_s, frequencies_hz, step)
    if ahead is None or back is None:
        course = _fit(volts, 0, interval_s, frequencies_hz, step, clock, "the record")
        if _unsteady(course) is None:
            return SteadySides(
                volts=volts, interval_s=interval_s, before=course, after=course, noise_v=course.noise_v,
                first=None, last=None,
            )  # fmt: skip
        ahead = back = samples // 3  # a change too weak to startle: somewhere between the outer thirds
    first, last = sorted((ahead, samples - 1 - back))
    for _ in range(MOST_LOOKS):
        cut, resume = max(first - MARGIN, 0), min(last + 1 + MARGIN, samples)
        before = _fit(volts[:, :cut], 0, interval_s, frequencies_hz, step, clock, "what precedes the change")
        after = _fit(
            volts[:, resume:], resume, interval_s, frequencies_hz, step, clock, "what follows the change"
        )
        earlier = _first_off(volts[:, :cut] - before.volts(0, cut))
        later = _first_off((volts[:, resume:] - after.volts(resume, samples))[:, ::-1])
        if earlier is None and later is None:
            break
        first = first if earlier is None else min(earlier, first)
        last = last if later is None else max(samples - 1 - later, last)
    _need_steady(before, "what precedes the change")
    _need_steady(after, "what follows the change")
    return SteadySides(
        volts=volts,
        interval_s=interval_s,
        before=before,
        after=after,
        noise_v=np.sqrt((before.noise_v**2 + after.noise_v**2) / 2),
        first=first,
        last=last,
    )


def _first_off(residual: Floats) -> int | None:
    """First block of a fit's residual, of some lengths, whose power is more than noise's; None if none.

    A weak tone that begins late is hidden to the notches and bends the fit but little; this finds it.
    """
    result = []
    for length in (BLOCK, 4 * BLOCK, 16 * BLOCK):
        blocks = residual.shape[1] // length
        if blocks < 8:
            continue
        power = np.mean(residual[:, : blocks * length].reshape(len(residual), blocks, length) ** 2, axis=2)
        limit = (1 + BEYOND * np.sqrt(2 / length)) * np.median(power, axis=1, keepdims=True)
        off = (power > limit).any(axis=0)
        if off.any():
            result.append(int(np.argmax(off)) * length)
    return min(result, default=None)


def _unrest(volts: Floats, interval_s: float, frequencies_hz: Sequence[float], step: Floats) -> int | None:
    """First sample at which more than noise is left when tones and offset are notched out; None if none."""
    left, gain, lost = volts, 1.0, 0
    for hz in frequencies_hz:
        delay = max(round(0.25 / (hz * interval_s)), 1)  # a quarter of a period: the middle tap is next to 0
        middle = 2 * np.cos(2 * np.pi * hz * interval_s * delay)
        left = left[:, 2 * delay :] - middle * left[:, delay:-delay] + left[:, : -2 * delay]
        gain, lost = gain * np.sqrt(2 + middle**2), lost + 2 * delay
    delay = max(lost // 2, BLOCK)
    left, gain, lost = left[:, delay:] - left[:, :-delay], gain * np.sqrt(2), lost + delay
    if left.shape[1] < 4 * BLOCK:
        raise ReadingError(f"a record of {volts.shape[1]} samples is too short to find a change in")
    blocks = left.shape[1] // BLOCK
    power = np.mean(left[:, : blocks * BLOCK].reshape(len(left), blocks, BLOCK) ** 2, axis=2)
    # not the median of samples, which quantisation makes coarse
    scale = np.maximum(np.sqrt(np.median(power, axis=1) / MEDIAN_POWER), 0.5 * step * gain)[:, None]
    startled = (np.abs(left) > STARTLING * scale).any(axis=0)
    result = [int(np.argmax(startled))] if startled.any() else []
    restless = (power > UNREST * scale**2).any(axis=0)
    if restless.any():
        result.append(int(np.argmax(restless)) * BLOCK)
    return min(result) + lost if result else None


def _fit(
    volts: Floats,
    start: int,
    interval_s: float,
    hz: Sequence[float],
    step: Floats,
    clock: ClockRatio,
    what: str,
) -> Course:
    """Fit one side, which begins at sample `start` of the record."""
    samples = volts.shape[1]
    cycles = samples * interval_s * min(hz, default=np.inf)
    if samples < 4 * BLOCK or cycles < FEWEST_CYCLES:
        raise ReadingError(
            f"{what} holds {samples} samples, {samples * interval_s:.2g} s: too few. Arm a longer record, or "
            "command at another time in it"
        )
    middle = start + (samples - 1) / 2
    floor = step / np.sqrt(12)
    if not hz:
        differences = np.sqrt(np.mean(np.diff(volts, axis=1) ** 2, axis=1) / 2)  # leave out what is slow
        return Course(
            coefficients=volts.mean(axis=1, keepdims=True),
            radians=np.zeros(0),
            middle=middle,
            noise_v=np.maximum(volts.std(axis=1), floor),
            quiet_v=np.maximum(differences, floor),
        )
    fit = fit_tones(volts, interval_s, hz, step_v=tuple(step), clock=clock)
    return Course(
        coefficients=fit.amplitudes_v,
        radians=2 * np.pi * interval_s * fit.clock.ratio * np.asarray(hz),
        middle=middle,
        noise_v=np.maximum(fit.residual_v, floor),
        quiet_v=np.maximum(fit.quiet_v, floor),
    )


def _need_steady(course: Course, what: str) -> None:
    """Raise ReadingError if a side holds more than tone and noise."""
    worst = _unsteady(course)
    if worst is not None:
        raise ReadingError(
            f"{what} is not steady: {course.noise_v[worst]:.2g} V RMS of it is neither tone nor noise"
        )


def _unsteady(course: Course) -> int | None:
    """The leg that holds most more than tone and noise; None if none does."""
    levels = np.abs(course.coefficients[:, 1:]).max(axis=1, initial=0.0)
    limit = np.maximum(UNSTEADY * course.quiet_v, SMALL * levels)
    worst = int(np.argmax(course.noise_v - limit))
    return worst if course.noise_v[worst] > limit[worst] else None
