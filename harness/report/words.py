"""A reading in words: value with uncertainty, limit, margin; and which readings deserve the first look.

Units are as the files write them, with µ for a millionth; ± and µ are in Latin-1.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from harness.reading import Estimate, Reading, Verdict
from harness.records.run import Outcome
from harness.units import format_value

VERDICT_ORDER: tuple[Verdict, ...] = ("fail", "missing", "unproven", "pass")
"""Worst first."""

OUTCOME_MEANS: dict[Outcome | Literal["interrupted"], str] = {
    "pass": "Every reading lies inside its limit.",
    "fail": "At least one limit is not kept.",  # of a reading, or of the supply's current
    "unproven": "Nothing is shown to be outside its limit, but not every reading is shown to be inside.",
    "stopped": "The run was stopped by the bench or by hand. There is no verdict on the unit.",
    "interrupted": "The run was never finished. There is no verdict on the unit.",
}

_PREFIXED = ("V", "A", "s", "V²s", "ohm", "F")
_PREFIXES = ((1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))
_ASYMMETRY = 0.2  # of the half interval; below this the interval is written as ±


@dataclass(frozen=True, kw_only=True)
class Words:
    """How one reading is written. Each says its unit; "" where there is nothing to say."""

    value: str
    expected: str
    limit: str
    margin: str
    tone: str


def describe(reading: Reading) -> Words:
    """Write a reading: value and limits in one unit and with as many decimals as the uncertainty supports."""
    writer, tone_hz = _Writer(reading), reading.key.measurand.frequency_hz
    return Words(
        value=writer.value(),
        expected="" if reading.expected is None else writer.number(reading.expected.value),
        limit=writer.limit(),
        margin=writer.margin(),
        tone="" if tone_hz is None else format_value(tone_hz, "Hz"),
    )


def margin(reading: Reading) -> float | None:
    """How far the value lies inside its nearest limit, negative where outside; None where none applies."""
    if reading.estimate is None or reading.unit == "":
        return None
    value, margins = reading.estimate.value, []
    low, high = _closed(reading.limit_low), _closed(reading.limit_high)
    if low is not None:
        margins.append(value - low)
    if high is not None:
        margins.append(high - value)
    return min(margins, default=None)


def coverage_factors(readings: Iterable[Reading]) -> list[str]:
    """The coverage factors of these readings, as they are written; usually one."""
    return sorted({f"{one.estimate.coverage_factor:g}" for one in readings if one.estimate is not None})


def worst_verdict(readings: Iterable[Reading]) -> Verdict:
    """Give the worst verdict among readings, of which there is at least one."""
    return min((reading.verdict for reading in readings), key=VERDICT_ORDER.index)


def worst_first(readings: Iterable[Reading]) -> list[Reading]:
    """Sort by verdict, then by how many expanded uncertainties lie between the value and its limit.

    Readings without an uncertainty, such as a floor above its limit, come first, the furthest outside ahead.
    """
    return sorted(readings, key=_concern)


def _concern(reading: Reading) -> tuple[int, float, float]:
    inside = margin(reading)
    half = None if reading.estimate is None else half_interval(reading.estimate)
    if inside is None:
        return VERDICT_ORDER.index(reading.verdict), math.inf, 0.0
    in_uncertainties = inside / half if half else math.copysign(math.inf, inside)
    return VERDICT_ORDER.index(reading.verdict), in_uncertainties, inside


def half_interval(found: Estimate) -> float | None:
    """Give the expanded uncertainty, half of the interval's width; None where it is not finite."""
    half = (found.high - found.low) / 2
    return half if math.isfinite(half) else None


def is_least(found: Estimate) -> bool:
    """Whether a floor is one from above: what is there is at least so much."""
    return found.floor and math.isfinite(found.low) and not math.isfinite(found.high)


def _closed(limit: float | None) -> float | None:
    return limit if limit is not None and math.isfinite(limit) else None


class _Writer:
    """One reading's prefix and decimals."""

    def __init__(self, reading: Reading) -> None:
        self._reading, self._found = reading, reading.estimate
        known = self._found is not None and not self._found.floor
        self._half = half_interval(self._found) if self._found is not None and known else None
        self._factor, prefix = self._prefix()
        self._unit = prefix + reading.unit

    def value(self) -> str:
        found = self._found
        if found is None:
            return "missing"
        if self._reading.unit == "":
            return format_value(found.value, "")
        if found.floor:
            return f"{'at least' if is_least(found) else 'below'} {self.number(found.value)}"
        if self._half is None:
            high = self.number(found.high)
            return f"{self.number(found.value)} (up to {high})" if high else self.number(found.value)
        if abs(found.value - (found.low + found.high) / 2) > _ASYMMETRY * self._half:
            return f"{self.number(found.value)} ({self._bare(found.low)} to {self._bare(found.high)})"
        return f"{self._bare(found.value)} ± {self._bare(self._half)} {self._unit}"

    def limit(self) -> str:
        reading = self._reading
        if reading.unit == "":
            return "as expected" if reading.expected is not None else ""
        low, high = _closed(reading.limit_low), _closed(reading.limit_high)
        if low is not None and high is not None:
            return f"{self._bare(low)} to {self.number(high)}"
        if high is not None:
            return f"at most {self.number(high)}"
        return "" if low is None else f"at least {self.number(low)}"

    def margin(self) -> str:
        inside = margin(self._reading)
        if inside is None or not math.isfinite(inside):
            return ""
        return f"{self.number(abs(inside))} {'inside' if inside >= 0 else 'outside'}"

    def number(self, value: float | None) -> str:
        if value is None or not math.isfinite(value):
            return ""
        if self._reading.unit == "":
            return format_value(value, "")
        return f"{self._bare(value)} {self._unit}"

    def _bare(self, value: float) -> str:
        text = f"{value / self._factor:.{self._decimals()}f}"
        return text.removeprefix("-") if float(text) == 0 else text

    def _decimals(self) -> int:
        """Two digits of the uncertainty, and no more than a bench shows."""
        scaled = (self._half or 0.0) / self._factor
        wanted = 1 - math.floor(math.log10(scaled)) if scaled > 0 else 2
        if self._reading.unit == "%":  # of a percentage, what is small is what matters
            return min(max(wanted, 3), 4)
        return min(max(wanted, 0), 3)

    def _prefix(self) -> tuple[float, str]:
        reading = self._reading
        if reading.unit == "%":
            return 0.01, ""
        if reading.unit not in _PREFIXED:
            return 1.0, ""
        found = self._found
        sizes = [reading.limit_low, reading.limit_high]
        sizes += [] if found is None else [found.value, found.low, found.high]
        largest = max((abs(size) for size in sizes if size is not None and math.isfinite(size)), default=0.0)
        return next((prefix for prefix in _PREFIXES if largest >= prefix[0]), _PREFIXES[0])
