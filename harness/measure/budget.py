"""Uncertainty of anything computed from measured values: the GUM's linear propagation, done numerically.

Every source of error is one component: what the input values change by for one standard uncertainty of that
source. Two values that share a source are correlated by that alone; no covariance matrix is written down.
"""

import cmath
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from harness.arrays import Complex, Floats
from harness.errors import ReadingError
from harness.reading import Contribution, Estimate

FEWEST = 1.0  # degrees of freedom; the table has none below
# Standard uncertainties that a value stands above nothing at all before it is a number: Currie's detection
# limit for errors of 5 % of either kind, 2 times 1.645 (Analytical Chemistry 40, 1968; from memory). Nothing
# reads so much once in 2000 times.
DETECTED = 3.29


@dataclass(frozen=True, kw_only=True)
class Sampled:
    """That a standard uncertainty was found from the scatter of few values.

    series: tells which values; what was found from the same ones is too small, or too large, together.
    """

    freedom: float
    series: str


def effective_freedom(standard: float, shares: Iterable[tuple[Sampled, float]]) -> float:
    """Degrees of freedom of a combined standard uncertainty, by Welch and Satterthwaite (G.4.1).

    shares: those of its parts that were found from few values, each with how. The formula adds up what the
    parts' variances are unsure by, u⁴/ν, by squares, as of independent estimates; what is of one series is
    too small or too large together, and is added up as it is.
    """
    unsure: dict[str, float] = {}
    for sampled, share in shares:
        unsure[sampled.series] = unsure.get(sampled.series, 0.0) + share**2 / math.sqrt(sampled.freedom)
    together = sum(share**2 for share in unsure.values())
    return max(standard**4 / together, FEWEST) if together > 0 else math.inf


def student_factor(k: float, freedom: float) -> float:
    """Factor that covers as much of Student's distribution as `k` does of a normal one (G.3.2): t_p(ν).

    freedom: of any size, also between whole numbers.
    """
    from scipy.special import ndtr, stdtrit

    return max(-float(stdtrit(freedom, float(ndtr(-k)))), k) if math.isfinite(freedom) else k


Scale = Literal["linear", "db", "deg"]
Origin = Literal["noise", "bench", "parts"]
DB_PER_NEPER = 20 / math.log(10)
NEGLIGIBLE = 0.01  # of the sum's fourth power: an even part under this leaves the sum normal, to 0.1 %


@dataclass(frozen=True, kw_only=True, eq=False)
class Component:
    """One source of error. `name` is its line in a budget; `source` tells it from every other one.

    origin: the noise of one record, all else of the bench, or the tolerance of parts.
    delta: what the values change by for one standard uncertainty of it, in the values' shape. even: it lies
    anywhere between two limits with the same probability, as what is known by a specification alone.
    sampled: it was found from the scatter of few values, and is itself unsure.
    """

    name: str
    source: str
    delta: NDArray[Any]
    origin: Origin = "bench"
    even: bool = False
    sampled: Sampled | None = None

    @property
    def is_noise(self) -> bool:
        """Whether it is the noise of one record: its real or its imaginary part."""
        return self.origin == "noise"


def merged(
    shape: tuple[int, ...], changes: Iterable[tuple[Component, int | slice, NDArray[Any]]]
) -> tuple[Component, ...]:
    """One component for each source of error, of several that act in an array of `shape` at once.

    changes: a component, the index along the first axis at which it acts, and what it changes there. Changes
    by the same source are added up; that is all the correlation between them.
    """
    deltas: dict[str, tuple[Component, NDArray[Any]]] = {}
    for component, index, change in changes:
        _, delta = deltas.setdefault(component.source, (component, np.zeros(shape, dtype=np.complex128)))
        delta[index] += change
    return tuple(replace(component, delta=delta) for component, delta in deltas.values())


def propagate(
    function: Callable[[NDArray[Any]], NDArray[Any]],
    value: NDArray[Any],
    components: Sequence[Component],
    *,
    coverage_factor: float = 2.0,
    scale: Scale = "linear",
) -> Estimate:
    """Evaluate `function` at `value`, with its uncertainty by the components.

    function: from arrays of shape (batch, *value.shape) to shape (batch,). By `scale` its results are
    linear: real, taken as they are; db: a ratio, complex or positive, reported as 20 log10 of its magnitude;
    deg: real degrees, whose differences wrap.

    Each component's share is half the difference of the function one standard uncertainty to either side
    (JCGM 100:2008, 5.1.3, note 2), combined in quadrature (5.1.2). A dB interval is that of the magnitude,
    converted at its ends. A magnitude that nothing at all would exceed more often than `is_detected` allows
    (a Rayleigh distribution: 3.9 standard uncertainties) is a floor: it lies below its own upper end.
    Raises ReadingError if the function returns no number.
    """
    deltas = np.stack([np.zeros_like(value), *(component.delta for component in components)])
    results = np.asarray(function(np.concatenate([value + deltas, value - deltas[1:]])))
    if not np.isfinite(results).all():
        raise ReadingError("the quantity can't be computed from what was measured: it is not a finite number")
    central, above, below = results[0], results[1 : len(deltas)], results[len(deltas) :]
    shares = (above - below) / 2
    if scale == "db":
        return _level(complex(central), shares.astype(np.complex128), components, coverage_factor)
    if scale == "deg":
        shares = (np.remainder(above - below + 180, 360) - 180) / 2
    return _of_shares(float(central), shares, components, coverage_factor)


def _of_shares(value: float, shares: Floats, components: Sequence[Component], k: float) -> Estimate:
    """An estimate of a value of which each component has a share, one standard uncertainty."""
    pairs = list(zip(components, shares.tolist(), strict=True))
    lines = [Contribution(name=component.name, standard=abs(share)) for component, share in pairs]
    even = [share for component, share in pairs if component.even]
    return estimate(value, lines, k, even=even, sampled=_sampled(components, shares))


def _sampled(components: Sequence[Component], shares: Floats) -> tuple[tuple[Sampled, float], ...]:
    """Those shares that were found from few values."""
    return tuple(
        (component.sampled, float(share))
        for component, share in zip(components, shares, strict=True)
        if component.sampled is not None
    )


def estimate(
    value: float,
    lines: Sequence[Contribution],
    k: float,
    *,
    even: Sequence[float] = (),
    sampled: Sequence[tuple[Sampled, float]] = (),
) -> Estimate:
    """Give a value the interval that the lines of its budget make; those of one name become one.

    even: the standard uncertainties among them, or parts of them, that are of even distributions. sampled:
    those that were found from few values.
    """
    standard = math.sqrt(sum(line.standard**2 for line in lines))
    half = factor_for(_factor_of_few(k, standard, sampled), standard, even) * standard
    return Estimate(
        value=value,
        standard=standard,
        low=value - half,
        high=value + half,
        coverage_factor=k,
        floor=False,
        budget=_gathered(lines),
    )


def factor_for(k: float, standard: float, even: Sequence[float]) -> float:
    """Factor that covers as much of this sum of errors as `k` does of a normal one.

    standard: of the sum; even: of those of its parts that are even between two limits. The largest of these
    is taken as what it is, all the rest as one normal error (JCGM 100:2008, G.2.2): 1.653 for k = 2 where
    nothing else counts. Two even parts alike, a triangle, come out at 1.95 in place of 1.927.
    """
    largest = max((abs(part) for part in even), default=0.0)
    if largest**4 <= NEGLIGIBLE * standard**4:
        return k
    covered = math.erf(k / math.sqrt(2))
    limit = math.sqrt(3) * largest / standard
    normal = math.sqrt(max(1 - (largest / standard) ** 2, 0.0))
    if normal < 1e-3:
        return covered * limit
    low, high = 0.0, k + 1  # below k = 1.8 or so the factor is above k
    while high - low > 1e-4:
        middle = (low + high) / 2
        inside = normal / limit * (_ramp((middle + limit) / normal) - _ramp((middle - limit) / normal)) - 1
        low, high = (middle, high) if inside < covered else (low, middle)
    return high


def _factor_of_few(k: float, standard: float, sampled: Sequence[tuple[Sampled, float]]) -> float:
    """Factor that covers what `k` does of a normal distribution, where parts of the sum are unsure."""
    return student_factor(k, effective_freedom(standard, sampled)) if sampled else k


def _ramp(z: float) -> float:
    """Integral of the normal distribution's integral, from minus infinity to z."""
    return z * (1 + math.erf(z / math.sqrt(2))) / 2 + math.exp(-(z**2) / 2) / math.sqrt(2 * math.pi)


def _level(ratio: complex, shares: Complex, components: Sequence[Component], k: float) -> Estimate:
    """Turn a complex ratio and its components' shares into an estimate of its level, dB."""
    magnitude = abs(ratio)
    any_way, axis = _longest_axis(shares)
    if magnitude <= _rayleigh_factor(max(k, DETECTED)) * any_way:
        sampled = _sampled(components, (shares * axis.conjugate()).real)
        return below(_db(magnitude + _factor_of_few(k, any_way, sampled) * any_way), k=k)
    return in_db(_of_shares(magnitude, (shares * (ratio.conjugate() / magnitude)).real, components, k))


def _longest_axis(shares: Complex) -> tuple[float, complex]:
    """Standard uncertainty of a complex value along the line where it is largest, and the line's direction.

    The covariance of real and imaginary part has the larger eigenvalue (Σ|s|² + |Σs²|)/2 (closed form). Noise
    is the same in all directions; errors of gains, such as those of inputs, lie on a line.
    """
    turned = complex(np.sum(shares**2))
    square = (float(np.sum(np.abs(shares) ** 2)) + abs(turned)) / 2
    return math.sqrt(square), cmath.exp(0.5j * cmath.phase(turned))


def _rayleigh_factor(k: float) -> float:
    """What a Rayleigh distribution exceeds as seldom as a normal one exceeds `k` to one side."""
    return math.sqrt(-2 * math.log(math.erfc(k / math.sqrt(2)) / 2))


def is_detected(value: float, standard: float, k: float) -> bool:
    """Whether a value that can't be negative is surely more than nothing."""
    return value > max(k, DETECTED) * standard


def _db(magnitude: float) -> float:
    """20 log10, minus infinity at and below zero: the end of an interval, never a reading."""
    return 20 * math.log10(magnitude) if magnitude > 0 else -math.inf


def _gathered(lines: Sequence[Contribution]) -> tuple[Contribution, ...]:
    """Combine the lines of one name, the largest first; what contributes nothing is left out."""
    squares: dict[str, float] = {}
    for line in lines:
        squares[line.name] = squares.get(line.name, 0.0) + line.standard**2
    combined = [
        Contribution(name=name, standard=math.sqrt(square)) for name, square in squares.items() if square > 0
    ]
    return tuple(sorted(combined, key=lambda line: -line.standard))


def root_of_power(power: float, parts: Sequence[Contribution], *, k: float = 2.0) -> Estimate:
    """Square root of a power that may have been found by subtracting another one.

    parts: components with their standard uncertainties, in the power's unit; those of one name are combined.
    The interval is that of the power, converted at its ends. A power that is not detected is a floor: the
    root lies below that of its upper end.
    """
    standard = math.sqrt(sum(part.standard**2 for part in parts))
    if not is_detected(power, standard, k):
        return below(math.sqrt(max(power, 0.0) + k * standard), k=k)
    value = math.sqrt(power)
    return Estimate(
        value=value,
        standard=standard / (2 * value),
        low=math.sqrt(power - k * standard),
        high=math.sqrt(power + k * standard),
        coverage_factor=k,
        floor=False,
        budget=tuple(replace(line, standard=line.standard / (2 * value)) for line in _gathered(parts)),
    )


def below(bound: float, *, k: float = 2.0) -> Estimate:
    """An estimate of which only an upper bound is known."""
    return Estimate(
        value=bound, standard=None, low=-math.inf, high=bound, coverage_factor=k, floor=True, budget=()
    )


def at_least(bound: float, *, k: float = 2.0) -> Estimate:
    """An estimate of which only a lower bound is known."""
    return Estimate(
        value=bound, standard=None, low=bound, high=math.inf, coverage_factor=k, floor=True, budget=()
    )


def in_db(estimate: Estimate, reference: float = 1.0) -> Estimate:
    """20 log10 of an estimate of a magnitude over `reference`; its interval is converted at its ends."""
    if estimate.floor or not estimate.value > 0:
        return below(_db(estimate.high / reference), k=estimate.coverage_factor)
    share = DB_PER_NEPER / estimate.value
    return replace(
        estimate,
        value=_db(estimate.value / reference),
        standard=None if estimate.standard is None else share * estimate.standard,
        low=_db(estimate.low / reference),
        high=_db(estimate.high / reference),
        budget=tuple(replace(line, standard=share * line.standard) for line in estimate.budget),
    )
