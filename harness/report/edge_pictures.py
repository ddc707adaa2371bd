"""A record across a change of state as a picture: legs, control line, and marks where things happen."""

import io
from typing import TYPE_CHECKING

import numpy as np

from harness.roles import Capture

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BEFORE_S, AFTER_S = 0.8e-3, 1.5e-3  # shown around the marks
MOST_POINTS = 2400
_SETTINGS = {
    "svg.fonttype": "none",
    "svg.hashsalt": "switchwalk",
    "font.family": "sans-serif",
    "font.size": 9.0,
}
_LOOKS = (("#0b4f8a", "-", "hot"), ("#b3541e", "--", "cold"))
_MARKS = {"edge": ("#444440", "-", "control edge"), "opens": ("#777772", ":", "opens")}
_MARKS |= {
    "closes": ("#777772", "--", "first closes"),
    "settles": ("#777772", "-.", "closes for good"),
}


def draw_edge(capture: Capture) -> str:
    """Draw the stretch around the marks of a capture that has some: an SVG element, as text."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    legs = [row for row, number in enumerate(capture.inputs) if number not in _line_inputs(capture)]
    lines = [row for row, number in enumerate(capture.inputs) if number in _line_inputs(capture)]
    with rc_context(_SETTINGS):  # type: ignore[arg-type]
        figure = Figure(figsize=(9.6, 2.9))
        FigureCanvasSVG(figure)
        heights = [3, 1] if lines else [1]
        panels = figure.subplots(
            len(heights), 1, squeeze=False, sharex=True, gridspec_kw={"height_ratios": heights}
        )[:, 0]
        figure.subplots_adjust(left=0.075, right=0.995, bottom=0.16, top=0.88, hspace=0.12)
        for place, row in enumerate(legs):
            _draw(panels[0], capture, row, _LOOKS[place % 2])
        for row in lines:
            _draw(panels[-1], capture, row, ("#444440", "-", "control line"))
        for panel in panels:
            _draw_marks(panel, capture)
            panel.grid(visible=True, color="#e2e2dd", linewidth=0.5)
            panel.spines[["top", "right"]].set_visible(False)
            panel.set_ylabel("V")
        panels[-1].set_xlabel("ms from the control edge" if _origin_s(capture) else "ms")
        handles, labels = panels[0].get_legend_handles_labels()
        once = dict(zip(labels, handles, strict=True))
        panels[0].legend(
            once.values(), once.keys(), loc="lower left", bbox_to_anchor=(0.0, 0.98), ncols=6, frameon=False
        )
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", metadata={"Date": None})
    text = buffer.getvalue()
    return text[text.index("<svg") :]


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


def _draw(panel: "Axes", capture: Capture, row: int, look: tuple[str, str, str]) -> None:
    """Draw one input between the marks; of many samples the lowest and the highest of each few."""
    times_s = [mark.time_s for mark in capture.marks]
    samples = capture.volts.shape[1]
    first = max(int((min(times_s) - BEFORE_S) / capture.interval_s), 0)
    last = min(int((max(times_s) + AFTER_S) / capture.interval_s), samples)
    each = max((last - first) // (MOST_POINTS // 2), 1)
    count = (last - first) // each
    blocks = capture.volts[row, first : first + count * each].reshape(count, each)
    at = np.sort(np.stack([blocks.argmin(axis=1), blocks.argmax(axis=1)], axis=1), axis=1)
    index = np.unique((at + each * np.arange(count)[:, np.newaxis]).ravel())
    time_ms = 1e3 * ((first + index) * capture.interval_s - _origin_s(capture))
    colour, dash, name = look
    label = name if name == "control line" else f"input {capture.inputs[row]}, {name}"
    panel.plot(time_ms, capture.volts[row, first + index], dash, color=colour, linewidth=1.0, label=label)


def _draw_marks(panel: "Axes", capture: Capture) -> None:
    origin_s = _origin_s(capture)
    for mark in capture.marks:
        colour, dash, label = _MARKS[mark.kind]
        if mark.kind != "edge":
            colour = _LOOKS[capture.inputs.index(mark.input) % 2][0]
        panel.axvline(
            1e3 * (mark.time_s - origin_s), color=colour, linestyle=dash, linewidth=0.9, label=label
        )
