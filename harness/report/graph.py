"""Curves over two axes as SVG, written out here: a report draws several, and loads no library for them."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape

LETTER = 6.1  # pixels that a letter takes, about, at FONT
FONT = 12
GRID, FRAME = "#dededa", "#3a3a37"
STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
SAMPLE = 26  # pixels of a line in a legend
SIDES = {
    "o": (24, 0),
    "s": (4, 45),
    "^": (3, -90),
    "D": (4, 0),
    "v": (3, 90),
    "<": (3, 180),
    ">": (3, 0),
    "p": (5, -90),
}
"""How many corners a mark has, and where the first one is, in degrees."""


@dataclass(frozen=True, kw_only=True)
class Look:
    """How a line is drawn; dash: as SVG has it, "" for none; mark: at each point, one of SIDES."""

    colour: str
    dash: str = ""
    width: float = 1.4
    mark: str = ""


@dataclass(frozen=True, kw_only=True)
class Box:
    """A panel's place in the picture, in pixels."""

    left: float
    top: float
    right: float
    bottom: float


@dataclass(kw_only=True)
class Panel:
    """Curves over one pair of axes. x, y: from where to where they go; log_x: by decades.

    legend: what is written beside which look, in the order in which it was drawn.
    """

    box: Box
    x: tuple[float, float]
    y: tuple[float, float]
    log_x: bool = False
    legend: dict[str, Look] = field(default_factory=dict)
    _under: list[str] = field(default_factory=list)
    _curves: list[str] = field(default_factory=list)
    _over: list[str] = field(default_factory=list)

    def curve(self, xs: Iterable[float], ys: Iterable[float], look: Look, label: str = "") -> None:
        """Draw a line through points."""
        points = [(self._across(x), self._down(y)) for x, y in zip(xs, ys, strict=True)]
        self._curves.append(_path(points, look))
        self._curves += [_mark(x, y, look) for x, y in points if look.mark]
        self._name(label, look)

    def upright(self, x: float, look: Look, label: str = "") -> None:
        """Draw a line from bottom to top."""
        across = self._across(x)
        self._curves.append(_path([(across, self.box.bottom), (across, self.box.top)], look))
        self._name(label, look)

    def bar(self, x: float, low: float, high: float, look: Look) -> None:
        """Draw an interval, with a cap at either end."""
        across, ends = self._across(x), (self._down(low), self._down(high))
        plain = Look(colour=look.colour, width=0.9)
        self._curves.append(_path([(across, ends[0]), (across, ends[1])], plain))
        self._curves += [_path([(across - 2.5, y), (across + 2.5, y)], plain) for y in ends]

    def x_axis(
        self, ticks: Mapping[float, str] | None = None, label: str = "", *, named: bool = True
    ) -> None:
        """Draw grid lines; with their numbers below and the axis' name where it is `named`."""
        box = self.box
        for value, text in (round_values(*self.x, most=10) if ticks is None else ticks).items():
            across = self._across(value)
            self._under.append(_path([(across, box.bottom), (across, box.top)], Look(colour=GRID, width=0.7)))
            if named and text:
                self._over.append(_text(across, box.bottom + FONT + 4, text, "middle"))
        if label:
            self._over.append(_text((box.left + box.right) / 2, box.bottom + 2 * FONT + 9, label, "middle"))

    def y_axis(self, label: str, *, most: int = 5) -> None:
        """Draw grid lines with their numbers, and what the axis is of."""
        box = self.box
        for value, text in round_values(*self.y, most=most).items():
            down = self._down(value)
            self._under.append(_path([(box.left, down), (box.right, down)], Look(colour=GRID, width=0.7)))
            self._over.append(_text(box.left - 5, down + FONT / 3, text, "end"))
        middle = (box.top + box.bottom) / 2
        self._over.append(
            f'<text transform="translate({box.left - 52:.1f} {middle:.1f}) rotate(-90)" '
            f'text-anchor="middle">{escape(label)}</text>'
        )

    def drawn(self, number: int) -> str:
        """The panel; number: its own in the picture."""
        box = self.box
        shape = (
            f'<clipPath id="p{number}"><rect x="{box.left}" y="{box.top}" width="{box.right - box.left}" '
            f'height="{box.bottom - box.top}"/></clipPath>'
        )
        corner = [(box.left, box.top), (box.left, box.bottom), (box.right, box.bottom)]
        return (
            f'{shape}{"".join(self._under)}<g clip-path="url(#p{number})">{"".join(self._curves)}</g>'
            f"{_path(corner, Look(colour=FRAME, width=1.0))}{''.join(self._over)}"
        )

    def _name(self, label: str, look: Look) -> None:
        if label:
            self.legend.setdefault(label, look)

    def _across(self, value: float) -> float:
        low, high = self.x
        if self.log_x:
            low, high, value = math.log10(low), math.log10(high), math.log10(value)
        return self.box.left + (value - low) / (high - low) * (self.box.right - self.box.left)

    def _down(self, value: float) -> float:
        low, high = self.y
        return self.box.bottom - (value - low) / (high - low) * (self.box.bottom - self.box.top)


def roomy(values: Iterable[float], *, share: float = 0.05) -> tuple[float, float]:
    """The range of some values with room on either side; never of no width."""
    known = [value for value in values if math.isfinite(value)] or [0.0]
    low, high = min(known), max(known)
    room = share * (high - low) or 0.05 * abs(high) or 1.0
    return low - room, high + room


def round_values(low: float, high: float, *, most: int) -> dict[float, str]:
    """At most so many round values from low to high, each with its text."""
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(one * power for one in STEPS if one * power >= rough * (1 - 1e-9))
    decimals = max(0, -math.floor(math.log10(step) + 1e-9) + (math.isclose(step, 2.5 * power)))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return {n * step: f"{n * step:.{decimals}f}".replace("-", "\u2212") for n in range(first, last + 1)}


def in_a_row(legend: Mapping[str, Look], left: float, right: float, y: float) -> str:
    """A legend from left to right, the last row at `y` and others above it."""
    rows: list[list[str]] = [[]]
    x = left
    for label in legend:
        width = SAMPLE + 8 + LETTER * len(label)
        if rows[-1] and x + width > right:
            rows.append([])
            x = left
        rows[-1].append(label)
        x += width + 12
    drawn: list[str] = []
    for number, row in enumerate(rows):
        x = left
        for label in row:
            drawn.append(_sample(x, y - 1.2 * FONT * (len(rows) - 1 - number), label, legend[label]))
            x += SAMPLE + 20 + LETTER * len(label)
    return "".join(drawn)


def in_a_column(legend: Mapping[str, Look], x: float, y: float) -> str:
    """A legend from above to below."""
    return "".join(
        _sample(x, y + 1.5 * FONT * row, label, look) for row, (label, look) in enumerate(legend.items())
    )


def svg(width: int, height: int, panels: Sequence[Panel], legend: str) -> str:
    """The picture: an SVG element, as text."""
    drawn = "".join(panel.drawn(number) for number, panel in enumerate(panels))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" font-family="sans-serif" font-size="{FONT}" fill="#1c1c1a">'
        f'<rect width="{width}" height="{height}" fill="#fff"/>{drawn}{legend}</svg>'
    )


def _sample(x: float, y: float, label: str, look: Look) -> str:
    line = _path([(x, y), (x + SAMPLE, y)], look)
    mark = _mark(x + SAMPLE / 2, y, look) if look.mark else ""
    return f"{line}{mark}{_text(x + SAMPLE + 6, y + FONT / 3, label)}"


def _path(points: Sequence[tuple[float, float]], look: Look) -> str:
    through = " L ".join(f"{x:.2f} {y:.2f}" for x, y in points)
    dash = f' stroke-dasharray="{look.dash}"' if look.dash else ""
    return f'<path d="M {through}" fill="none" stroke="{look.colour}" stroke-width="{look.width}"{dash}/>'


def _mark(x: float, y: float, look: Look, size: float = 3.2) -> str:
    corners, first = SIDES[look.mark]
    turns = [math.radians(first + 360 * corner / corners) for corner in range(corners)]
    points = " ".join(f"{x + size * math.cos(turn):.1f},{y + size * math.sin(turn):.1f}" for turn in turns)
    return f'<polygon points="{points}" fill="{look.colour}"/>'


def _text(x: float, y: float, text: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>'
