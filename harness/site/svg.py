"""Small pictures as inline SVG that takes its colours and letters from the page's style sheet.

A batch's page has some forty charts and is made when it is asked for. For one of 500 values matplotlib takes
77 ms and this 5 (measured); and it gives a point neither a class of the style sheet nor a hint for a pointer.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Literal

from markupsafe import Markup

Anchor = Literal["start", "middle", "end"]
Shape = Literal["dot", "square", "cross", "diamond"]

PREFIXED = ("V", "A", "s", "V²s", "ohm", "F")
_PREFIXES = ((1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))
_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
_WHOLE_STEPS = (1.0, 2.0, 5.0, 10.0)


@dataclass(frozen=True, kw_only=True)
class Scale:
    """How values of a unit are written on an axis: divided by `factor`, in `unit`."""

    factor: float
    unit: str


def scale_of(values: Sequence[float], unit: str) -> Scale:
    """Choose a prefix for values that share an axis."""
    if unit == "%":
        return Scale(factor=0.01, unit="%")
    if unit not in PREFIXED:
        return Scale(factor=1.0, unit=unit)
    largest = max((abs(value) for value in values), default=0.0)
    factor, prefix = next((one for one in _PREFIXES if largest >= one[0]), _PREFIXES[0])
    return Scale(factor=factor, unit=prefix + unit)


def ticks(low: float, high: float, *, most: int = 5, whole: bool = False) -> list[tuple[float, str]]:
    """Round values from low to high, low < high, each with its text; whole: of what is counted."""
    rough = max((high - low) / most, 1.0 if whole else 0.0)
    power = 10.0 ** math.floor(math.log10(rough))
    steps = _WHOLE_STEPS if whole else _STEPS
    step = next(one * power for one in steps if one * power >= rough * 0.999)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9) + (step / power == 2.5))
    found = []
    for number in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1):
        found.append((number * step, f"{number * step + 0.0:.{decimals}f}".replace("-", "−")))
    return found


@dataclass(frozen=True, kw_only=True)
class Axis:
    """Values from `low` to `high` onto pixels from `start` to `end`."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Where a value lies; one beyond the axis lies at its end."""
        share = (min(max(value, self.low), self.high) - self.low) / (self.high - self.low)
        return self.start + share * (self.end - self.start)


def roomy(values: Sequence[float]) -> tuple[float, float]:
    """Low and high of an axis with some room around all values; never of no width."""
    low, high = min(values), max(values)
    room = 0.08 * (high - low) or 0.05 * abs(high) or 1.0
    return low - room, high + room


class Picture:
    """An SVG picture that grows by what is drawn; `finish` gives it, with its title and description.

    on: another picture of the same size, as it is drawn so far, that this one goes on from.
    """

    def __init__(self, width: int, height: int, *, on: "Picture | None" = None) -> None:
        self._width, self._height = width, height
        self._parts: list[str] = [] if on is None else [*on._parts]

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        """Draw a straight line; `kind` is its class in the style sheet."""
        self._parts.append(f'<path class="{kind}" d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}"/>')

    def path(self, points: Sequence[tuple[float, float]], kind: str) -> None:
        """Draw a line through points."""
        through = "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
        self._parts.append(f'<path class="{kind}" d="M{through}"/>')

    def box(self, x: float, y: float, width: float, height: float, kind: str) -> None:
        """Draw a filled box."""
        self._parts.append(
            f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" '
            f'width="{max(width, 0.5):.1f}" height="{max(height, 0.5):.1f}"/>'
        )

    def text(self, x: float, y: float, text: str, *, anchor: Anchor = "start", kind: str = "") -> None:
        """Write a text at its base line."""
        class_ = f' class="{kind}"' if kind else ""
        self._parts.append(
            f'<text{class_} x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>'
        )

    def mark(self, x: float, y: float, shape: Shape, size: float, kind: str, hint: str = "") -> None:
        """Mark a point by shape as well as by colour; the hint shows under a pointer."""
        title = f"<title>{escape(hint)}</title>" if hint else ""
        self._parts.append(f'<path class="{kind}" d="{_outline(x, y, shape, size)}">{title}</path>')

    def level_axis(
        self, axis: Axis, left: float, right: float, *, most: int = 5, whole: bool = False
    ) -> None:
        """Draw a grid line and a number for round values of a vertical axis."""
        levels = [
            (axis.at(value), text) for value, text in ticks(axis.low, axis.high, most=most, whole=whole)
        ]
        grid = "".join(f"M{left:.1f} {y:.1f}H{right:.1f}" for y, _ in levels)
        self._parts.append(f'<path class="grid" d="{grid}"/>')
        for y, text in levels:
            self.text(left - 5, y + 3.5, text, anchor="end")

    def finish(self, title: str, description: str) -> Markup:
        """Give the picture as an SVG element that says in words what it shows."""
        return Markup(
            f'<svg viewBox="0 0 {self._width} {self._height}" role="img" '
            f'aria-label="{escape(title)}. {escape(description)}">{"".join(self._parts)}</svg>'
        )


def _outline(x: float, y: float, shape: Shape, size: float) -> str:
    if shape == "dot":
        return f"M{x - size:.1f} {y:.1f}a{size} {size} 0 1 0 {2 * size} 0a{size} {size} 0 1 0 {-2 * size} 0"
    if shape == "square":
        return f"M{x - size:.1f} {y - size:.1f}h{2 * size}v{2 * size}h{-2 * size}z"
    if shape == "diamond":
        reach = 1.3 * size
        return f"M{x - reach:.1f} {y:.1f}l{reach} {reach}l{reach} {-reach}l{-reach} {-reach}z"
    return f"M{x - size:.1f} {y - size:.1f}l{2 * size} {2 * size}m0 {-2 * size}l{-2 * size} {2 * size}"
