"""What a reading would be of many units, a good one first, and whether it would be judged fail.

A margin counts expanded uncertainties between a reading and the limit that it breaks: at 1 it is judged fail
even so. The uncertainty holds the bench's, the prediction's and the spread of good parts in the unit itself.
"""

import math
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.arrays import Flags, Floats
from harness.judge import limits_for
from harness.quantities.predicted_ratios import ComplexEstimates, PredictedTransfer
from harness.quantities.tolerance import GoodSpread
from harness.reading import Limit

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
    def transfers(
        self, captures: Sequence[tuple[int, ...]], *, inputs_swapped: bool = False
    ) -> list[PredictedTransfer]:
        """What captures show of every unit; others are taken with the scope's inputs swapped, or none.

        captures: of each transfer, the one that shows it, or several that do together.
        """

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
            bench = np.hypot(level.bench_quadrature, level.trigger_quadrature)
            side = np.hypot(bench, level.parts_modulus) / np.abs(level.value)
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
