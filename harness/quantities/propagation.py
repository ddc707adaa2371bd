"""What a ratio of transfers comes to, and how sure that is: of thousands of predicted units at once.

Of one unit the function itself is evaluated to either side of each error (`budget.propagate`). Of thousands
the derivative is taken: numerator and denominator are linear.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from harness.measure.errors import ErrorModel

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]
Places = NDArray[np.intp]
LinearForm = Callable[[Sequence[Complex]], Complex]
"""A linear function of one transfer for each capture of a reading, (…, legs, 2), for any leading axes."""


@dataclass(frozen=True, kw_only=True, eq=False)
class PredictedTransfer:
    """One capture's transfer of many units, and what may be wrong with it.

    values: (kinds, legs, 2), every transfer that some unit has, once; errors: of these. kind: (units,), which
    of them each unit has. Most faults leave most captures as they are.
    """

    values: Complex
    errors: ErrorModel
    kind: Places
    _sums: dict[bytes, tuple[Complex, Complex]] = field(default_factory=dict)

    def summed(self, weights: Complex) -> tuple[Complex, Complex]:
        """Σ weights · h over legs and columns, and what each source changes in it.

        Shapes (kinds,) and (sources, kinds). weights: (legs, 2). The sums are kept: many readings share them.
        """
        key = weights.tobytes()
        if key not in self._sums:
            value = np.zeros(len(self.values), dtype=complex)
            changes = np.zeros(self._deltas.shape[:2], dtype=complex)
            for row, column in np.argwhere(weights).tolist():
                value += weights[row, column] * self.values[..., row, column]
                changes += weights[row, column] * self._deltas[..., row, column]
            self._sums[key] = value, changes
        return self._sums[key]

    @cached_property
    def _deltas(self) -> Complex:
        return self.errors.deltas(self.values)


@dataclass(frozen=True, kw_only=True, eq=False)
class ComplexEstimates:
    """A complex ratio of many units, and how sure it is. Arrays are (units,).

    ratio: (kinds,), every value that some unit has; kind: which of them each unit has. bench, parts: what
    each error of the bench and each tolerance of a part changes in the ratio, (sources, kinds).
    """

    ratio: Complex
    bench: Complex
    parts: Complex
    kind: Places

    @cached_property
    def value(self) -> Complex:
        """The ratio."""
        return np.asarray(self.ratio[self.kind])

    @cached_property
    def bench_standard(self) -> Floats:
        """Standard uncertainty of the magnitude by the bench alone."""
        return self._radial(self.bench)

    @cached_property
    def parts_standard(self) -> Floats:
        """Standard uncertainty of the magnitude by the tolerance of parts."""
        return self._radial(self.parts)

    @cached_property
    def bench_quadrature(self) -> Floats:
        """Of real and imaginary part, each, by the bench: what tells a signal from nothing."""
        return np.asarray(np.sqrt(_squares(self.bench) / 2)[self.kind])

    @cached_property
    def parts_modulus(self) -> Floats:
        """Root of the sum of the squares of what parts change, in whatever direction."""
        return np.asarray(np.sqrt(_squares(self.parts))[self.kind])

    def _radial(self, shares: Complex) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):
            size = np.abs(self.ratio)
            turn = np.where(size > 0, self.ratio.conjugate() / size, 1.0)
            along = shares.real * turn.real - shares.imag * turn.imag
        return np.asarray(np.sqrt((along**2).sum(axis=0))[self.kind])


def propagate_many(
    numerator: LinearForm, denominator: LinearForm | None, seen: Sequence[PredictedTransfer]
) -> ComplexEstimates:
    """The ratio of many units, one transfer for each capture; to first order.

    No two captures have an error in common, so that what they share is not counted on.
    denominator: None where the numerator is all.
    """
    kinds = np.stack([capture.kind for capture in seen])
    taken, kind = np.unique(kinds, axis=1, return_inverse=True) if len(seen) > 1 else (None, kinds[0])
    above, above_changes = _summed(numerator, seen, taken)
    if denominator is None:
        value, changes = above, above_changes
    else:
        below, below_changes = _summed(denominator, seen, taken)
        with np.errstate(divide="ignore", invalid="ignore"):
            value = above / below
            first, second = 1 / below, above / below**2
            changes = [
                one * first - two * second for one, two in zip(above_changes, below_changes, strict=True)
            ]
    parts = [capture.errors.first_part for capture in seen]
    return ComplexEstimates(
        ratio=value,
        bench=np.concatenate([change[:first] for change, first in zip(changes, parts, strict=True)]),
        parts=np.concatenate([change[first:] for change, first in zip(changes, parts, strict=True)]),
        kind=kind.reshape(-1),
    )


def _summed(
    form: LinearForm, seen: Sequence[PredictedTransfer], taken: Places | None
) -> tuple[Complex, list[Complex]]:
    """A form of many units, and what each source changes in it, by capture.

    taken: of each capture the kinds that go together, (captures, kinds); None: of one capture, as they are.
    """
    values = []
    changes = []
    for place, (capture, weights) in enumerate(zip(seen, weights_of(form, seen), strict=True)):
        one, change = capture.summed(weights)
        if taken is not None:
            one, change = one[taken[place]], change[:, taken[place]]
        values.append(one)
        changes.append(change)
    return np.asarray(sum(values[1:], values[0])), changes


def weights_of(form: LinearForm, seen: Sequence[PredictedTransfer]) -> list[Complex]:
    """By what a form multiplies the entries of each capture's transfer: (legs, 2) each."""
    shapes = [capture.values.shape[1:] for capture in seen]
    found = []
    for place, shape in enumerate(shapes):
        units = [np.zeros((1, *other), dtype=complex) for other in shapes]
        units[place] = np.eye(shape[0] * shape[1], dtype=complex).reshape(-1, *shape)
        found.append(np.broadcast_to(form(units), len(units[place])).reshape(shape))
    return found


def _squares(shares: Complex) -> Floats:
    """Sum of the squares of what some sources change: (kinds,)."""
    return np.asarray((shares.real**2 + shares.imag**2).sum(axis=0))
