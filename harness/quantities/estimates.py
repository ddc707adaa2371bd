"""What a reading would be of many units, a good one first, and whether it would be judged fail.

A margin counts expanded uncertainties between a reading and the limit that it breaks: at 1 it is judged fail
even so. The uncertainty holds the bench's, the prediction's and the spread of good parts in the unit itself.

What a ratio of transfers comes to is found by the derivative: numerator and denominator are linear. Of one
unit the function itself is evaluated to either side of each error (`budget.propagate`).
"""

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from harness.arrays import Complex, Flags, Floats, Indices
from harness.judge import limits_for
from harness.measure.errors import ErrorModel
from harness.quantities.tolerance import GoodSpread, Terms, merged
from harness.reading import Limit

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


CERTAIN = 4.0  # standard uncertainties: what a sign, a phase or a ratio is taken from stands so far out
NO_EVIDENCE = -math.inf  # the margin of a reading that says nothing


@dataclass(frozen=True, kw_only=True, eq=False)
class LimitMargins:
    """By how much each unit, the good one first, breaks a limit, and how far inside the good one is.

    broken: (units,). inside: infinite if there is no limit.
    """

    broken: Floats
    inside: float


class Estimates(ABC):
    """What one reading would be of many units."""

    @abstractmethod
    def margins(self, limit: Limit | None) -> LimitMargins:
        """Judge every unit; what the limit is relative to is what a good unit shows."""

    @abstractmethod
    def change(self) -> tuple[Floats, str]:
        """By how much each unit differs from the good one, (units,), and the unit of that."""

    def spreads(self, limit: Limit) -> Sequence[GoodSpread]:
        """What takes good units from their reading, as a limit of this kind sees it; () if it doesn't.

        The first unit is nominal and the last typical.
        """
        return ()


class PredictedUnits(ABC):
    """A good unit, first, and many faulty ones, as the circuit predicts them.

    Numbers of captures are the plan's. coverage_factor: by which uncertainties are expanded. quiescent_a:
    what a unit draws besides its coils. meter_accuracy, meter_zero_a: limits of the supply's meter, a
    fraction of the current and amperes.
    """

    coverage_factor: float
    quiescent_a: float
    meter_accuracy: float
    meter_zero_a: float

    @abstractmethod
    def transfers(self, numbers: Sequence[int], *, inputs_swapped: bool = False) -> list[PredictedTransfer]:
        """What captures show of every unit; others are taken with the scope's inputs swapped, or none."""

    @abstractmethod
    def currents_a(self, state: str) -> Floats:
        """What the relay supply gives in a state: (units,)."""


def is_present(level: ComplexEstimates, k: float) -> Flags:
    """Of which units a level surely stands above what the bench adds by itself: (units,)."""
    return np.asarray(np.abs(level.value) > max(k, CERTAIN) * level.bench_quadrature)


@dataclass(frozen=True, kw_only=True, eq=False)
class LevelEstimates(Estimates):
    """Levels in dB, judged by their magnitude. taken: of which units the reading can be taken at all."""

    level: ComplexEstimates
    taken: Flags | bool
    k: float

    def margins(self, limit: Limit | None) -> LimitMargins:
        """By the magnitude, as the interval of a level in dB is made."""
        level, k = self.level, self.k
        limit = limit or Limit(kind="between", unit="dB")
        magnitude = np.abs(level.value)
        expected_db, relative = self._expected()
        present = magnitude > k * level.bench_quadrature
        bench = np.where(present, level.bench_standard, level.bench_quadrature)
        own = relative * magnitude if limit.kind == "within" else np.zeros(len(magnitude))
        whole = k * np.sqrt(bench**2 + level.parts_standard**2 + own**2) + 1e-300
        ends = limits_for(limit, expected_db)
        made = _broken(magnitude, whole, [None if end is None else 10 ** (end / 20) for end in ends])
        return _only(made, np.isfinite(magnitude) & self.taken)

    def change(self) -> tuple[Floats, str]:
        """In dB."""
        return _change_db(self.level), "dB"

    def spreads(self, limit: Limit) -> Sequence[GoodSpread]:
        """What is to be below a level may have any phase."""
        return [self.level.spread("db", any_way=limit.kind == "below")]

    def _expected(self) -> tuple[float | None, float]:
        """What a good unit shows, and the relative spread of that."""
        magnitude = float(np.abs(self.level.value[0]))
        if not magnitude or not math.isfinite(magnitude):
            return None, 0.0
        return 20 * math.log10(magnitude), float(self.level.parts_standard[0]) / magnitude


@dataclass(frozen=True, kw_only=True, eq=False)
class LegDifferenceEstimates(LevelEstimates):
    """The hot leg over the cold one, in dB; of units without a cold leg, by the cold one over the hot one.

    inverse: the cold leg over the hot one. by_inverse: the units that are taken so.
    """

    inverse: ComplexEstimates
    by_inverse: Flags

    def margins(self, limit: Limit | None) -> LimitMargins:
        """Each unit by the one or the other."""
        made = super().margins(limit)
        mirrored = limit and replace(
            limit,
            low=None if limit.high is None or limit.kind == "within" else -limit.high,
            high=limit.high if limit.kind == "within" else None if limit.low is None else -limit.low,
        )
        other = LevelEstimates(level=self.inverse, taken=self.by_inverse, k=self.k).margins(mirrored)
        return LimitMargins(broken=np.where(self.by_inverse, other.broken, made.broken), inside=made.inside)

    def spreads(self, limit: Limit) -> Sequence[GoodSpread]:
        """Of one leg over the other."""
        return [self.level.spread("quotient")]


@dataclass(frozen=True, kw_only=True, eq=False)
class RejectionEstimates(Estimates):
    """The worst of some rejections in dB, each the inverse of what a common drive is converted to.

    levels: that conversion over the differential. taken: of which units each can be taken at all.
    """

    levels: Sequence[ComplexEstimates]
    taken: Sequence[Flags]
    k: float

    def margins(self, limit: Limit | None) -> LimitMargins:
        """Only a lower limit says anything."""
        result = LimitMargins(broken=np.full(len(self.levels[0].value), NO_EVIDENCE), inside=math.inf)
        if limit is None or limit.low is None:
            return result
        for level, taken in zip(self.levels, self.taken, strict=True):
            bench = np.maximum(level.bench_standard, level.bench_quadrature)
            whole = self.k * np.hypot(bench, level.parts_standard) + 1e-300
            made = _broken(np.abs(level.value), whole, [None, 10 ** (-limit.low / 20)])
            result = LimitMargins(
                broken=np.maximum(result.broken, _only(made, taken).broken),
                inside=min(result.inside, made.inside),
            )
        return result

    def change(self) -> tuple[Floats, str]:
        """Of the first, in dB."""
        return _change_db(self.levels[0]), "dB"

    def spreads(self, limit: Limit) -> Sequence[GoodSpread]:
        """One for each source; a conversion may have any phase."""
        return [level.spread("rejection", any_way=True) for level in self.levels]


@dataclass(frozen=True, kw_only=True, eq=False)
class SignEstimates(Estimates):
    """Polarities: surely the other one than a good unit's, or no evidence.

    signs: (units,), 1, -1, or 0 if undecided; of the level's phase.
    """

    level: ComplexEstimates
    signs: Floats
    k: float

    def margins(self, limit: Limit | None) -> LimitMargins:
        """By how surely the sign is another than the good unit's."""
        level = self.level
        standard = np.maximum(level.bench_standard, level.bench_quadrature)
        certain = np.abs(level.value) / (max(self.k, CERTAIN) * standard)
        return LimitMargins(
            broken=np.where(self.signs * self.signs[0] == -1, certain, NO_EVIDENCE), inside=float(certain[0])
        )

    def change(self) -> tuple[Floats, str]:
        """Of the angle, in degrees."""
        return _change_deg(self.level), "deg"


@dataclass(frozen=True, kw_only=True, eq=False)
class AngleEstimates(Estimates):
    """Angles in degrees. taken: of which units the reading can be taken at all."""

    level: ComplexEstimates
    taken: Flags
    k: float

    def margins(self, limit: Limit | None) -> LimitMargins:
        """By the turn from the good unit's angle."""
        level = self.level
        turned = _change_deg(level)
        expected = float(np.degrees(np.angle(level.value[0])))
        with np.errstate(divide="ignore", invalid="ignore"):
            side = np.hypot(level.bench_quadrature, level.parts_modulus) / np.abs(level.value)
        whole = self.k * np.degrees(side)
        ends = limits_for(limit or Limit(kind="between", unit="deg"), expected)
        made = _broken(turned, whole, [None if end is None else end - expected for end in ends])
        return _only(made, is_present(level, self.k) & self.taken)

    def change(self) -> tuple[Floats, str]:
        """In degrees."""
        return _change_deg(self.level), "deg"

    def spreads(self, limit: Limit) -> Sequence[GoodSpread]:
        """Of the angle."""
        return [self.level.spread("linear", angle=True)]


@dataclass(frozen=True, kw_only=True, eq=False)
class ValueEstimates(Estimates):
    """Real values with their expanded uncertainties, (units,).

    spread: of a good unit. taken: of which units the reading can be taken at all.
    """

    value: Floats
    expanded: Floats
    unit: str
    spread: GoodSpread
    taken: Flags | bool = True

    def margins(self, limit: Limit | None) -> LimitMargins:
        """By the value itself."""
        ends = limits_for(limit or Limit(kind="between", unit=self.unit), float(self.value[0]))
        return _only(_broken(self.value, self.expanded, ends), self.taken)

    def change(self) -> tuple[Floats, str]:
        """In the unit of the value."""
        return self.value - self.value[0], self.unit

    def spreads(self, limit: Limit) -> Sequence[GoodSpread]:
        """As given."""
        return [self.spread]


def _broken(value: Floats, whole: Floats, ends: Sequence[float | None]) -> LimitMargins:
    """ends: low and high, None if open; whole: expanded uncertainties, (units,)."""
    broken = np.full(len(value), NO_EVIDENCE)
    inside = math.inf
    for end, sign in zip(ends, (-1.0, 1.0), strict=True):
        if end is not None:
            margin = sign * (value - end) / whole
            broken = np.maximum(broken, margin)
            inside = min(inside, -float(margin[0]))
    return LimitMargins(broken=broken, inside=inside)


def _only(made: LimitMargins, taken: Flags | bool) -> LimitMargins:
    return LimitMargins(broken=np.where(taken, made.broken, NO_EVIDENCE), inside=made.inside)


def _change_db(level: ComplexEstimates) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(20 * np.log10(np.abs(level.value) / np.abs(level.value[0])))


def _change_deg(level: ComplexEstimates) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.degrees(np.angle(level.value / level.value[0])))
