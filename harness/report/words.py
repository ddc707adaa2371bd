"""A reading in words: value with uncertainty, limit, margin; and which readings deserve the first look.

Units are as the files write them, with µ for a millionth; ± and µ are in Latin-1.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from harness.reading import Contribution, Reading, Verdict
from harness.records.run import Outcome
from harness.units import difference_unit, format_value

VERDICT_ORDER: tuple[Verdict, ...] = ("fail", "missing", "unproven", "pass")
"""Worst first."""

OUTCOME_MEANS: dict[Outcome | Literal["interrupted"], str] = {
    "pass": "Every reading is inside its limit.",
    "fail": "At least one limit was not met.",  # of a reading, or of the supply's current
    "unproven": "No reading is certainly outside its limit, but at least one is not certainly inside.",
    "stopped": "The run was stopped by the bench or by hand. There is no verdict on the unit.",
    "interrupted": "The run was never finished. There is no verdict on the unit.",
}

MARKS: dict[Verdict, str] = {"pass": "ok", "fail": "FAIL", "unproven": "UNPROVEN", "missing": "MISSING"}
"""A verdict at the beginning of a line."""

LEAST_SHARE_SHOWN = 1e-3
"""Of a combined standard uncertainty; smaller lines of a budget are not written."""

_SWEPT = "response"  # of several frequencies in one check, each a reading of its own

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
    writer = _Writer(reading)
    return Words(
        value=writer.value(),
        expected=writer.number(reading.expected),
        limit=writer.limit(),
        margin=writer.margin(),
        tone="" if reading.frequency_hz is None else format_value(reading.frequency_hz, "Hz"),
    )


def reading_line(reading: Reading) -> str:
    """`FAIL gain left.out in loop_a (Dry contacts): -0.44 ± 0.01 dB, limit -4.79 to -4.39 dB`."""
    return f"{MARKS[reading.verdict]} {place_words(reading)}: {value_words(reading)}"


def place_words(reading: Reading) -> str:
    """`gain left.out in loop_a (Dry contacts)`; a check that is named as its quantity is not named twice."""
    quantity = reading.quantity.replace("_", " ")
    words = [quantity, reading.where, f"in {reading.state}"]
    if reading.quantity == _SWEPT:
        words.append(f"at {describe(reading).tone}")
    if reading.check.casefold().replace("-", " ").replace("_", " ") != quantity:
        words.append(f"({reading.check})")
    return " ".join(filter(None, words))


def value_words(reading: Reading) -> str:
    """`-0.44 ± 0.01 dB, limit -4.79 to -4.39 dB`, and why it is missing or in doubt."""
    words = describe(reading)
    limit = f", limit {words.limit}" if words.limit else ""
    expected = f", expected {words.expected}" if reading.unit == "" and words.expected else ""
    reason = f" ({reading.reason})" if reading.reason else ""
    return f"{words.value}{expected or limit}{reason}"


def margin(reading: Reading) -> float | None:
    """How far the value lies inside its nearest limit, negative where outside; None where none applies."""
    if reading.value is None or reading.unit == "":
        return None
    margins = []
    if _closed(reading.limit_low) is not None:
        margins.append(reading.value - float(reading.limit_low or 0.0))
    if _closed(reading.limit_high) is not None:
        margins.append(float(reading.limit_high or 0.0) - reading.value)
    return min(margins, default=None)


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
    half = half_interval(reading)
    if inside is None:
        return VERDICT_ORDER.index(reading.verdict), math.inf, 0.0
    in_uncertainties = inside / half if half else math.copysign(math.inf, inside)
    return VERDICT_ORDER.index(reading.verdict), in_uncertainties, inside


def budget_shown(reading: Reading) -> tuple[Contribution, ...]:
    """The budget without the lines that are under a thousandth of the whole and change no digit of it."""
    whole = math.hypot(*(part.standard for part in reading.budget))
    return tuple(part for part in reading.budget if part.standard >= LEAST_SHARE_SHOWN * whole)


def half_interval(reading: Reading) -> float | None:
    """Give the expanded uncertainty, half of the interval's width; None where it is not known or finite."""
    if reading.low is None or reading.high is None:
        return None
    half = (reading.high - reading.low) / 2
    return half if math.isfinite(half) else None


def is_least(reading: Reading) -> bool:
    """Whether a floor is one from above: what is there is at least so much."""
    return reading.floor and _closed(reading.low) is not None and _closed(reading.high) is None


def _closed(limit: float | None) -> float | None:
    return limit if limit is not None and math.isfinite(limit) else None


class _Writer:
    """One reading's prefix and decimals."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._half = None if reading.floor else half_interval(reading)
        self._factor, prefix = self._prefix()
        self._unit = prefix + reading.unit
        self._difference_unit = prefix + difference_unit(reading.unit)

    def value(self) -> str:
        reading = self._reading
        if reading.value is None:
            return "missing"
        if reading.unit == "":
            return format_value(reading.value, "")
        if reading.floor:
            return f"{'at least' if is_least(reading) else 'below'} {self.number(reading.value)}"
        if self._half is None:
            high = self.number(reading.high)
            return f"{self.number(reading.value)} (up to {high})" if high else self.number(reading.value)
        if self._is_lopsided():
            return (
                f"{self.number(reading.value)} "
                f"({self._bare(reading.low or 0.0)} to {self._bare(reading.high or 0.0)})"
            )
        if self._difference_unit != self._unit:
            return f"{self.number(reading.value)} ± {self._difference(self._half)}"
        return f"{self._bare(reading.value)} ± {self._difference(self._half)}"

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
        return f"{self._difference(abs(inside))} {'inside' if inside >= 0 else 'outside'}"

    def number(self, value: float | None) -> str:
        if value is None or not math.isfinite(value):
            return ""
        if self._reading.unit == "":
            return format_value(value, "")
        return f"{self._bare(value)} {self._unit}"

    def _difference(self, value: float) -> str:
        return f"{self._bare(value)} {self._difference_unit}"

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
        sizes = [reading.value, reading.low, reading.high, reading.limit_low, reading.limit_high]
        largest = max((abs(size) for size in sizes if size is not None and math.isfinite(size)), default=0.0)
        return next((prefix for prefix in _PREFIXES if largest >= prefix[0]), _PREFIXES[0])

    def _is_lopsided(self) -> bool:
        reading, half = self._reading, self._half or 0.0
        middle = ((reading.low or 0.0) + (reading.high or 0.0)) / 2
        return abs((reading.value or 0.0) - middle) > _ASYMMETRY * half
