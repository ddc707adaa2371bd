"""A run's pictures: recorded legs against time, which of them a page shows, and responses over frequency.

Waveforms are drawn as SVG for a page, as PNG for a file, and in characters for a terminal.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.quantities.registry import OVER_FREQUENCY
from harness.reading import Estimate, Measurand, Reading
from harness.report.plotter import (
    COLD,
    HOT,
    Axis,
    Canvas,
    Figure,
    Panel,
    Picture,
    Raster,
    Shape,
    extremes,
    legend,
    roomy,
    ticks,
)
from harness.roles import Capture

WIDTH, HEIGHT, CHANGE_HEIGHT = 922, 230, 278  # pixels
LEFT, RIGHT, ABOVE, BELOW, BETWEEN = 58, 8, 34, 38, 14
TRACES_TITLE = 22  # pixels above each row of a PNG
BINS, CHANGE_BINS = 240, 1200  # across; each is drawn from its lowest to its highest sample
BEFORE_S, AFTER_S = 0.8e-3, 1.5e-3  # shown around the marks of a change of state
LEGS = ("hot", "cold")  # the style of a row and of the next

_MARKS = {"edge": "control edge", "opens": "opens", "closes": "first closes", "settles": "closes for good"}
_MARK_STYLES = {
    ".mark": "stroke:#1c1c1a",
    ".hot,.cold,.control,.mark": "stroke-width:1.2",
    ".edge": "stroke-dasharray:none",
    ".opens": "stroke-dasharray:1.2 3",
    ".closes": "stroke-dasharray:6 3",
    ".settles": "stroke-dasharray:7 2.5 1.2 2.5",
}

HOT_LETTER, COLD_LETTER, BOTH = "o", "x", "*"
ROWS, COLUMNS = 13, 68
_MARGIN = 10
MOST_PICTURES = 8
_PERIODS = 6  # of a tone that are shown
_MOST_CURVES = 8  # more would be a thicket; the worst are drawn
_WIDTH, _HEIGHT = 922, 269  # pixels
_NAMES_AT, _NAME_LETTERS = 684, 34
_TICKS_HZ = {20.0: "20", 100.0: "100", 1e3: "1 k", 1e4: "10 k", 2e4: "20 k", 1e5: "100 k"}
_FINE_HZ = tuple(m * 10.0**e for e in range(1, 5) for m in range(2, 10))
_SHAPES: tuple[Shape, ...] = ("dot", "square", "diamond", "triangle")  # filled, then hollow
_COLOURS = (HOT, COLD, "#3c6e2f", "#6b3f7c")
_DASHES = ("none", "6 3", "7 2.5 1.2 2.5", "1.2 3")
_STYLES = {
    ".curve": "fill:none;stroke-width:1.3",
    **{f".c{n}": f"stroke:{colour}" for n, colour in enumerate(_COLOURS)},
    **{f".curve.c{n}": f"stroke-dasharray:{dashes}" for n, dashes in enumerate(_DASHES)},
    **{f".full.c{n}": f"fill:{colour}" for n, colour in enumerate(_COLOURS)},
    ".hollow": "fill:#fff;stroke-width:1.2",
    ".fine": "stroke:#ececea;stroke-width:0.5",
}


def draw_waveform(capture: Capture, *, window_s: float) -> Figure:
    """Draw the first `window_s` of a capture, one panel for each pair of inputs.

    A capture's rows are legs, hot first, whichever input of a pair sees them: a setup may swap the inputs.
    """
    picture = Picture(WIDTH, HEIGHT)
    _draw_pairs(picture, capture, window_s, top=0)
    swings = ", ".join(
        f"input {number} {volts.max() - volts.min():.3g} V peak to peak"
        for number, volts in zip(capture.inputs, capture.volts, strict=True)
    )
    return picture.alone(f"Voltage over time: {swings}")


def draw_traces(traces: Sequence[tuple[str, Capture, float]]) -> bytes:
    """Draw titles, captures and their windows in seconds, one row of panels for each: a PNG picture."""
    row = TRACES_TITLE + HEIGHT
    picture = Raster(WIDTH, row * len(traces))
    for number, (title, capture, window_s) in enumerate(traces):
        picture.text(WIDTH / 2, row * number + 16, title, anchor="middle")
        _draw_pairs(picture, capture, window_s, top=row * number + TRACES_TITLE)
    return picture.finish()


def _draw_pairs(canvas: Canvas, capture: Capture, window_s: float, *, top: int) -> None:
    count = min(capture.volts.shape[1], max(2, round(window_s / capture.interval_s)))
    shown = capture.volts[:, :count]
    low, high = roomy([float(shown.min()), float(shown.max())])
    pairs = sorted({(number + 1) // 2 for number in capture.inputs})
    width = (WIDTH - LEFT - RIGHT - BETWEEN * (len(pairs) - 1)) / len(pairs)
    end_ms = 1e3 * (count - 1) * capture.interval_s
    for column, pair in enumerate(pairs):
        left = LEFT + column * (width + BETWEEN)
        panel = Panel(
            x=Axis(low=0.0, high=end_ms, start=left, end=left + width),
            y=Axis(low=low, high=high, start=top + HEIGHT - BELOW, end=top + ABOVE),
        )
        panel.draw_axes(canvas, unit="" if column else "V", across=ticks(0.0, end_ms), numbered=not column)
        canvas.text(left + width, top + HEIGHT - 6, "ms", anchor="end")
        rows = [row for row, number in enumerate(capture.inputs) if (number + 1) // 2 == pair]
        names = [_named(capture, row, LEGS[row % 2]) for row in rows]
        legend(canvas, left + 4, top + 20, names)
        for row in rows:
            index = extremes(shown[row], BINS)
            panel.curve(canvas, 1e3 * index * capture.interval_s, shown[row, index], LEGS[row % 2])


def _named(capture: Capture, row: int, leg: str) -> tuple[str, str]:
    """A row's style and its name in a legend."""
    return leg, f"input {capture.inputs[row]}, {leg}"


# --- a change of state ---


def draw_change(capture: Capture) -> Figure:
    """Draw the stretch around the marks of a capture that has some."""
    lines = [row for row, number in enumerate(capture.inputs) if number in _control_inputs(capture)]
    legs = [row for row in range(len(capture.inputs)) if row not in lines]
    picture = Picture(WIDTH, CHANGE_HEIGHT)
    bottom = CHANGE_HEIGHT - BELOW
    middle = ABOVE + 0.75 * (bottom - ABOVE) if lines else bottom
    upper = _panel(capture, legs, top=ABOVE, bottom=middle)
    across = ticks(upper.x.low, upper.x.high, most=8)
    grid = [(value, "") for value, _ in across]
    names = [_named(capture, row, LEGS[index % 2]) for index, row in enumerate(legs)]
    upper.draw_axes(picture, unit="V", across=grid if lines else across)
    for index, row in enumerate(legs):
        upper.curve(picture, *_stretch(capture, row), LEGS[index % 2])
    panels = [upper]
    if lines:
        lower = _panel(capture, lines, top=middle + BETWEEN, bottom=bottom)
        lower.draw_axes(picture, unit="", across=across)
        for row in lines:
            lower.curve(picture, *_stretch(capture, row), "control")
        panels.append(lower)
    for panel in panels:
        _draw_marks(picture, panel, capture)
    kinds = dict.fromkeys(mark.kind for mark in capture.marks)
    legend(picture, LEFT + 4, 20, [*names, *((f"mark {kind}", _MARKS[kind]) for kind in kinds)])
    since = "ms from the control edge" if _origin_s(capture) else "ms"
    picture.text(WIDTH - RIGHT, CHANGE_HEIGHT - 6, since, anchor="end")
    return picture.alone(_describe_change(capture), _MARK_STYLES)


def _describe_change(capture: Capture) -> str:
    origin_s = _origin_s(capture)
    message = [
        f"input {mark.input} {_MARKS[mark.kind]} at {1e3 * (mark.time_s - origin_s):.3f} ms"
        for mark in capture.marks
        if mark.kind != "edge"
    ]
    since = " from the control edge" if origin_s else ""
    return f"A change of state{since}: {', '.join(message) or 'no leg changes'}"


def _control_inputs(capture: Capture) -> set[int]:
    """Inputs that see a control line: an edge was marked there."""
    return {mark.input for mark in capture.marks if mark.kind == "edge"}


def _origin_s(capture: Capture) -> float:
    return next((mark.time_s for mark in capture.marks if mark.kind == "edge"), 0.0)


def _shown(capture: Capture) -> tuple[int, int]:
    """First and last sample that are drawn: between the marks, and some before and after."""
    times_s = [mark.time_s for mark in capture.marks]
    first = max(int((min(times_s) - BEFORE_S) / capture.interval_s), 0)
    return first, min(int((max(times_s) + AFTER_S) / capture.interval_s), capture.volts.shape[1])


def _panel(capture: Capture, rows: Sequence[int], *, top: float, bottom: float) -> Panel:
    first, last = _shown(capture)
    shown = capture.volts[list(rows), first:last]
    low, high = roomy([float(shown.min()), float(shown.max())])
    start_ms, end_ms = (1e3 * (at * capture.interval_s - _origin_s(capture)) for at in (first, last))
    return Panel(
        x=Axis(low=start_ms, high=end_ms, start=LEFT, end=WIDTH - RIGHT),
        y=Axis(low=low, high=high, start=bottom, end=top),
    )


def _stretch(capture: Capture, row: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Milliseconds and volts of one input; of many samples the lowest and the highest of each few."""
    first, last = _shown(capture)
    index = first + extremes(capture.volts[row, first:last], CHANGE_BINS)
    time_s = index.astype(np.float64) * capture.interval_s - _origin_s(capture)
    return 1e3 * time_s, capture.volts[row, index]


def _draw_marks(picture: Picture, panel: Panel, capture: Capture) -> None:
    origin_s = _origin_s(capture)
    for mark in capture.marks:
        whose = "control" if mark.kind == "edge" else LEGS[capture.inputs.index(mark.input) % 2]
        x = panel.x.at(1e3 * (mark.time_s - origin_s))
        picture.line(x, panel.y.start, x, panel.y.end, f"{whose} {mark.kind}")


# --- in characters ---


def text_trace(
    hot_v: NDArray[np.float64],
    cold_v: NDArray[np.float64],
    *,
    interval_s: float,
    window_s: float,
    rows: int = ROWS,
    columns: int = COLUMNS,
) -> list[str]:
    """Draw the first `window_s` of two legs, volts, shape (samples,): lines of at most `columns` + 11.

    Each column shows everything from its lowest to its highest sample, so that no peak is lost. The scale is
    symmetrical about zero. Hot is `o`, cold `x`, and `*` where they lie on each other.
    """
    count = min(len(hot_v), max(2, round(window_s / interval_s)))
    hot, cold = hot_v[:count], cold_v[:count]
    peak_v = max(float(np.abs(hot).max()), float(np.abs(cold).max())) or 1.0
    on_hot, on_cold = (_raster(leg, peak_v, rows, columns) for leg in (hot, cold))
    labels = {0: peak_v, rows // 2: 0.0, rows - 1: -peak_v}
    lines = []
    for row in range(rows):
        label = _volts(labels[row], peak_v) if row in labels else ""
        marks = "".join(
            BOTH if both[0] and both[1] else HOT_LETTER if both[0] else COLD_LETTER if both[1] else " "
            for both in zip(on_hot[row], on_cold[row], strict=True)
        )
        lines.append(f"{label:>{_MARGIN}}|{marks}".rstrip())
    end = f"{1e3 * count * interval_s:.3g} ms"
    lines.append(" " * (_MARGIN + 1) + "0" + end.rjust(columns - 1))
    return lines


def _raster(volts: NDArray[np.float64], peak_v: float, rows: int, columns: int) -> NDArray[np.bool_]:
    """Which cells a leg passes through, shape (rows, columns), the highest volts in row 0."""
    height = np.rint((1.0 - volts / peak_v) / 2.0 * (rows - 1)).astype(int)
    starts = np.arange(columns) * len(volts) // columns
    cells = np.zeros((rows, columns), dtype=np.bool_)
    for column, start in enumerate(starts):
        stop = max(start + 1, (column + 1) * len(volts) // columns)
        here = height[start:stop]
        cells[here.min() : here.max() + 1, column] = True
    return cells


def _volts(value_v: float, peak_v: float) -> str:
    if value_v == 0.0:
        return "0 V"
    scale, unit = (1.0, "V") if peak_v >= 1.0 else (1e3, "mV") if peak_v >= 1e-3 else (1e6, "µV")
    return f"{value_v * scale:+.3g} {unit}"


@dataclass(frozen=True, kw_only=True)
class _Point:
    """A reading of a response at its frequency."""

    reading: Reading
    frequency_hz: float
    result: Estimate


Curve = list[_Point]


@dataclass(frozen=True, kw_only=True)
class WaveformPicture:
    """A waveform's picture, the inputs that clipped in it, and the readings that were made of it."""

    figure: Figure
    clipped: tuple[int, ...]
    readings: tuple[Reading, ...]


def waveform_pictures(concerns: Sequence[Reading], waveforms: Mapping[int, Capture]) -> list[WaveformPicture]:
    """Draw the waveforms of readings that did not pass, and of changes of state, passed or not.

    concerns: all readings, the worst first. waveforms: the captures that were kept, by acquisition.
    """
    wanted: dict[int, list[Reading]] = {}
    passed: dict[int, list[Reading]] = {}
    for reading in concerns:
        for acquisition in reading.acquisitions:
            if acquisition in waveforms:
                which = wanted if reading.verdict != "pass" else passed
                which.setdefault(acquisition, []).append(reading)
    for acquisition, readings in passed.items():
        if waveforms[acquisition].marks:
            wanted.setdefault(acquisition, []).extend(readings)
    return [
        _picture(waveforms[acquisition], tuple(readings))
        for acquisition, readings in list(wanted.items())[:MOST_PICTURES]
    ]


def _picture(capture: Capture, readings: tuple[Reading, ...]) -> WaveformPicture:
    if capture.marks:  # a change of state, whose clicks may clip
        return WaveformPicture(figure=draw_change(capture), clipped=(), readings=readings)
    tones_hz = [hz for reading in readings if (hz := reading.key.measurand.frequency_hz)]
    window_s = _PERIODS / tones_hz[0] if tones_hz else capture.interval_s * capture.volts.shape[1]
    clipped = (number for number, count in zip(capture.inputs, capture.clipped, strict=True) if count)
    figure = draw_waveform(capture, window_s=window_s)
    return WaveformPicture(figure=figure, clipped=tuple(clipped), readings=readings)


@dataclass(frozen=True, kw_only=True)
class ResponsePlot:
    """The responses of a check, and how many curves are not drawn."""

    check: str
    figure: Figure
    left_out: int


def response_plots(readings: Sequence[Reading]) -> list[ResponsePlot]:
    """One picture for each response check that has readings."""
    checks: dict[str, dict[Measurand, Curve]] = {}
    for reading in readings:
        measurand, result = reading.key.measurand, reading.estimate
        if measurand.quantity in OVER_FREQUENCY and result is not None and measurand.frequency_hz is not None:
            curve = checks.setdefault(reading.key.check, {}).setdefault(
                replace(measurand, frequency_hz=None), []
            )
            curve.append(_Point(reading=reading, frequency_hz=measurand.frequency_hz, result=result))
    return [_plot(check, list(curves.values())) for check, curves in checks.items()]


def _plot(check: str, curves: list[Curve]) -> ResponsePlot:
    curves.sort(key=_furthest, reverse=True)
    drawn = curves[:_MOST_CURVES]
    return ResponsePlot(check=check, figure=_draw(drawn), left_out=len(curves) - len(drawn))


def _furthest(curve: Curve) -> float:
    return max(abs(point.result.value) for point in curve)


def _in_words(curve: Curve) -> str:
    worst = max(curve, key=lambda point: abs(point.result.value))
    measurand = worst.reading.key.measurand
    return (
        f"{measurand.where} in {measurand.state}: {worst.result.value:+.3f} dB at {worst.frequency_hz:g} Hz "
        "is furthest from its level at 1 kHz"
    )


def _draw(curves: Sequence[Curve]) -> Figure:
    points = [point for curve in curves for point in curve]
    tones_hz = [point.frequency_hz for point in points]
    limits = [
        {(point.frequency_hz, point.reading.limit_low) for point in points},
        {(point.frequency_hz, point.reading.limit_high) for point in points},
    ]
    known = [
        sorted((hz, end) for hz, end in ends if end is not None and math.isfinite(end)) for ends in limits
    ]
    ends = [end for point in points for end in (point.result.value, point.result.low, point.result.high)]
    ends = [*filter(math.isfinite, ends), *(end for limit in known for _, end in limit)]
    low, high = roomy(ends)
    panel = Panel(
        x=Axis(low=_log(0.8 * min(tones_hz)), high=_log(1.25 * max(tones_hz)), start=62, end=640),
        y=Axis(low=low, high=high, start=_HEIGHT - 40, end=24),
    )
    picture = Picture(_WIDTH, _HEIGHT)
    for fine_hz in _FINE_HZ:
        if panel.x.low < _log(fine_hz) < panel.x.high:
            x = panel.x.at(_log(fine_hz))
            picture.line(x, panel.y.start, x, panel.y.end, "fine")
    shown = [(_log(hz), text) for hz, text in _TICKS_HZ.items() if panel.x.low <= _log(hz) <= panel.x.high]
    panel.draw_axes(picture, unit="", across=shown)
    picture.text(28, 14, "dB re 1 kHz")
    picture.text(640, _HEIGHT - 6, "Hz", anchor="end")
    for limit in filter(None, known):
        panel.curve(picture, [_log(hz) for hz, _ in limit], [end for _, end in limit], "limit")
        picture.text(644, panel.y.at(limit[-1][1]) + 4, "limit")
    for number, curve in enumerate(curves):
        _draw_curve(picture, panel, curve, number)
    return picture.alone("; ".join(map(_in_words, curves)), _STYLES)


def _draw_curve(picture: Picture, panel: Panel, curve: Curve, number: int) -> None:
    """A curve with a mark and an uncertainty at each of its points, and its name at the right."""
    style = number % len(_COLOURS)
    shape, inside = _SHAPES[style], "full" if number < len(_SHAPES) else "hollow"
    points = sorted(curve, key=lambda point: point.frequency_hz)
    at = [(panel.x.at(_log(point.frequency_hz)), point.result) for point in points]
    picture.path([(x, panel.y.at(result.value)) for x, result in at], f"curve c{style}")
    for x, result in at:
        picture.line(x, panel.y.at(result.low), x, panel.y.at(result.high), f"c{style}")
        picture.mark(x, panel.y.at(result.value), shape, 2.6, f"{inside} c{style}")
    y = 24 + 18 * number
    picture.line(_NAMES_AT, y, _NAMES_AT + 26, y, f"curve c{style}")
    picture.mark(_NAMES_AT + 13, y, shape, 2.6, f"{inside} c{style}")
    measurand = points[0].reading.key.measurand
    name = f"{measurand.where}, {measurand.state}"
    shown = name if len(name) <= _NAME_LETTERS else f"{name[: _NAME_LETTERS - 1]}…"
    picture.text(_NAMES_AT + 32, y + 4, shown)


def _log(frequency_hz: float) -> float:
    return math.log10(frequency_hz)
