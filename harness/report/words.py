"""Readings in words, which of them deserve the first look, and what every report says besides its numbers.

Units are as the files write them, with µ for a millionth; ± and µ are in Latin-1.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from harness.quantities.registry import OVER_FREQUENCY, QUANTITIES
from harness.reading import Contribution, Estimate, Reading, Verdict
from harness.records.run import Extent, Outcome, RunHeader
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

EXTENT_WORDS: dict[Extent, str] = {
    "whole": "whole run",
    "shortest": "shortest run",
    "until fail": "ended at the first FAIL",
}
"""How much of its sequence a run measured."""

SYMBOLS = {"pass": "✓", "fail": "✕", "unproven": "?", "missing": "∅", "stopped": "■", "interrupted": "■"}
"""Of verdicts and outcomes, so that none is told by colour alone."""

MARKS: dict[Verdict, str] = {"pass": "ok", "fail": "FAIL", "unproven": "UNPROVEN", "missing": "MISSING"}
"""A verdict at the beginning of a line."""

LEAST_SHARE_SHOWN = 1e-3
"""Of a combined standard uncertainty; smaller lines of a budget are not written."""


_PREFIXED = ("V", "A", "s", "V²s", "ohm", "F")
_PREFIXES = ((1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))
_ASYMMETRY = 0.2  # of the half interval; below this the interval is written as ±
TERMINAL_CAUTIONS = """\
Before you start:
 - Generator and scope commons are earth: clip to pin 1 only, never to a leg,
   and leave the instruments earthed.
 - No phantom power on the unit; no power amplifier, loudspeaker or headphones.
 - A coil without its diode makes hundreds of volts at release: keep off the
   terminals while relays move. Supply off before you plug or unplug anything.
 - Extra-low voltage only: mains-powered units with covers off are not for this
   bench.
 - Handle bare boards at an ESD-safe place.
 - Local codes and licensed practice come first."""
"""What a person is shown before anything is driven: the same in short."""
CAUTIONS: tuple[tuple[str, str], ...] = (
    (
        "Local codes and licensed practice come first",
        "Electrical and workplace rules, and people qualified for the work, take precedence over anything "
        "written here. This is a procedure for low-voltage signal modules on a bench.",
    ),
    (
        "Scope and generator grounds are earth",
        "The ground clip of a probe is connected to protective earth. Clip it to pin 1 only, never to a "
        "leg; look at a balanced pair with two probes and take the difference. Never lift the earth of an "
        "instrument.",
    ),
    (
        "Phantom power",
        "Keep this bench away from consoles and preamplifiers that feed 48 V. Coupling capacitors stay "
        "charged after it is switched off, and can damage a generator or a scope input.",
    ),
    (
        "Relay coils and their supply",
        "A coil without its diode produces hundreds of volts when it is switched off, at times over a "
        "thousand: put a clamp across every control line in the fixture. Keep the current limit set, "
        "energise new boards one line at a time, and switch the supply off before anything is plugged, "
        "unplugged or soldered.",
    ),
    (
        "Ears and loudspeakers",
        "No headphones, monitors or power amplifiers on a unit under test: line level and relay clicks "
        "drive them to full power.",
    ),
    (
        "Mains with the covers off",
        "Not part of this procedure. That needs a qualified person, a suitable place, and isolation.",
    ),
    (
        "Static",
        "Handle boards with logic or amplifiers on an earthed mat with a wrist strap; take the strap off "
        "before working near mains.",
    ),
)
QUANTITIES_IN_WORDS = {name: quantity.label for name, quantity in QUANTITIES.items()}
DECISIONS = {
    "guarded": (
        "A reading passes when its whole interval, uncertainty included, is inside the limit; fails when "
        "the whole interval is outside; and is unproven in between."
    ),
    "simple": "A reading passes when its value is inside the limit; its uncertainty is shown, not counted.",
}


@dataclass(frozen=True, kw_only=True)
class Words:
    """A reading's texts, each with its unit; "" for what the reading does not have."""

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


def reading_line(reading: Reading) -> str:
    """`FAIL gain left.out in loop_a (Low-level gain): -0.44 ± 0.01 dB, limit -4.79 to -4.39 dB`."""
    return f"{MARKS[reading.verdict]} {reading_name(reading)}: {value_text(reading)}"


def reading_name(reading: Reading) -> str:
    """`gain left.out in loop_a (Low-level gain)`; a check that is named as its quantity is not named
    twice.
    """
    check, measurand = reading.key.check, reading.key.measurand
    quantity = measurand.quantity.replace("_", " ")
    words = [quantity, measurand.where, f"in {measurand.state}"]
    if measurand.quantity in OVER_FREQUENCY:
        words.append(f"at {describe(reading).tone}")
    if check.casefold().replace("-", " ").replace("_", " ") != quantity:
        words.append(f"({check})")
    return " ".join(filter(None, words))


def value_text(reading: Reading) -> str:
    """`-0.44 ± 0.01 dB, limit -4.79 to -4.39 dB`, and why it is missing or unproven."""
    words = describe(reading)
    limit = f", limit {words.limit}" if words.limit else ""
    expected = f", expected {words.expected}" if reading.unit == "" and words.expected else ""
    reason = f" ({reading.reason})" if reading.reason else ""
    return f"{words.value}{expected or limit}{reason}"


def margin(reading: Reading) -> float | None:
    """How far the value lies inside its nearest limit, negative if outside; None without a limit."""
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
    return sorted(
        {f"{reading.estimate.coverage_factor:g}" for reading in readings if reading.estimate is not None}
    )


def worst_verdict(readings: Iterable[Reading]) -> Verdict:
    """The worst verdict among readings, of which there is at least one."""
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


def budget_shown(result: Estimate) -> tuple[Contribution, ...]:
    """The budget without the lines that are under a thousandth of the whole and change no digit of it."""
    whole = math.hypot(*(part.standard for part in result.budget))
    return tuple(part for part in result.budget if part.standard >= LEAST_SHARE_SHOWN * whole)


def half_interval(result: Estimate) -> float | None:
    """The expanded uncertainty, half of the interval's width; None if it is not finite."""
    half = (result.high - result.low) / 2
    return half if math.isfinite(half) else None


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
        self._difference_unit = prefix + difference_unit(reading.unit)

    def value(self) -> str:
        result = self._found
        if result is None:
            return "missing"
        if self._reading.unit == "":
            return format_value(result.value, "")
        if result.floor:
            return f"{'at least' if result.is_least else 'below'} {self.number(result.value)}"
        if self._half is None:
            high = self.number(result.high)
            return f"{self.number(result.value)} (up to {high})" if high else self.number(result.value)
        if abs(result.value - (result.low + result.high) / 2) > _ASYMMETRY * self._half:
            return f"{self.number(result.value)} ({self._bare(result.low)} to {self._bare(result.high)})"
        if self._difference_unit != self._unit:
            return f"{self.number(result.value)} ± {self._difference(self._half)}"
        return f"{self._bare(result.value)} ± {self._difference(self._half)}"

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
        result = self._found
        sizes = [reading.limit_low, reading.limit_high]
        sizes += [] if result is None else [result.value, result.low, result.high]
        largest = max((abs(size) for size in sizes if size is not None and math.isfinite(size)), default=0.0)
        return next((prefix for prefix in _PREFIXES if largest >= prefix[0]), _PREFIXES[0])


def not_claimed(header: RunHeader, quantities: Iterable[str]) -> list[str]:
    """Say what a reader must not take from the report of a run that took these quantities."""
    taken = set(quantities)
    left_out = [words for name, words in QUANTITIES_IN_WORDS.items() if name not in taken]
    notes = []
    if header.simulated:
        notes.append("This run was simulated: it says something about the test and nothing about any board.")
    notes.append(
        "It is valid for the states, ports, tones and levels listed, at the time and temperature of the run."
    )
    if left_out:
        notes.append(f"Not measured in this run: {', '.join(left_out)}.")
    notes += [
        "Contact life is not covered; neither are electrical safety and electromagnetic compatibility.",
        "Uncertainties are based on the data-sheet figures in the bench file. The owner has to know whether "
        "an instrument's calibration is valid.",
        "“Below” gives the bench's floor, not a measured level.",
    ]
    return notes
