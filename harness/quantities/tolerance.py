"""How far good units and the bench take a reading from what is predicted, and the limit that follows from it.

A good unit is made of parts within their tolerances, of contacts up to `contact_max` and of stray
capacitances. So few of them read further than `GoodUnits.reach` that the stated share keeps all limits
"tolerance" of a plan together, whatever the readings have in common (Bonferroni's inequality). Beyond that a
limit leaves room for the expanded uncertainty, so that a good unit is not unproven.

One reading's share is taken from a normal distribution. A sum of independent errors, each even between two
limits, exceeds a bound above three standard deviations less often than that: an even error is strictly
sub-Gaussian (closed form: sinh(x)/x <= exp(x²/6)), and `benchmarks/tolerance_limits.py` counts it. What few
parts make can go no further than all of them at their ends, which is the nearer bound then.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import NormalDist
from typing import Literal

from harness.reading import Limit

TOLERANCE = "tolerance"  # in place of a limit's value in sequence.toml
GOOD_SHARE = 0.999  # of good units that keep all limits together
ROOM = (
    1.2  # a run's own uncertainty over the predicted one: from simulated runs, which differ by up to a fifth
)
AT_THE_END = math.sqrt(3)  # standard deviations from the middle of an even distribution to its end
STEPS = {"dB": 1e-3, "deg": 1e-2}  # a limit is rounded outwards to these, of other units to four digits

OF_PARTS, OF_INPUTS = "tolerance of parts", "input gain"  # lines of a budget
THROUGH = "a through reference, by a [[setup]] with through = true"
HELPS = {
    OF_PARTS: "loads, plugs and parts of closer tolerance, or a wider limit",
    "noise": "a scope of more bits",
    "generator level": THROUGH,
    "generator drift": "a generator whose level is steadier",
    "tolerance of the load": "a load of closer tolerance",
    "tolerance of the source": "a setup that views the driven port",
}
"""What makes a line of a budget less, whatever is measured."""
HELPS_QUIET = HELPS | {"noise": "a higher level"}

Terms = Literal["db", "quotient", "rejection", "linear"]
"""What a spread's figures are: a magnitude, reported in dB or as its inverse in dB, or the reading itself.

A quotient is a magnitude as well, of two that are alike: as far below as above, since either may be smaller.
"""


@dataclass(frozen=True, kw_only=True, eq=False)
class GoodSpread:
    """What a good unit shows in one reading, and what may take it from there; `terms` says what figures are.

    nominal: as the circuit predicts it. typical: with what no file says, such as strays, as it usually is.
    parts: what one standard uncertainty of each changes, by its name. bench: one standard uncertainty by the
    line of a budget. known: what a run's uncertainty has besides, by its line, though it is among the parts
    here. any_way: nearly nothing is shown, so that a change may point anywhere in the complex
    plane: parts are moduli then, and bench is of real and imaginary part, each.
    """

    terms: Terms
    nominal: float
    typical: float
    parts: Mapping[str, float]
    bench: Mapping[str, float]
    known: Mapping[str, float] = field(default_factory=dict)
    any_way: bool = False

    @property
    def bench_standard(self) -> float:
        """One standard uncertainty of the bench."""
        return math.hypot(*self.bench.values())

    @property
    def run_standard(self) -> float:
        """One standard uncertainty of a run's reading."""
        return math.hypot(*self.bench.values(), *self.known.values())

    def in_unit(self, change: float) -> float:
        """What a small change is in the reading's unit."""
        if self.terms == "linear":
            return change
        level = max(self.nominal, self.typical)
        return 20 * math.log10(1 + change / level) if level > 0 else math.inf

    def helps(self, line: str) -> str:
        """What makes a line of its budget less; "" if nothing is known to."""
        return (HELPS_QUIET if self.any_way else HELPS).get(line, "")

    def shown(self, figure: float) -> float:
        """A figure as the reading has it."""
        if self.terms == "linear":
            return figure
        sign = -1 if self.terms == "rejection" else 1
        return sign * 20 * math.log10(figure) if figure > 0 else -sign * math.inf


@dataclass(frozen=True, kw_only=True, eq=False)
class GoodUnits:
    """What all good units have in common.

    beyond: the share of them that one reading may take beyond its limit. guard: standard uncertainties of the
    bench that a limit leaves room for; 0 if the value alone decides. contacts: names of parts that are of
    their nominal value or above, never below. strays: those that no tolerance bounds. stretch: by how much
    a part at its end may change more than its derivative says, by name; 1 if not named.
    """

    beyond: float
    guard: float
    contacts: frozenset[str] = frozenset()
    strays: frozenset[str] = frozenset()
    stretch: Mapping[str, float]

    @classmethod
    def beyond_of(cls, readings: int) -> float:
        """The share that each of so many readings may take beyond its limit."""
        return (1 - GOOD_SHARE) / max(readings, 1)

    def reach(self, spread: GoodSpread, *, bench: bool = True) -> float:
        """How far from nominal or typical nearly all good units read. bench: as this bench shows them."""
        factor = self._factor(spread)
        strays = math.hypot(*(spread.parts[name] for name in spread.parts if name in self.strays))
        free = math.hypot(strays, spread.bench_standard if bench else 0.0)
        bounded = {
            name: change * self.stretch.get(name, 1.0)
            for name, change in spread.parts.items()
            if name not in self.strays
        }
        # contacts lie between nominal and greatest, so in the middle half their range above nominal
        shift = abs(sum(change for name, change in bounded.items() if name in self.contacts)) * AT_THE_END / 2
        all_at_ends = AT_THE_END * sum(map(abs, bounded.values()))
        together = shift + factor * math.hypot(*bounded.values(), free)
        return min(together, all_at_ends + factor * free)

    def width(self, spread: GoodSpread, *, bench: bool = True) -> float:
        """How far from nominal or typical the limit is: their reach, and what a run's uncertainty takes."""
        room = self.guard * ROOM * spread.run_standard if bench else 0.0
        return self.reach(spread, bench=bench) + room

    def _factor(self, spread: GoodSpread) -> float:
        if spread.any_way:  # two parts of one error: Rayleigh's distribution
            return math.sqrt(-2 * math.log(self.beyond))
        return NormalDist().inv_cdf(1 - self.beyond / 2)

    def limit(self, spreads: Sequence[GoodSpread], limit: Limit, *, bench: bool = True) -> Limit:
        """The limit in numbers, of the worst of some spreads; without an end where nothing bounds it."""
        unit = limit.unit
        ends = [self._ends(spread, bench) for spread in spreads]
        most, low = [high for _, high in ends], min(low for low, _ in ends)
        if limit.kind == "above":  # shown as the inverse
            return Limit(kind="above", unit=unit, low=_rounded(min(most), unit, -1), tolerance=True)
        high = _rounded(max(most), unit, 1)
        if limit.kind == "below" or not math.isfinite(low):
            return Limit(kind="below", unit=unit, high=high, tolerance=True)
        return Limit(kind="between", unit=unit, low=_rounded(low, unit, -1), high=high, tolerance=True)

    def _ends(self, spread: GoodSpread, bench: bool) -> tuple[float, float]:
        width = self.width(spread, bench=bench)
        low, high = sorted((spread.nominal, spread.typical))
        least = low / (1 + width / low) if spread.terms == "quotient" and low > 0 else low - width
        return spread.shown(least), spread.shown(high + width)


def merged(changes: Iterable[tuple[str, float]]) -> dict[str, float]:
    """Standard uncertainties of one name together, as squares."""
    result: dict[str, float] = {}
    for name, standard in changes:
        result[name] = math.hypot(result.get(name, 0.0), standard)
    return {name: standard for name, standard in result.items() if standard > 0}


def _rounded(value: float, unit: str, sign: int) -> float:
    """Outwards, up by 1 and down by -1; so that the last digits of a computation don't count."""
    if not math.isfinite(value) or value == 0:
        return value
    step = STEPS.get(unit) or 10.0 ** (math.floor(math.log10(abs(value))) - 3)
    return float(f"{sign * math.ceil(sign * value / step - 1e-6) * step:.12g}")
