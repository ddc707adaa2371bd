"""How sure a reading will be, before it is taken: the bench's own errors, and the spread of sound parts.

The bench's errors are those that `make_transfer` counts, as large as a run on an eight-bit scope finds them.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.circuit.predict import Prediction
from harness.job.fixture import Hookup
from harness.plan.supply import SUPPLY_METER

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

# Standard uncertainties as budgets of simulated runs have them (eight bits, 20 000 samples).
NOISE = 4e-4  # of what a leg carries
NOISE_FLOOR = 1e-6  # of a leg's e.m.f.: a silent input on its most sensitive range
RANGE_GAIN = 6e-4  # of an input's range against the drive's, where they differ
SAME_RANGE = 0.6  # a leg that carries more than this part of the e.m.f. is on the drive's range
THROUGH = 3e-4  # of a source leg's through reading: 2e-4, and room for records that repeat less well
GENERATOR = 0.01  # limit of its level, where no through reference is taken: common practice, no source
COIL_SPREAD = 0.04  # half-width of a lot's coils around their nominal: common practice, no source

SURE = 1.0  # expanded uncertainties past its limit: from there on a reading is surely judged fail


@dataclass(frozen=True, kw_only=True, eq=False)
class Doubt:
    """Errors of an acquisition's transfers of many units: of the bench, and of the parts.

    noise: (units, legs), of each entry's real and imaginary part. relative: real, (sources, legs, 2), each
    times the transfer. gains: the same for the inputs' ranges, (units, legs). parts: complex, (parameters,
    legs, 2), of a sound unit; scale: (units, legs, 2), what of that a unit has.
    """

    noise: Floats
    relative: Floats
    gains: Floats
    parts: Complex
    scale: Floats


def doubt_of(
    transfers: Complex, prediction: Prediction, hookup: Hookup, *, gain_accuracy: float, referenced: bool
) -> Doubt:
    """Doubt in transfers of shape (units, legs, 2) that one acquisition would show."""
    levels = np.abs(transfers).sum(axis=2)
    legs = transfers.shape[1]
    sound = np.abs(prediction.transfer)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.minimum(np.nan_to_num(np.abs(transfers) / sound, nan=0.0, posinf=1.0), 1.0)
    return Doubt(
        noise=NOISE * levels + NOISE_FLOOR,
        relative=_relative(legs, gain_accuracy=gain_accuracy, referenced=referenced),
        gains=np.where(levels < SAME_RANGE, RANGE_GAIN, 0.0)
        if referenced
        else np.full(levels.shape, gain_accuracy / math.sqrt(3)),
        parts=prediction.spreads,
        scale=scale,
    )


def _relative(legs: int, *, gain_accuracy: float, referenced: bool) -> Floats:
    """Relative errors that hold for several entries together."""
    shares = []
    for column in (0, 1):
        if not referenced:
            whole = np.zeros((legs, 2))
            whole[:, column] = GENERATOR / math.sqrt(3)
            shares.append(whole)
            continue
        for hot in range(0, legs, 2):
            pair = np.zeros((legs, 2))
            pair[hot : hot + 2, column] = THROUGH
            shares.append(pair)
    for hot in range(0, legs, 2) if referenced else ():
        crossed = np.zeros((legs, 2))  # which input of a pair reads the other leg's tone, and how truly
        crossed[hot, 1] = -math.sqrt(2) * gain_accuracy / math.sqrt(3)
        crossed[hot + 1, 0] = -crossed[hot, 1]
        shares.append(crossed)
    return np.array(shares).reshape(len(shares), legs, 2)


@dataclass(frozen=True, kw_only=True, eq=False)
class Level:
    """A linear function of an acquisition's transfers for many units, with what moves it.

    value: complex, (units,). bench: complex, (sources, units), one standard uncertainty each; noise:
    (units,), of real and imaginary part. parts: complex, (parameters, units).
    """

    value: Complex
    noise: Floats
    bench: Complex
    parts: Complex

    @property
    def bench_standard(self) -> Floats:
        """Of the magnitude, by the bench alone."""
        return _radial(self.value, self.bench, self.noise)

    @property
    def parts_standard(self) -> Floats:
        """Of the magnitude, by the spread of parts."""
        return _radial(self.value, self.parts, 0.0)

    @property
    def bench_quadrature(self) -> Floats:
        """Of real and imaginary part, each, by the bench: what decides whether anything is there."""
        return np.asarray(np.sqrt(self.noise**2 + (np.abs(self.bench) ** 2).sum(axis=0) / 2))


def supply_standard(meter_a: Floats | float, coils_a: Floats | float) -> Floats:
    """Standard uncertainty, A, of a supply current by its meter's limits and by those of the coils' lot."""
    return np.asarray(np.hypot(SUPPLY_METER * meter_a, COIL_SPREAD * coils_a) / math.sqrt(3))


def weigh(transfers: Complex, doubt: Doubt, weights: Complex) -> Level:
    """Σ weights·H over legs and columns, weights of shape (legs, 2)."""
    weighted = transfers * weights
    rows = weighted.sum(axis=2) * doubt.gains  # (units, legs)
    return Level(
        value=weighted.sum(axis=(1, 2)),
        noise=np.sqrt((np.abs(weights) ** 2 * (doubt.noise**2)[:, :, None]).sum(axis=(1, 2))),
        bench=np.concatenate([np.einsum("rlk,ulk->ru", doubt.relative, weighted), rows.T]),
        parts=np.einsum("plk,ulk->pu", doubt.parts * weights, doubt.scale),
    )


def ratio(one: Level, other: Level, *, together: bool) -> Level:
    """One level over another; `together` of one acquisition, so that what they share cancels."""
    with np.errstate(divide="ignore", invalid="ignore"):
        value = one.value / other.value
        first, second = 1 / other.value, -one.value / other.value**2
        noise = np.sqrt((np.abs(first) * one.noise) ** 2 + (np.abs(second) * other.noise) ** 2)
        bench = _joined(one.bench * first, other.bench * second, together=together)
        parts = _joined(one.parts * first, other.parts * second, together=together)
    return Level(value=value, noise=noise, bench=bench, parts=parts)


def _joined(one: Complex, other: Complex, *, together: bool) -> Complex:
    return np.asarray(one + other) if together else np.concatenate([one, other])


def _radial(value: Complex, shares: Complex, noise: Floats | float) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        turn = np.where(np.abs(value) > 0, value.conjugate() / np.abs(value), 1.0)
    return np.asarray(np.sqrt(((shares * turn).real ** 2).sum(axis=0) + noise**2))
