"""Uncertainty of anything computed from measured values: the GUM's linear propagation, done numerically.

Every source of error is one component: what the input values change by for one standard uncertainty of that
source. Two values that share a source are correlated by that alone; no covariance matrix is written down.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.reading import Contribution

Scale = Literal["linear", "db", "deg"]
DB_PER_NEPER = 20 / math.log(10)


@dataclass(frozen=True, kw_only=True, eq=False)
class Component:
    """One source of error. `name` is its line in a budget; `source` tells it from every other one.

    delta: what the values change by for one standard uncertainty of it, in the values' shape.
    """

    name: str
    source: str
    delta: NDArray[Any]


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """A value with its expanded interval, `low` to `high`, at `coverage_factor` standard uncertainties.

    Where `floor` is true nothing was found: `value` and `high` are the level that it lies below, `low` is
    minus infinity, `standard` is None and the budget empty.
    """

    value: float
    standard: float | None
    low: float
    high: float
    coverage_factor: float
    floor: bool
    budget: tuple[Contribution, ...]


def propagate(
    function: Callable[[NDArray[Any]], NDArray[Any]],
    value: NDArray[Any],
    components: Sequence[Component],
    *,
    coverage_factor: float = 2.0,
    scale: Scale = "linear",
) -> Estimate:
    """Evaluate `function` at `value`, with the uncertainty that the components give it.

    function: from arrays of shape (batch, *value.shape) to shape (batch,). By `scale` its results are
    linear: real, taken as they are; db: a ratio, complex or positive, reported as 20 log10 of its magnitude;
    deg: real degrees, whose differences wrap.

    Each component's share is half the difference of the function one standard uncertainty to either side
    (JCGM 100:2008, 5.1.3, note 2), combined in quadrature (5.1.2). A dB interval is that of the magnitude,
    converted at its ends. A magnitude that noise alone would exceed more often than the coverage allows (a
    Rayleigh distribution: 2.49 standard uncertainties for k = 2) is a floor: it lies below its own upper end.
    Raises ReadingError where the function gives no number.
    """
    deltas = np.stack([np.zeros_like(value), *(component.delta for component in components)])
    results = np.asarray(function(np.concatenate([value + deltas, value - deltas[1:]])))
    if not np.isfinite(results).all():
        raise ReadingError("the quantity can't be computed from what was measured: it is no finite number")
    central, above, below = results[0], results[1 : len(deltas)], results[len(deltas) :]
    shares = (above - below) / 2
    if scale == "db":
        return _in_db(complex(central), shares.astype(np.complex128), components, coverage_factor)
    if scale == "deg":
        shares = (np.remainder(above - below + 180, 360) - 180) / 2
    standard = float(np.sqrt(np.sum(shares**2)))
    centre = float(central)
    return Estimate(
        value=centre,
        standard=standard,
        low=centre - coverage_factor * standard,
        high=centre + coverage_factor * standard,
        coverage_factor=coverage_factor,
        floor=False,
        budget=_budget(components, shares),
    )


def _in_db(
    ratio: complex, shares: NDArray[np.complex128], components: Sequence[Component], coverage_factor: float
) -> Estimate:
    """Turn a complex ratio and its components' shares into an estimate of its level."""
    magnitude = abs(ratio)
    quadrature = math.sqrt(float(np.sum(np.abs(shares) ** 2)) / 2)  # of its real and imaginary part, each
    if magnitude <= math.sqrt(-2 * math.log(math.erfc(coverage_factor / math.sqrt(2)))) * quadrature:
        bound = _db(magnitude + coverage_factor * quadrature)
        return Estimate(
            value=bound,
            standard=None,
            low=-math.inf,
            high=bound,
            coverage_factor=coverage_factor,
            floor=True,
            budget=(),
        )
    radial = (shares * (ratio.conjugate() / magnitude)).real
    standard = float(np.sqrt(np.sum(radial**2)))
    return Estimate(
        value=_db(magnitude),
        standard=DB_PER_NEPER * standard / magnitude,
        low=_db(magnitude - coverage_factor * standard),
        high=_db(magnitude + coverage_factor * standard),
        coverage_factor=coverage_factor,
        floor=False,
        budget=_budget(components, DB_PER_NEPER * radial / magnitude),
    )


def _db(magnitude: float) -> float:
    """20 log10, minus infinity at and below zero: the end of an interval, never a reading."""
    return 20 * math.log10(magnitude) if magnitude > 0 else -math.inf


def _budget(components: Sequence[Component], shares: NDArray[np.float64]) -> tuple[Contribution, ...]:
    """Gather the shares by name, the largest first; what gives nothing is left out."""
    squares: dict[str, float] = {}
    for component, share in zip(components, shares, strict=True):
        squares[component.name] = squares.get(component.name, 0.0) + float(share) ** 2
    lines = [
        Contribution(name=name, standard=math.sqrt(square)) for name, square in squares.items() if square > 0
    ]
    return tuple(sorted(lines, key=lambda line: -line.standard))
