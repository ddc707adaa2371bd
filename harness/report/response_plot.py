"""Responses over frequency as one small SVG picture for each check."""

import base64
from collections.abc import Sequence
from dataclasses import dataclass

from harness.reading import Reading
from harness.report.graph import Box, Look, Panel, in_a_column, roomy, svg

_MOST_CURVES = 8  # more would be a thicket; the worst are drawn
_WIDTH, _HEIGHT = 922, 269
_BOX = Box(left=69.0, top=11.0, right=664.0, bottom=223.0)
_TICKS_HZ = {20.0: "20", 100.0: "100", 1e3: "1 k", 1e4: "10 k", 2e4: "20 k", 1e5: "100 k"}
_DASHES = ("", "5.4 2.3", "9.4 2.3 1.5 2.3", "1.5 2.4")
_COLOURS = ("#0b4f8a", "#b3541e", "#3c6e2f", "#6b3f7c")
_MARKS = "os^Dv<>p"

Curve = list[Reading]


@dataclass(frozen=True, kw_only=True)
class ResponsePlot:
    """A picture as a data address, what it shows in words, and how many curves are not in it."""

    check: str
    address: str
    text: str
    left_out: int


def response_plots(readings: Sequence[Reading]) -> list[ResponsePlot]:
    """One picture for each response check that has readings."""
    checks: dict[str, dict[tuple[str, str, str], Curve]] = {}
    for reading in readings:
        if reading.quantity == "response" and reading.value is not None and reading.frequency_hz is not None:
            place = (reading.where, reading.state, reading.hookup)
            checks.setdefault(reading.check, {}).setdefault(place, []).append(reading)
    return [_plot(check, list(curves.values())) for check, curves in checks.items()]


def _plot(check: str, curves: list[Curve]) -> ResponsePlot:
    curves.sort(key=_furthest, reverse=True)
    drawn = curves[:_MOST_CURVES]
    address = base64.b64encode(_draw(drawn).encode()).decode()
    return ResponsePlot(
        check=check,
        address=f"data:image/svg+xml;base64,{address}",
        text="; ".join(_in_words(curve) for curve in drawn),
        left_out=len(curves) - len(drawn),
    )


def _furthest(curve: Curve) -> float:
    return max(abs(reading.value or 0.0) for reading in curve)


def _in_words(curve: Curve) -> str:
    worst = max(curve, key=lambda reading: abs(reading.value or 0.0))
    return (
        f"{worst.where} in {worst.state}: {worst.value:+.3f} dB at {worst.frequency_hz:g} Hz is furthest "
        "from its level at 1 kHz"
    )


def _draw(curves: Sequence[Curve]) -> str:
    readings = [reading for curve in curves for reading in curve]
    tones_hz = [reading.frequency_hz or 1.0 for reading in readings]
    ends = ("value", "low", "high", "limit_low", "limit_high")
    values = [getattr(reading, end) for reading in readings for end in ends]
    lowest_hz, highest_hz = 0.8 * min(tones_hz), 1.25 * max(tones_hz)
    panel = Panel(
        box=_BOX,
        x=(lowest_hz, highest_hz),
        y=roomy(value for value in values if value is not None),
        log_x=True,
    )
    for index, curve in enumerate(curves):
        _draw_curve(panel, curve, index)
    _draw_limits(panel, readings)
    decades = (digit * 10.0**power for power in range(7) for digit in range(1, 10))
    panel.x_axis({hz: _TICKS_HZ.get(hz, "") for hz in decades if lowest_hz <= hz <= highest_hz}, "Hz")
    panel.y_axis("dB re 1 kHz", most=7)
    return svg(_WIDTH, _HEIGHT, [panel], in_a_column(panel.legend, _BOX.right + 14, _BOX.top + 8))


def _draw_curve(panel: Panel, curve: Curve, index: int) -> None:
    points = sorted(curve, key=lambda reading: reading.frequency_hz or 0.0)
    look = Look(
        colour=_COLOURS[index % len(_COLOURS)],
        dash=_DASHES[index % len(_DASHES)],
        mark=_MARKS[index % len(_MARKS)],
    )
    values = [reading.value or 0.0 for reading in points]
    for reading, value in zip(points, values, strict=True):
        low = value if reading.low is None else reading.low
        high = value if reading.high is None else reading.high
        panel.bar(reading.frequency_hz or 1.0, low, high, look)
    tones_hz = [reading.frequency_hz or 1.0 for reading in points]
    panel.curve(tones_hz, values, look, f"{points[0].where}, {points[0].state}")


def _draw_limits(panel: Panel, readings: Sequence[Reading]) -> None:
    """Draw the limits as they are at each frequency."""
    for ends in ("limit_low", "limit_high"):
        found = sorted(
            {
                (reading.frequency_hz or 1.0, getattr(reading, ends))
                for reading in readings
                if getattr(reading, ends) is not None
            }
        )
        if found:
            tones_hz, ends_db = zip(*found, strict=True)
            panel.curve(tones_hz, ends_db, Look(colour="#1b1b1b", width=1.2), "limit")
