"""The pictures of a run's page: which of its kept waveforms are shown, and its responses over frequency."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from harness.reading import Estimate, Measurand, Reading
from harness.report.plotter import COLD, HOT, Axis, Figure, Panel, Picture, Shape, roomy
from harness.report.waveforms import draw_change, draw_waveform
from harness.roles import Capture

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
_LOOKS = {
    ".curve": "fill:none;stroke-width:1.3",
    **{f".c{n}": f"stroke:{colour}" for n, colour in enumerate(_COLOURS)},
    **{f".curve.c{n}": f"stroke-dasharray:{dashes}" for n, dashes in enumerate(_DASHES)},
    **{f".full.c{n}": f"fill:{colour}" for n, colour in enumerate(_COLOURS)},
    ".hollow": "fill:#fff;stroke-width:1.2",
    ".fine": "stroke:#ececea;stroke-width:0.5",
}


@dataclass(frozen=True, kw_only=True)
class _Point:
    """A reading of a response at its frequency."""

    reading: Reading
    frequency_hz: float
    found: Estimate


Curve = list[_Point]


@dataclass(frozen=True, kw_only=True)
class Shown:
    """A kept waveform that is shown, and the readings it belongs to. window_s: of it, from its beginning."""

    acquisition: int
    readings: tuple[Reading, ...]
    window_s: float


def choose_pictures(concerns: Sequence[Reading], waveforms: Mapping[int, Capture]) -> list[Shown]:
    """Choose the waveforms to show: those of readings that did not pass, and changes of state, passed or not.

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
        Shown(
            acquisition=acquisition,
            readings=tuple(readings),
            window_s=_window_s(waveforms[acquisition], readings),
        )
        for acquisition, readings in list(wanted.items())[:MOST_PICTURES]
    ]


def draw_shown(shown: Shown, capture: Capture) -> Figure:
    """Draw a waveform, or the stretch of it around a change of state."""
    return draw_change(capture) if capture.marks else draw_waveform(capture, window_s=shown.window_s)


def clipped_inputs(capture: Capture) -> tuple[int, ...]:
    """Inputs that clipped in a waveform; in a change of state the clicks may."""
    if capture.marks:
        return ()
    return tuple(number for number, count in zip(capture.inputs, capture.clipped, strict=True) if count)


def _window_s(capture: Capture, readings: Sequence[Reading]) -> float:
    tones_hz = [hz for reading in readings if (hz := reading.key.measurand.frequency_hz)]
    return _PERIODS / tones_hz[0] if tones_hz else capture.interval_s * capture.volts.shape[1]


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
        measurand, found = reading.key.measurand, reading.estimate
        if measurand.quantity == "response" and found is not None and measurand.frequency_hz is not None:
            curve = checks.setdefault(reading.key.check, {}).setdefault(
                replace(measurand, frequency_hz=None), []
            )
            curve.append(_Point(reading=reading, frequency_hz=measurand.frequency_hz, found=found))
    return [_plot(check, list(curves.values())) for check, curves in checks.items()]


def _plot(check: str, curves: list[Curve]) -> ResponsePlot:
    curves.sort(key=_furthest, reverse=True)
    drawn = curves[:_MOST_CURVES]
    return ResponsePlot(
        check=check,
        figure=_draw(drawn),
        left_out=len(curves) - len(drawn),
    )


def _furthest(curve: Curve) -> float:
    return max(abs(point.found.value) for point in curve)


def _in_words(curve: Curve) -> str:
    worst = max(curve, key=lambda point: abs(point.found.value))
    measurand = worst.reading.key.measurand
    return (
        f"{measurand.where} in {measurand.state}: {worst.found.value:+.3f} dB at {worst.frequency_hz:g} Hz "
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
    ends = [end for one in points for end in (one.found.value, one.found.low, one.found.high)]
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
    return picture.alone("; ".join(map(_in_words, curves)), _LOOKS)


def _draw_curve(picture: Picture, panel: Panel, curve: Curve, number: int) -> None:
    """A curve with a mark and an uncertainty at each of its points, and its name at the right."""
    look = number % len(_COLOURS)
    shape, inside = _SHAPES[look], "full" if number < len(_SHAPES) else "hollow"
    points = sorted(curve, key=lambda point: point.frequency_hz)
    at = [(panel.x.at(_log(point.frequency_hz)), point.found) for point in points]
    picture.path([(x, panel.y.at(found.value)) for x, found in at], f"curve c{look}")
    for x, found in at:
        picture.line(x, panel.y.at(found.low), x, panel.y.at(found.high), f"c{look}")
        picture.mark(x, panel.y.at(found.value), shape, 2.6, f"{inside} c{look}")
    y = 24 + 18 * number
    picture.line(_NAMES_AT, y, _NAMES_AT + 26, y, f"curve c{look}")
    picture.mark(_NAMES_AT + 13, y, shape, 2.6, f"{inside} c{look}")
    measurand = points[0].reading.key.measurand
    name = f"{measurand.where}, {measurand.state}"
    shown = name if len(name) <= _NAME_LETTERS else f"{name[: _NAME_LETTERS - 1]}…"
    picture.text(_NAMES_AT + 32, y + 4, shown)


def _log(frequency_hz: float) -> float:
    return math.log10(frequency_hz)
