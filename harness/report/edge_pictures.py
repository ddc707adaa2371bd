"""A record across a change of state as a picture: legs, control line, and marks where things happen."""

import numpy as np

from harness.report.graph import Box, Look, Panel, in_a_row, roomy, svg
from harness.roles import Capture

BEFORE_S, AFTER_S = 0.8e-3, 1.5e-3  # shown around the marks
MOST_POINTS = 2400
WIDTH, HEIGHT = 922, 278
_LEFT, _RIGHT, _TOP, _BOTTOM, _BETWEEN = 69.0, 908.0, 38.0, 233.0, 11.0
_LINES_SHARE = 0.25  # of the height, for the control line below the legs
_LOOKS = ((Look(colour="#0b4f8a"), "hot"), (Look(colour="#b3541e", dash="5 2.2"), "cold"))
_LINE = Look(colour="#444440")
_GREY = "#777772"
_MARKS = {
    "edge": ("#444440", "", "control edge"),
    "opens": (_GREY, "1.2 2", "opens"),
    "closes": (_GREY, "4.4 1.9", "first closes"),
    "settles": (_GREY, "7.7 1.9 1.2 1.9", "closes for good"),
}


def draw_edge(capture: Capture) -> str:
    """Draw the stretch around the marks of a capture that has some: an SVG element, as text."""
    legs = [row for row, number in enumerate(capture.inputs) if number not in _line_inputs(capture)]
    lines = [row for row, number in enumerate(capture.inputs) if number in _line_inputs(capture)]
    above = _BOTTOM - (_LINES_SHARE * (_BOTTOM - _TOP) + _BETWEEN if lines else 0.0)
    panels = [_panel(capture, legs, _TOP, above)]
    if lines:
        panels.append(_panel(capture, lines, above + _BETWEEN, _BOTTOM))
    for place, row in enumerate(legs):
        look, leg = _LOOKS[place % 2]
        panels[0].curve(*_thin(capture, row), look, f"input {capture.inputs[row]}, {leg}")
    for row in lines:
        panels[-1].curve(*_thin(capture, row), _LINE)
    for panel in panels:
        _draw_marks(panel, capture)
        panel.y_axis("V", most=5 if panel is panels[0] else 2)
        panel.x_axis(named=panel is panels[-1])
    panels[-1].x_axis({}, "ms from the control edge" if _origin_s(capture) else "ms")
    return svg(WIDTH, HEIGHT, panels, in_a_row(panels[0].legend, _LEFT, _RIGHT, _TOP - 12))


def describe_edge(capture: Capture) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    origin_s = _origin_s(capture)
    said = [
        f"input {mark.input} {_MARKS[mark.kind][2]} at {1e3 * (mark.time_s - origin_s):.3f} ms"
        for mark in capture.marks
        if mark.kind != "edge"
    ]
    since = " from the control edge" if origin_s else ""
    return f"A change of state{since}: {', '.join(said) or 'no leg changes'}"


def _line_inputs(capture: Capture) -> set[int]:
    """Inputs that see a control line: an edge was marked there."""
    return {mark.input for mark in capture.marks if mark.kind == "edge"}


def _origin_s(capture: Capture) -> float:
    return next((mark.time_s for mark in capture.marks if mark.kind == "edge"), 0.0)


def _shown(capture: Capture) -> tuple[int, int]:
    """First and last sample that are drawn: between the marks, and some before and after."""
    times_s = [mark.time_s for mark in capture.marks]
    first = max(int((min(times_s) - BEFORE_S) / capture.interval_s), 0)
    return first, min(int((max(times_s) + AFTER_S) / capture.interval_s), capture.volts.shape[1])


def _panel(capture: Capture, rows: list[int], top: float, bottom: float) -> Panel:
    first, last = _shown(capture)
    origin_s = _origin_s(capture)
    volts = capture.volts[rows, first:last]
    return Panel(
        box=Box(left=_LEFT, top=top, right=_RIGHT, bottom=bottom),
        x=(1e3 * (first * capture.interval_s - origin_s), 1e3 * (last * capture.interval_s - origin_s)),
        y=roomy((float(volts.min(initial=np.inf)), float(volts.max(initial=-np.inf)))),
    )


def _thin(capture: Capture, row: int) -> tuple[list[float], list[float]]:
    """Milliseconds and volts of one input; of many samples the lowest and the highest of each few."""
    first, last = _shown(capture)
    each = max((last - first) // (MOST_POINTS // 2), 1)
    count = (last - first) // each
    blocks = capture.volts[row, first : first + count * each].reshape(count, each)
    at = np.sort(np.stack([blocks.argmin(axis=1), blocks.argmax(axis=1)], axis=1), axis=1)
    index = np.unique((at + each * np.arange(count)[:, np.newaxis]).ravel())
    time_ms = 1e3 * ((first + index) * capture.interval_s - _origin_s(capture))
    return time_ms.tolist(), capture.volts[row, first + index].tolist()


def _draw_marks(panel: Panel, capture: Capture) -> None:
    origin_s = _origin_s(capture)
    for mark in capture.marks:
        colour, dash, label = _MARKS[mark.kind]
        if mark.kind != "edge":
            colour = _LOOKS[capture.inputs.index(mark.input) % 2][0].colour
        panel.upright(1e3 * (mark.time_s - origin_s), Look(colour=colour, dash=dash, width=1.2), label)
