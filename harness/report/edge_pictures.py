"""A record across a change of state as a picture: legs, control line, and marks where things happen."""

from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.report.pictures import LOOKS, draw_svg
from harness.roles import Capture

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BEFORE_S, AFTER_S = 0.8e-3, 1.5e-3  # shown around the marks
MOST_POINTS = 2400
_LINE = "#444440"
_MARKS = {
    "edge": ("-", "control edge"),
    "opens": (":", "opens"),
    "closes": ("--", "first closes"),
    "settles": ("-.", "closes for good"),
}


def draw_edge(capture: Capture) -> str:
    """Draw the stretch around the marks of a capture that has some: an SVG element, as text."""
    return draw_svg(2.9, partial(_draw, capture))


def describe_edge(capture: Capture) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    origin_s = _origin_s(capture)
    said = [
        f"input {mark.input} {_MARKS[mark.kind][1]} at {1e3 * (mark.time_s - origin_s):.3f} ms"
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


def _draw(capture: Capture, figure: "Figure") -> None:
    lines = [row for row, number in enumerate(capture.inputs) if number in _line_inputs(capture)]
    legs = [row for row in range(len(capture.inputs)) if row not in lines]
    heights = [3, 1] if lines else [1]
    panels = figure.subplots(
        len(heights), 1, squeeze=False, sharex=True, gridspec_kw={"height_ratios": heights}
    )[:, 0]
    figure.subplots_adjust(left=0.09, right=0.985, bottom=0.16, top=0.88, hspace=0.1)
    for place, row in enumerate(legs):
        colour, dash, leg = LOOKS[place % 2]
        label = f"input {capture.inputs[row]}, {leg}"
        panels[0].plot(*_thin(capture, row), dash, color=colour, linewidth=1.0, label=label)
    for row in lines:
        panels[-1].plot(*_thin(capture, row), color=_LINE, linewidth=1.0)
    for panel in panels:
        _draw_marks(panel, capture)
        panel.grid(visible=True, color="#dededa", linewidth=0.5)
        panel.spines[["top", "right"]].set_visible(False)
        panel.set_ylabel("V")
        panel.yaxis.set_label_coords(-0.08, 0.5)
        panel.margins(x=0)
    panels[-1].set_xlabel("ms from the control edge" if _origin_s(capture) else "ms")
    handles, labels = panels[0].get_legend_handles_labels()
    once = dict(zip(labels, handles, strict=True))
    panels[0].legend(
        once.values(), once.keys(), loc="lower left", bbox_to_anchor=(0.0, 0.98), ncols=6, frameon=False
    )


def _thin(capture: Capture, row: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Milliseconds and volts of one input; of many samples the lowest and the highest of each few."""
    first, last = _shown(capture)
    each = max((last - first) // (MOST_POINTS // 2), 1)
    count = (last - first) // each
    blocks = capture.volts[row, first : first + count * each].reshape(count, each)
    at = np.sort(np.stack([blocks.argmin(axis=1), blocks.argmax(axis=1)], axis=1), axis=1)
    index = np.unique((at + each * np.arange(count)[:, np.newaxis]).ravel())
    time_s = (first + index).astype(np.float64) * capture.interval_s - _origin_s(capture)
    return 1e3 * time_s, capture.volts[row, first + index]


def _draw_marks(panel: "Axes", capture: Capture) -> None:
    origin_s = _origin_s(capture)
    for mark in capture.marks:
        dash, label = _MARKS[mark.kind]
        colour = _LINE if mark.kind == "edge" else LOOKS[capture.inputs.index(mark.input) % 2][0]
        panel.axvline(
            1e3 * (mark.time_s - origin_s), color=colour, linestyle=dash, linewidth=0.9, label=label
        )
