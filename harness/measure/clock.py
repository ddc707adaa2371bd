"""How far the generator's clock and the scope's differ, and the sines that a record is fitted with."""

import math
from dataclasses import dataclass

import numpy as np

from harness.arrays import Complex, Floats
from harness.errors import ReadingError

MOST_STEPS = 20
STEP_BINS = 1e-4  # the clock's search ends with a step this small; the next would be its square
THIN_SAMPLES_PER_CYCLE = 5  # the clock's search needs no more
THIN_SAMPLES = 1000


@dataclass(frozen=True, kw_only=True)
class ClockRatio:
    """Frequency as the scope sees it over the generator's setting, and one standard uncertainty of that.

    A standard of 0 says that the ratio is known (three-parameter fit); infinity that nothing is known of it
    beyond where to start (four-parameter fit).
    """

    ratio: float
    standard: float


NOMINAL_CLOCK = ClockRatio(ratio=1.0, standard=1e-4 / math.sqrt(3))  # two clocks within 100 ppm of each other
EXACT_CLOCK = ClockRatio(ratio=1.0, standard=0.0)


def turns(samples: int, radians: float, first: float | None = None) -> Complex:
    """exp(i radians n), n counted on from `first`, or from the middle: an outer product of two short ones.

    Several times faster than cosine and sine of every sample.
    """
    block = math.isqrt(samples) + 1
    begin = -(samples - 1) / 2 if first is None else first
    coarse = np.exp(1j * radians * (block * np.arange(-(-samples // block)) + begin))
    fine = np.exp(1j * radians * np.arange(block))
    return np.asarray(np.multiply.outer(coarse, fine).ravel()[:samples])


def sine_rows(samples: int, radians: Floats, first: float | None = None) -> Floats:
    """Rows: one, then cosine and sine of each tone; radians per sample, counted on as in `turns`.

    Shape (1 + 2 tones, samples).
    """
    basis = np.empty((1 + 2 * len(radians), samples))
    basis[0] = 1.0
    for tone, step in enumerate(radians):
        turned = turns(samples, float(step), first)
        basis[1 + 2 * tone], basis[2 + 2 * tone] = turned.real, turned.imag
    return basis


@dataclass(frozen=True, kw_only=True, eq=False)
class Sines:
    """Tones over a record, kept as factors: turn n of a tone is coarse[n // block] times fine[n % block].

    Products with a record, and sums of tones, are then two small matrix products, and no sine is ever made.
    coarse: complex, (rows, tones); fine: (tones, block).
    """

    samples: int
    radians: Floats
    coarse: Complex
    fine: Complex

    @classmethod
    def of(cls, samples: int, radians: Floats) -> "Sines":
        """Tones of so many radians a sample, phase 0 at the middle of the record."""
        block = math.isqrt(samples) + 1
        starts = block * np.arange(-(-samples // block)) - (samples - 1) / 2
        return cls(
            samples=samples,
            radians=radians,
            coarse=np.exp(1j * np.multiply.outer(starts, radians)),
            fine=np.exp(1j * np.multiply.outer(radians, np.arange(block))),
        )

    def against(self, volts: Floats) -> Floats:
        """Products of a record with one, and with cosine and sine of each tone: (1 + 2 tones, inputs)."""
        inputs = len(volts)
        tones, block = self.fine.shape
        whole = self.samples // block
        rest = self.samples - whole * block
        columns = np.concatenate([np.ones((1, block)), self.fine.real, self.fine.imag]).T
        parts = volts[:, : whole * block].reshape(inputs, whole, block) @ columns
        if rest:
            parts = np.concatenate([parts, (volts[:, None, whole * block :] @ columns[:rest])], axis=1)
        turned = ((parts[..., 1 : 1 + tones] + 1j * parts[..., 1 + tones :]) * self.coarse).sum(axis=1)
        products = np.empty((1 + 2 * tones, inputs))
        products[0], products[1::2], products[2::2] = parts[..., 0].sum(axis=1), turned.T.real, turned.T.imag
        return products

    def summed(self, result: Floats) -> Floats:
        """Sum of offset and tones, by amplitudes as `against` has them; (inputs, samples)."""
        tones, block = self.fine.shape
        turned = (result[1::2] - 1j * result[2::2]).T[:, None, :] * self.coarse
        left = np.empty((*turned.shape[:2], 1 + 2 * tones))
        left[..., 0], left[..., 1 : 1 + tones], left[..., 1 + tones :] = (
            result[0, :, None],
            turned.real,
            turned.imag,
        )
        right = np.concatenate([np.ones((1, block)), self.fine.real, -self.fine.imag])
        return np.asarray((left @ right).reshape(len(left), -1)[:, : self.samples])

    def products(self) -> Floats:
        """Products with one another of what `against` takes products with, by their closed form.

        The sum of cos(a n) over n counted from the middle is sin(N a / 2) / sin(a / 2), and of an even times
        an odd function nothing. Shape (1 + 2 tones, 1 + 2 tones).
        """
        steps = np.concatenate([[0.0], self.radians])
        apart, joint = _cosine_sum(self.samples, np.stack([steps[:, None] - steps, steps[:, None] + steps]))
        products = np.zeros((2 * len(steps) - 1, 2 * len(steps) - 1))
        cosines = np.maximum(np.arange(0, 2 * len(steps), 2) - 1, 0)
        products[np.ix_(cosines, cosines)] = (apart + joint) / 2
        products[2::2, 2::2] = (apart - joint)[1:, 1:] / 2
        return products


def _cosine_sum(samples: int, radians: Floats) -> Floats:
    """Sum of cos(radians n) over n from the middle of so many samples."""
    below = np.sin(radians / 2)
    none = np.abs(below) < 1e-150
    below[none] = 1.0
    summed = np.sin(samples / 2 * radians) / below
    summed[none] = samples
    return np.asarray(summed)


def inverse(gram: Floats) -> Floats:
    """Invert normal equations; raises ReadingError if the record can't tell the tones apart.

    Their condition is the square of the fit's: under 1e8, half the digits of a float64 are left at worst.
    """
    try:
        inverted = np.linalg.inv(gram)
    except np.linalg.LinAlgError:
        inverted = np.full_like(gram, np.inf)
    if not np.linalg.norm(gram) * np.linalg.norm(inverted) < 1e8:
        raise ReadingError(
            "the record is too short to tell the tones and the offset apart. Take a longer one"
        )
    return np.asarray(inverted)


def find_clock(volts: Floats, interval_s: float, hz: Floats, clock: ClockRatio) -> ClockRatio:
    """Most probable ratio of the clocks, given what was known before: Gauss–Newton on the clearest input.

    IEEE Std 1057's four-parameter fit with the prior as one more observation; variable projection, so that
    amplitudes and offset follow at each step.
    """
    if clock.standard == 0:
        return clock
    volts, interval_s = _thinned(volts, interval_s, float(hz.max()))
    samples = volts.shape[1]
    cycles = float(hz.max()) * interval_s * samples
    radians = 2 * np.pi * interval_s * hz
    basis = sine_rows(samples, radians * clock.ratio)
    inverted = inverse(basis @ basis.T)
    record = volts[_clearest(volts, basis, inverted) if len(volts) > 1 else 0]
    ratio = _scan(record, interval_s, hz, clock, cycles)
    prior = 0.0 if math.isinf(clock.standard) else clock.standard**-2
    information = prior
    time = (np.arange(samples) - (samples - 1) / 2) * interval_s
    for step in range(MOST_STEPS):
        if step > 0 or ratio != clock.ratio:
            basis = sine_rows(samples, radians * ratio)
            inverted = inverse(basis @ basis.T)
        result = inverted @ (basis @ record)
        residual = record - result @ basis
        turned = np.zeros(len(result))  # the model's slope against the ratio, in terms of the basis
        turned[1::2], turned[2::2] = 2 * np.pi * hz * result[2::2], -2 * np.pi * hz * result[1::2]
        slope = time * (turned @ basis)
        explained = basis @ slope  # by amplitudes and offset: only what these can't do tells of the ratio
        variance = max(float(residual @ residual) / (samples - len(result) - 1), 1e-300)
        information = float(slope @ slope - explained @ inverted @ explained) / variance + prior
        if information == 0:
            return clock
        change = (float(slope @ residual) / variance - (ratio - clock.ratio) * prior) / information
        ratio += min(max(change, -0.5 / cycles), 0.5 / cycles)
        if abs(change) * cycles < STEP_BINS:
            break
    return ClockRatio(ratio=ratio, standard=information**-0.5)


def _thinned(volts: Floats, interval_s: float, highest_hz: float) -> tuple[Floats, float]:
    """Average neighbouring samples, down to five a cycle or a thousand in all: a tone stays that tone."""
    inputs, samples = volts.shape
    group = min(int(1 / (THIN_SAMPLES_PER_CYCLE * highest_hz * interval_s)), samples // THIN_SAMPLES)
    if group < 2:
        return volts, interval_s
    count = samples // group
    blocks = volts[:, : count * group].reshape(inputs, count, group)
    return blocks @ np.full(group, 1 / group), interval_s * group


def _clearest(volts: Floats, basis: Floats, inverted: Floats) -> int:
    """Which input's tones stand highest above the rest of it."""
    right = basis @ volts.T
    result = inverted @ right
    explained = np.einsum("pi,pi->i", result[1:], right[1:])
    total = np.einsum("is,is->i", volts, volts) - result[0] * right[0]
    return int(np.argmax(explained / np.maximum(total - explained, 1e-12 * total + 1e-300)))


def _scan(record: Floats, interval_s: float, hz: Floats, clock: ClockRatio, cycles: float) -> float:
    """Where to start: the nominal ratio, or, where the clocks may differ by bins, the strongest nearby."""
    reach = 3 * clock.standard * cycles
    if reach < 0.4 or math.isinf(reach):
        return clock.ratio
    ratios = clock.ratio + np.arange(-math.ceil(4 * reach), math.ceil(4 * reach) + 1) / (4 * cycles)
    level = np.zeros(len(ratios))
    for index, ratio in enumerate(ratios):
        for value in hz:
            turned = turns(len(record), -2 * np.pi * interval_s * float(value * ratio))
            level[index] += abs(turned @ record) ** 2
    return float(ratios[int(np.argmax(level))])
