"""Quantities as people write them ("+4 dBu", "50 mohm") and as floats in SI; and back, for people.

One scale per quantity inside: hertz, volts, volts RMS, ohms, seconds, farads, amperes, decibels, degrees, and
fractions (2 % is 0.02). Zero, negative, infinite and undefined numbers are refused if they mean nothing.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from types import MappingProxyType
from typing import Any, Literal

# Preferred values, IEC 60063, from memory; rounded unlike their formula in places (27 to 47, 82), so a list.
E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)

ZERO_DBU_VRMS = math.sqrt(0.6)  # 1 mW in 600 ohm
OHM_SPELLINGS = ("ohm", "Ohm", "\u03a9", "\u2126")

Dimension = Literal[
    "frequency",
    "voltage",
    "level",
    "resistance",
    "time",
    "span",
    "capacitance",
    "inductance",
    "current",
    "ratio_db",
    "angle",
    "fraction",
    "energy",
]
Sign = Literal["any", "not negative", "positive"]


@dataclass(frozen=True, kw_only=True)
class _Rule:
    words: str
    example: str
    units: tuple[str, ...]
    sign: Sign


_RULES: Mapping[Dimension, _Rule] = MappingProxyType(
    {
        "frequency": _Rule(words="a frequency", example="1 kHz", units=("Hz",), sign="positive"),
        "voltage": _Rule(words="a voltage", example="12 V", units=("V",), sign="any"),
        "level": _Rule(words="a level", example="+4 dBu", units=("dBu", "dBV", "V"), sign="positive"),
        "resistance": _Rule(words="a resistance", example="50 mohm", units=OHM_SPELLINGS, sign="positive"),
        "time": _Rule(words="a time", example="20 ms", units=("s",), sign="not negative"),
        "span": _Rule(words="a span of time in hours", example="12 h", units=("h",), sign="positive"),
        "capacitance": _Rule(words="a capacitance", example="100 pF", units=("F",), sign="positive"),
        "inductance": _Rule(words="an inductance", example="10 mH", units=("H",), sign="positive"),
        "current": _Rule(words="a current", example="400 mA", units=("A",), sign="not negative"),
        "ratio_db": _Rule(words="a ratio in decibels", example="0.2 dB", units=("dB",), sign="any"),
        "angle": _Rule(words="an angle", example="5 deg", units=("deg", "°"), sign="any"),
        "energy": _Rule(
            words="an energy in volts squared times seconds",
            example="10 nV2s",
            units=("V2s", "V^2s", "V²s"),
            sign="not negative",
        ),
        "fraction": _Rule(words="a percentage", example="2 %", units=("%",), sign="not negative"),
    }
)


@dataclass(frozen=True)
class InQuantity:
    """Marks a float of a model as a quantity: text with a unit in the file, SI here."""

    dimension: Dimension
    sign: Sign | None = None

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        from pydantic_core import core_schema  # not for those who only write numbers

        parse = partial(parse_quantity, dimension=self.dimension, sign=self.sign)
        return core_schema.no_info_before_validator_function(parse, handler(source))


def expected_words(dimension: Dimension) -> str:
    """What is expected of a quantity, with an example: `a resistance such as "50 mohm"`."""
    rule = _RULES[dimension]
    return f'{rule.words} such as "{rule.example}"'


_BETWEEN = re.compile(r"(\d+)([kKMm])(\d+)")


def parse_quantity(text: object, dimension: Dimension, *, sign: Sign | None = None) -> float:
    """Read a quantity with its unit as a float in SI (volts RMS for a level, a fraction for a percentage).

    `sign` overrides what the dimension allows by itself (a series resistance may be zero, a supply's voltage
    may not be negative). Raises ValueError with what was found and what was expected.
    """
    rule = _RULES[dimension]
    number, unit = _split(text, dimension)
    if unit not in rule.units:
        result = (
            f'found "{text}", which has no unit' if not unit else f'found "{text}", whose unit is "{unit}"'
        )
        if between := _BETWEEN.fullmatch(str(text)):  # as values are printed on parts (IEC 60062)
            prefix = between[2].replace("K", "k")
            raise ValueError(f'found "{text}"; write "{between[1]}.{between[3]} {prefix}ohm"')
        raise ValueError(f"{result}; expected {expected_words(dimension)}")
    value = _in_si(number, unit)
    wanted = rule.sign if sign is None else sign
    if not math.isfinite(value):
        raise ValueError(f'found "{text}"; expected a finite number: {expected_words(dimension)}')
    if (wanted == "positive" and value <= 0) or (wanted == "not negative" and value < 0):
        bound = "more than zero" if wanted == "positive" else "zero or more"
        raise ValueError(f'found "{text}"; expected {bound}: {expected_words(dimension)}')
    return value


def unit_of(text: object) -> str:
    """The bare unit of a quantity's text, without prefix: "" if it has none or cannot be read."""
    try:
        return _split(text, "voltage")[1]
    except ValueError:
        return ""


def dbu_from_vrms(level_vrms: float) -> float:
    """Level in dBu of a voltage; raises ValueError for zero or less, which has no level."""
    if not level_vrms > 0:
        raise ValueError(f"{level_vrms} V has no level in dBu; expected more than zero")
    return 20 * math.log10(level_vrms / ZERO_DBU_VRMS)


def format_value(value: float, unit: str, *, digits: int = 4) -> str:
    """Write a value for a screen or a report, its unit as the files write it but with µ for a millionth.

    V, A, ohm, F, s, Hz get an SI prefix and `digits` significant digits; dB, dBu and dBV two decimals (three
    below 0.1), deg one decimal (two below 1), "%" takes a fraction. Unit "" is polarity: normal or inverted.
    """
    if not math.isfinite(value):
        return "none"
    match unit:
        case "dB" | "dBu" | "dBV":
            return f"{_fixed(value, 3 if 0 < abs(value) < 0.1 else 2)} {unit}"
        case "deg":
            return f"{_fixed(value, 2 if 0 < abs(value) < 1 else 1)} deg"
        case "%":
            return f"{_trimmed(100 * value, digits)} %"
        case "":
            return "normal" if value > 0 else "inverted" if value < 0 else "neither normal nor inverted"
        case _:
            return _with_prefix(value, unit, digits)


def difference_unit(unit: str) -> str:
    """The unit of a difference between two values, or of their uncertainty: dB for levels, else the same."""
    return "dB" if unit in ("dBu", "dBV") else unit


def format_difference(value: float, unit: str, *, digits: int = 3) -> str:
    """Write a difference between values of a unit, or an uncertainty, with `digits` significant digits."""
    own = difference_unit(unit)
    if own in ("dB", "deg", ""):
        return f"{value:.{digits}g} {own}".rstrip()
    return format_value(value, own, digits=digits)


def counted(count: int, one: str, more: str = "") -> str:
    """A number of things: `1 line`, `2 lines`; more: the plural of what takes no plain s."""
    return f"{count} {one}" if count == 1 else f"{count} {more or one + 's'}"


def _split(text: object, dimension: Dimension) -> tuple[float, str]:
    """Number and unit, as the library reads them, without what it is lenient about."""
    import quantiphy

    expected = expected_words(dimension)
    if not isinstance(text, str):
        value = str(text).lower() if isinstance(text, bool) else text
        raise ValueError(f"found {value}, which has no unit; expected {expected} in quotes")
    # The library drops commas and underscores: "0,5 V" would be read as 5 V.
    if "," in text or "_" in text or "$" in text:
        raise ValueError(f'found "{text}"; expected {expected}, with a point for decimals')
    try:
        quantity = quantiphy.Quantity(text)
    except quantiphy.QuantiPhyError:
        raise ValueError(f'found "{text}", which is not a value with a unit; expected {expected}') from None
    return float(quantity.real), str(quantity.units)


def _in_si(number: float, unit: str) -> float:
    match unit:
        case "dBu":
            return _from_db(number, ZERO_DBU_VRMS)
        case "dBV":
            return _from_db(number, 1.0)
        case "%":
            return number / 100
        case "h":
            return 3600 * number
        case _:
            return number


def _from_db(level_db: float, reference: float) -> float:
    try:
        return reference * math.pow(10.0, level_db / 20)
    except OverflowError:
        return math.inf


def _fixed(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def _trimmed(value: float, digits: int) -> str:
    text = f"{value:.{digits}g}"
    return f"{value:.0f}" if "e" in text and abs(value) >= 1 else text


_PREFIXES = MappingProxyType(
    {12: "T", 9: "G", 6: "M", 3: "k", 0: "", -3: "m", -6: "µ", -9: "n", -12: "p", -15: "f", -18: "a"}
)


def _with_prefix(value: float, unit: str, digits: int) -> str:
    """As the library writes it, which takes ten times as long: a batch's pages have a hundred thousand."""
    mantissa, exponent = f"{abs(value):.{digits - 1}e}".split("e")
    before = int(exponent) % 3 + 1  # digits before the point
    prefix = _PREFIXES.get(int(exponent) - before + 1)
    if prefix is None:
        import quantiphy

        rendered = quantiphy.Quantity(value, unit).render(form="si", prec=digits - 1, show_units=True)
        return str(rendered).replace(" u", " µ")
    figures = mantissa.replace(".", "")
    fraction = figures[before:].rstrip("0")
    number = figures[:before].ljust(before, "0") + (f".{fraction}" if fraction else "")
    return f"{'-' if value < 0 else ''}{number} {prefix}{unit}"
