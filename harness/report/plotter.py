"""The one plotter: small pictures as SVG, for reports, pages, wiring; and as PNG, for a file of its own.

A picture is drawn by lines, boxes, texts and marks, each with the name of its style. Within a page the page's
style sheet says what the styles are; a picture that stands alone, and a PNG, has those of `STYLES`.

No library of charts: a batch's page has some forty of them and is made when it is asked for. For one of 500
values matplotlib takes 77 ms and this 5 (measured); and there a point has neither a class of the style sheet
nor a hint for a pointer.
"""

import base64
import io
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from types import MappingProxyType
from typing import Literal, Protocol

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

Anchor = Literal["start", "middle", "end"]
Shape = Literal["dot", "square", "cross", "diamond", "triangle"]
Point = tuple[float, float]

HOT, COLD = "#0b4f8a", "#b3541e"
"""The colours of the two legs, wherever they are drawn."""

INK, FAINT = "#1c1c1a", "#dededa"
LETTER = 6.0  # pixels, the mean width of a letter at the size below
LETTERS_SIZE = 11.5
PREFIXED = ("V", "A", "s", "V²s", "ohm", "F")
_PREFIXES = ((1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))
_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
_WHOLE_STEPS = (1.0, 2.0, 5.0, 10.0)


@dataclass(frozen=True, kw_only=True)
class Style:
    """How something is drawn if no style sheet says it. dashes: lengths of dash and gap, in pixels."""

    stroke: str = "none"
    width: float = 1.0
    dashes: tuple[float, ...] = ()
    fill: str = "none"

    @property
    def css(self) -> str:
        """The same for a style sheet."""
        dashes = f";stroke-dasharray:{' '.join(f'{dash:g}' for dash in self.dashes)}" if self.dashes else ""
        return f"stroke:{self.stroke};stroke-width:{self.width:g}{dashes};fill:{self.fill}"


STYLES: Mapping[str, Style] = MappingProxyType(
    {
        "grid": Style(stroke=FAINT, width=0.7),
        "axis": Style(stroke=INK),
        "frame": Style(stroke="#33332f"),
        "hot": Style(stroke=HOT, width=1.4),
        "cold": Style(stroke=COLD, width=1.4, dashes=(5, 3)),
        "control": Style(stroke="#444440", width=1.2),
        "limit": Style(stroke="#1b1b1b", width=1.2),
        "full": Style(fill="#33332f"),
    }
)


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
    result = []
    for number in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1):
        result.append((number * step, f"{number * step + 0.0:.{decimals}f}".replace("-", "−")))
    return result


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


def extremes(values: NDArray[np.float64], bins: int) -> NDArray[np.int64]:
    """Indices of the lowest and highest value of each of so many bins, in their order: no peak is lost.

    values: shape (n,). All indices if there are fewer values than two for each bin.
    """
    size = max(len(values) // bins, 1)
    blocks = values[: len(values) // size * size].reshape(-1, size)
    ends = np.sort(np.stack([blocks.argmin(axis=1), blocks.argmax(axis=1)], axis=1), axis=1)
    return np.unique((ends + size * np.arange(len(blocks))[:, np.newaxis]).ravel())


class Canvas(Protocol):
    """What is drawn on. `kind`: the name of a style, or several."""

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        """Draw a straight line."""
        ...

    def path(self, points: Sequence[Point], kind: str) -> None:
        """Draw a line through points."""
        ...

    def box(self, x: float, y: float, width: float, height: float, kind: str) -> None:
        """Draw a box."""
        ...

    def text(self, x: float, y: float, text: str, *, anchor: Anchor = "start", kind: str = "") -> None:
        """Write a text at its base line."""
        ...


class Picture:
    """An SVG picture that grows by what is drawn; `finish` gives it, with its title and description.

    on: another picture of the same size, as it is drawn so far, that this one goes on from.
    """

    def __init__(self, width: int, height: int, *, on: "Picture | None" = None) -> None:
        self.width, self.height = width, height
        self._parts: list[str] = [] if on is None else [*on._parts]

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        """Draw a straight line; `kind` is its class in the style sheet."""
        self._parts.append(f'<path class="{kind}" d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}"/>')

    def path(self, points: Sequence[Point], kind: str) -> None:
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
            f'<svg viewBox="0 0 {self.width} {self.height}" role="img" '
            f'aria-label="{escape(title)}. {escape(description)}">{"".join(self._parts)}</svg>'
        )

    def alone(
        self, text: str, styles: Mapping[str, str] = MappingProxyType({}), *, definitions: str = ""
    ) -> "Figure":
        """Give the picture as a file of its own, on white. text: what it shows, in words.

        styles: CSS by selector, besides that of `STYLES`; definitions: SVG that styles refer to.
        """
        known = {f".{kind}": style.css for kind, style in STYLES.items()} | dict(styles)
        style = "".join(f"{kind}{{{css}}}" for kind, css in known.items())
        svg = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width}" height="{self.height}" '
            f'viewBox="0 0 {self.width} {self.height}" font-family="sans-serif" '
            f'font-size="{LETTERS_SIZE}">{definitions}<style>text{{fill:{INK}}}{style}</style>'
            f'<rect width="{self.width}" height="{self.height}" fill="#fff"/>{"".join(self._parts)}</svg>'
        )
        return Figure(svg=svg, text=text, width=self.width, height=self.height)


@dataclass(frozen=True, kw_only=True)
class Figure:
    """An SVG file with what it shows in words, and its size in pixels."""

    svg: str
    text: str
    width: int
    height: int

    @property
    def address(self) -> str:
        """An address that holds all of it."""
        return f"data:image/svg+xml;base64,{base64.b64encode(self.svg.encode()).decode()}"


class Raster:
    """A PNG picture in the styles of `STYLES`; drawn larger and made smaller, so that lines are smooth."""

    def __init__(self, width: int, height: int, *, times: int = 3) -> None:
        from PIL import Image, ImageDraw, ImageFont  # for a file that few ask for

        self._times = times
        self._image = Image.new("RGB", (width * times, height * times), "#ffffff")
        self._draw = ImageDraw.Draw(self._image)
        self._font = ImageFont.load_default(LETTERS_SIZE * times)
        self._small: Callable[[], Image.Image] = lambda: self._image.resize(
            (width, height), Image.Resampling.LANCZOS
        )

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        """Draw a straight line."""
        self.path([(x1, y1), (x2, y2)], kind)

    def path(self, points: Sequence[Point], kind: str) -> None:
        """Draw a line through points, dashed as its style is."""
        style = STYLES[kind]
        pieces = _dashed(points, style.dashes) if style.dashes else [points]
        for piece in pieces:
            scaled = [(x * self._times, y * self._times) for x, y in piece]
            self._draw.line(scaled, fill=style.stroke, width=round(style.width * self._times), joint="curve")

    def box(self, x: float, y: float, width: float, height: float, kind: str) -> None:
        """Draw a box."""
        style, k = STYLES[kind], self._times
        ends = (x * k, y * k, (x + width) * k, (y + height) * k)
        fill = None if style.fill == "none" else style.fill
        self._draw.rectangle(
            ends, fill=fill, outline=None if style.stroke == "none" else style.stroke, width=k
        )

    def text(self, x: float, y: float, text: str, *, anchor: Anchor = "start", kind: str = "") -> None:
        """Write a text at its base line."""
        at = {"start": "ls", "middle": "ms", "end": "rs"}[anchor]
        shown = text.replace("−", "-")  # the font has no true minus
        self._draw.text((x * self._times, y * self._times), shown, fill=INK, font=self._font, anchor=at)

    def finish(self) -> bytes:
        """Give the picture as the content of a PNG file."""
        content = io.BytesIO()
        self._small().save(content, format="PNG")
        return content.getvalue()


def _dashed(points: Sequence[Point], dashes: Sequence[float]) -> list[list[Point]]:
    """The pieces of a control line that its dashes are."""
    pieces: list[list[Point]] = [[points[0]]]
    number, left = 0, dashes[0]
    for start, end in pairwise(points):
        length, gone = math.dist(start, end), 0.0
        while length - gone > left:
            gone += left
            share = gone / length
            cut = (start[0] + share * (end[0] - start[0]), start[1] + share * (end[1] - start[1]))
            if number % 2 == 0:
                pieces[-1].append(cut)
            else:
                pieces.append([cut])
            number += 1
            left = dashes[number % len(dashes)]
        left -= length - gone
        if number % 2 == 0:
            pieces[-1].append(end)
    return [piece for piece in pieces if len(piece) > 1]


@dataclass(frozen=True, kw_only=True)
class Panel:
    """A rectangle with two axes, for curves. The lower end of `y` is at the bottom."""

    x: Axis
    y: Axis

    def draw_axes(
        self, canvas: Canvas, *, unit: str, across: Sequence[tuple[float, str]] = (), numbered: bool = True
    ) -> None:
        """Draw grid and numbers. unit: above the numbers at the left; across: values along x, in words.

        numbered: whether numbers stand at the left.
        """
        for value, text in ticks(self.y.low, self.y.high, most=5):
            canvas.line(self.x.start, self.y.at(value), self.x.end, self.y.at(value), "grid")
            if numbered:
                canvas.text(self.x.start - 5, self.y.at(value) + 4, text, anchor="end")
        for value, text in across:
            canvas.line(self.x.at(value), self.y.start, self.x.at(value), self.y.end, "grid")
            canvas.text(self.x.at(value), self.y.start + 16, text, anchor="middle")
        canvas.path(
            [(self.x.start, self.y.end), (self.x.start, self.y.start), (self.x.end, self.y.start)], "axis"
        )
        if unit:
            canvas.text(self.x.start - 5, self.y.end - 8, unit, anchor="end")

    def curve(self, canvas: Canvas, x: Iterable[float], y: Iterable[float], kind: str) -> None:
        """Draw a line through values."""
        canvas.path([(self.x.at(one), self.y.at(other)) for one, other in zip(x, y, strict=True)], kind)


def legend(canvas: Canvas, x: float, y: float, entries: Sequence[tuple[str, str]]) -> None:
    """Write names in a line, each behind a piece of its style. entries: kinds with their names."""
    for kind, name in entries:
        canvas.line(x, y - 4, x + 24, y - 4, kind)
        canvas.text(x + 30, y, name)
        x += 46 + LETTER * len(name)


def _outline(x: float, y: float, shape: Shape, size: float) -> str:
    if shape == "dot":
        return f"M{x - size:.1f} {y:.1f}a{size} {size} 0 1 0 {2 * size} 0a{size} {size} 0 1 0 {-2 * size} 0"
    if shape == "square":
        return f"M{x - size:.1f} {y - size:.1f}h{2 * size}v{2 * size}h{-2 * size}z"
    if shape == "diamond":
        reach = 1.3 * size
        return f"M{x - reach:.1f} {y:.1f}l{reach} {reach}l{reach} {-reach}l{-reach} {-reach}z"
    if shape == "triangle":
        return f"M{x - size:.1f} {y + size:.1f}h{2 * size}l{-size} {-2 * size}z"
    return f"M{x - size:.1f} {y - size:.1f}l{2 * size} {2 * size}m0 {-2 * size}l{-2 * size} {2 * size}"
