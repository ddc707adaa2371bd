"""Responses over frequency as one small SVG picture for each check."""

import base64
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from harness.quantities.registry import OVER_FREQUENCY
from harness.reading import Estimate, Measurand, Reading
from harness.report.pictures import draw_svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST_CURVES = 8  # more would be a thicket; the worst are drawn
_TICKS_HZ = {20.0: "20", 100.0: "100", 1e3: "1 k", 1e4: "10 k", 2e4: "20 k", 1e5: "100 k"}
_DASHES = ("-", "--", "-.", ":")
_COLOURS = ("#0b4f8a", "#b3541e", "#3c6e2f", "#6b3f7c")
_MARKS = "os^Dv<>p"


@dataclass(frozen=True, kw_only=True)
class _Point:
    """A reading of a response at its frequency."""

    reading: Reading
    frequency_hz: float
    found: Estimate


Curve = list[_Point]


@dataclass(frozen=True, kw_only=True)
class ResponsePlot:
    """A picture as a data address, what it shows in words, and how many curves are not in it."""

    check: str
    address: str
    text: str
    left_out: int


def response_plots(readings: Sequence[Reading]) -> list[ResponsePlot]:
    """One picture for each response check that has readings."""
    checks: dict[str, dict[Measurand, Curve]] = {}
    for reading in readings:
        measurand, found = reading.key.measurand, reading.estimate
        if measurand.quantity in OVER_FREQUENCY and found is not None and measurand.frequency_hz is not None:
            curve = checks.setdefault(reading.key.check, {}).setdefault(
                replace(measurand, frequency_hz=None), []
            )
            curve.append(_Point(reading=reading, frequency_hz=measurand.frequency_hz, found=found))
    return [_plot(check, list(curves.values())) for check, curves in checks.items()]


def _plot(check: str, curves: list[Curve]) -> ResponsePlot:
    curves.sort(key=_furthest, reverse=True)
    drawn = curves[:_MOST_CURVES]
    address = base64.b64encode(draw_svg(2.8, partial(_draw, drawn)).encode()).decode()
    return ResponsePlot(
        check=check,
        address=f"data:image/svg+xml;base64,{address}",
        text="; ".join(_in_words(curve) for curve in drawn),
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


def _draw(curves: Sequence[Curve], figure: "Figure") -> None:
    from matplotlib.ticker import NullFormatter

    panel = figure.subplots()
    figure.subplots_adjust(left=0.075, right=0.72, bottom=0.17, top=0.96)
    for index, curve in enumerate(curves):
        _draw_curve(panel, curve, index)
    points = [point for curve in curves for point in curve]
    _draw_limits(panel, points)
    tones_hz = [point.frequency_hz for point in points]
    panel.set_xscale("log")
    panel.set_xticks(list(_TICKS_HZ), labels=list(_TICKS_HZ.values()))
    panel.xaxis.set_minor_formatter(NullFormatter())
    panel.set_xlim(0.8 * min(tones_hz), 1.25 * max(tones_hz))
    panel.set_xlabel("Hz")
    panel.set_ylabel("dB re 1 kHz")
    panel.grid(visible=True, which="both", color="#dededa", linewidth=0.6)
    panel.spines[["top", "right"]].set_visible(False)
    panel.legend(loc="upper left", bbox_to_anchor=(1.0, 1.02), frameon=False, borderpad=0.1)


def _draw_curve(panel: "Axes", curve: Curve, index: int) -> None:
    points = sorted(curve, key=lambda point: point.frequency_hz)
    found, measurand = [point.found for point in points], points[0].reading.key.measurand
    panel.errorbar(
        [point.frequency_hz for point in points],
        [each.value for each in found],
        yerr=[[each.value - each.low for each in found], [each.high - each.value for each in found]],
        linestyle=_DASHES[index % len(_DASHES)],
        marker=_MARKS[index % len(_MARKS)],
        markersize=3.5,
        color=_COLOURS[index % len(_COLOURS)],
        linewidth=1.1,
        elinewidth=0.7,
        capsize=2,
        label=f"{measurand.where}, {measurand.state}",
    )


def _draw_limits(panel: "Axes", points: Sequence[_Point]) -> None:
    """Draw the limits as they are at each frequency."""
    lows = {(point.frequency_hz, point.reading.limit_low) for point in points}
    highs = {(point.frequency_hz, point.reading.limit_high) for point in points}
    for ends in (lows, highs):
        found = sorted((hz, end) for hz, end in ends if end is not None)
        if found:
            label = None if "limit" in panel.get_legend_handles_labels()[1] else "limit"
            panel.plot(*zip(*found, strict=True), color="#1b1b1b", linewidth=0.9, label=label)
