"""Ratios of predicted transfers, of many units at once, and what each error changes in them.

They are found by the derivative: numerator and denominator are linear. Of one unit the function itself is
evaluated to either side of each error (`budget.propagate`).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from harness.arrays import Complex, Floats, Indices
from harness.measure.errors import ErrorModel
from harness.quantities.tolerance import GoodSpread, Terms, merged

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
    kind: Indices
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
    each error of the bench and each tolerance of a part changes in the ratio, (sources, kinds). lines, names:
    the line of each error of the bench, and the name of each part.
    """

    ratio: Complex
    bench: Complex
    parts: Complex
    kind: Indices
    lines: tuple[str, ...] = ()
    names: tuple[str, ...] = ()

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
    def trigger_quadrature(self) -> Floats:
        """What `bench_quadrature` lacks of the triggers' instants, which turn a phase and change no level."""
        rows = [row for row, line in enumerate(self.lines) if line == "trigger"]
        return np.asarray(np.sqrt(_squares(self.bench[rows]) / 2)[self.kind])

    @cached_property
    def parts_modulus(self) -> Floats:
        """Root of the sum of the squares of what parts change, in whatever direction."""
        return np.asarray(np.sqrt(_squares(self.parts))[self.kind])

    def spread(self, terms: Terms, *, any_way: bool = False, angle: bool = False) -> GoodSpread:
        """Of the first unit, which is nominal, round the last, which is typical; one of both if there is one.

        The same part is one part in all captures. angle: in degrees, of the phase.
        """
        first, last = self.kind[[0, -1]]
        at, size = self.ratio[last], float(np.abs(self.ratio[last]))
        turn = at.conjugate() / size if size > 0 else 1.0
        by_name: dict[str, complex] = {}
        for name, change in zip(self.names, self.parts[:, last].tolist(), strict=True):
            by_name[name] = by_name.get(name, 0j) + change

        def along(change: complex) -> float:
            if any_way:
                return abs(change)
            turned = complex(change * turn)
            return math.degrees(turned.imag / size) if angle else turned.real

        def of_bench(line: str, change: complex) -> float:
            # noise comes as a real and an imaginary part of the same size
            return abs(along(change)) / (math.sqrt(2) if any_way and line == "noise" else 1.0)

        bench = zip(self.lines, self.bench[:, last].tolist(), strict=True)
        ends = [
            math.degrees(float(np.angle(value))) if angle else abs(value)
            for value in self.ratio[[first, last]]
        ]
        if angle:
            ends[1] = ends[0] + (ends[1] - ends[0] + 180) % 360 - 180
        return GoodSpread(
            terms=terms,
            nominal=float(ends[0]),
            typical=float(ends[1]),
            parts={name: along(change) for name, change in by_name.items() if change},
            bench=merged((line, of_bench(line, change)) for line, change in bench),
            any_way=any_way,
        )

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

    No two captures have an error of the bench in common, so that what they share is not counted on. A part of
    the unit is one part in all of them.
    denominator: None if the numerator is all.
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
                above_change * first - two * second
                for above_change, two in zip(above_changes, below_changes, strict=True)
            ]
    parts = [capture.errors.first_part for capture in seen]
    sources = [capture.errors.sources for capture in seen]
    names, of_parts = _by_part(
        [one.source for each, first in zip(sources, parts, strict=True) for one in each[first:]],
        np.concatenate([change[first:] for change, first in zip(changes, parts, strict=True)]),
    )
    return ComplexEstimates(
        lines=tuple(one.line for each, first in zip(sources, parts, strict=True) for one in each[:first]),
        names=names,
        ratio=value,
        bench=np.concatenate([change[:first] for change, first in zip(changes, parts, strict=True)]),
        parts=of_parts,
        kind=kind.reshape(-1),
    )


def _by_part(names: Sequence[str], changes: Complex) -> tuple[tuple[str, ...], Complex]:
    """What each part changes in all captures together: it is as far off in the one as in the other."""
    rows: dict[str, list[int]] = {}
    for row, name in enumerate(names):
        rows.setdefault(name, []).append(row)
    if len(rows) == len(names):
        return tuple(names), changes
    return tuple(rows), np.stack([changes[of_part].sum(axis=0) for of_part in rows.values()])


def divided(above: ComplexEstimates, below: ComplexEstimates) -> ComplexEstimates:
    """One ratio of many units over another one, of captures that have no error in common."""
    (first, second), kind = np.unique(np.stack([above.kind, below.kind]), axis=1, return_inverse=True)
    one, other = above.ratio[first], below.ratio[second]
    with np.errstate(divide="ignore", invalid="ignore"):

        def of_both(changes: Complex, others: Complex) -> Complex:
            return np.concatenate([changes[:, first] / other, -others[:, second] * one / other**2])

        return ComplexEstimates(
            ratio=one / other,
            bench=of_both(above.bench, below.bench),
            parts=of_both(above.parts, below.parts),
            kind=kind.reshape(-1),
            lines=above.lines + below.lines,
            names=above.names + below.names,
        )


def _summed(
    form: LinearForm, seen: Sequence[PredictedTransfer], taken: Indices | None
) -> tuple[Complex, list[Complex]]:
    """A form of many units, and what each source changes in it, by capture.

    taken: of each capture the kinds that go together, (captures, kinds); None: of one capture, as they are.
    """
    values, changes = [], []
    for index, (capture, weights) in enumerate(zip(seen, weights_of(form, seen), strict=True)):
        value, change = capture.summed(weights)
        if taken is not None:
            value, change = value[taken[index]], change[:, taken[index]]
        values.append(value)
        changes.append(change)
    return np.asarray(sum(values[1:], values[0])), changes


def weights_of(form: LinearForm, seen: Sequence[PredictedTransfer]) -> list[Complex]:
    """By what a form multiplies the entries of each capture's transfer: (legs, 2) each."""
    shapes = [capture.values.shape[1:] for capture in seen]
    result = []
    for index, shape in enumerate(shapes):
        units = [np.zeros((1, *other), dtype=complex) for other in shapes]
        units[index] = np.eye(shape[0] * shape[1], dtype=complex).reshape(-1, *shape)
        result.append(np.broadcast_to(form(units), len(units[index])).reshape(shape))
    return result


def _squares(shares: Complex) -> Floats:
    """Sum of the squares of what some sources change: (kinds,)."""
    return np.asarray((shares.real**2 + shares.imag**2).sum(axis=0))
