"""How the pages write times, verdicts, names and figures.

As functions, since a macro of a template takes twice as long, and a page has a dozen of them.
"""

from datetime import datetime
from functools import cache, lru_cache

from markupsafe import Markup, escape

from harness.records.run import INTERRUPTED
from harness.report.words import SYMBOLS
from harness.statistics.yields import Proportion
from harness.units import format_value

_RATIOS = ("dB", "dBu", "dBV", "deg")  # that are written without a prefix


def in_words(outcome: str) -> str:
    """An outcome or a verdict as pages call it: a run that has not ended may be under way as well."""
    return "not ended" if outcome == INTERRUPTED else outcome


@cache
def mark(outcome: str) -> Markup:
    """An outcome or a verdict by sign, word and colour."""
    return Markup(f'<span class="mark {outcome}">{SYMBOLS[outcome]} {in_words(outcome)}</span>')


def moment(time: datetime) -> Markup:
    """A time in UTC, to the minute."""
    return Markup(f'<time datetime="{time.isoformat(timespec="seconds")}">{time:%Y-%m-%d %H:%M}</time>')


def sign_of_life(time: datetime) -> Markup:
    """A time in UTC, to the second."""
    return Markup(f'<time datetime="{time.isoformat(timespec="seconds")}">{time:%Y-%m-%d %H:%M:%S}</time>')


@lru_cache(maxsize=4096)
def breakable(text: str) -> Markup:
    """A reading's or a state's name that may be broken at its signs; thousands of pages share them."""
    return escape(text).replace("+", "+\u200b")


def share(found: Proportion) -> str:
    """A yield with its limits."""
    if found.value is None:
        return "–"
    return f"{100 * found.value:.1f} % ({100 * found.low:.0f} to {100 * found.high:.0f})"


def number(value: float | None, unit: str) -> str:
    """A figure of a batch: more decimals than a reading has, since many were averaged."""
    if value is None:
        return ""
    if unit in _RATIOS:
        text = f"{value:.3g} {unit}" if abs(value) < 1 else f"{value:.3f} {unit}"
    elif unit == "":
        text = f"{value:+.3g}"
    else:
        text = format_value(value, unit)
    return text.replace("-", "−")


def limits(low: float | None, high: float | None, unit: str) -> str:
    """The limits of a reading, just as somebody has set them."""
    if low is not None and high is not None:
        return f"{_end(low, unit)} to {_end(high, unit)}"
    if high is not None:
        return f"at most {_end(high, unit)}"
    return "" if low is None else f"at least {_end(low, unit)}"


def _end(value: float, unit: str) -> str:
    return f"{value:.6g} {unit}".replace("-", "−") if unit in _RATIOS else number(value, unit)
