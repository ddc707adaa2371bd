"""Waveforms as small pictures. No state outside the figure: matplotlib's pyplot is not used."""

import io
from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.roles import Capture

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_BINS = 240
"""Points across: each is drawn with its lowest and highest sample, so that no peak is lost."""

WIDTH = 9.6  # inches: 922 pixels
SETTINGS = {
    "svg.fonttype": "none",
    "svg.hashsalt": "switchwalk",
    "font.family": "sans-serif",
    "font.size": 9.0,
}
LOOKS = (("#0b4f8a", "-", "hot"), ("#b3541e", "--", "cold"))


def draw_svg(height: float, draw: "Callable[[Figure], None]") -> str:
    """Draw on a figure as wide as a page, its height in inches: SVG, the same for the same data."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context(SETTINGS):  # type: ignore[arg-type]
        figure = Figure(figsize=(WIDTH, height))
        draw(figure)
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", metadata={"Date": None})
    text = buffer.getvalue()
    return text[text.index("<svg") :]


def draw_waveform(capture: Capture, *, window_s: float) -> str:
    """Draw the first `window_s` of a capture, one panel for each pair of inputs: an SVG element, as text.

    A capture's rows are legs, hot first, whichever input of a pair sees them: an exchange swaps the inputs.
    """
    return draw_svg(2.4, partial(_draw_pairs, capture, window_s))


def draw_traces(traces: Sequence[tuple[str, Capture, float]]) -> bytes:
    """Draw titles, captures and their windows in seconds, one row of panels for each: a PNG picture."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with rc_context(SETTINGS):  # type: ignore[arg-type]
        figure = Figure(figsize=(WIDTH, 2.8 * len(traces)), layout="constrained")
        FigureCanvasAgg(figure)
        rows = figure.subfigures(len(traces), 1, squeeze=False)[:, 0]
        for part, (title, capture, window_s) in zip(rows, traces, strict=True):
            pairs = sorted({(number + 1) // 2 for number in capture.inputs})
            panels = part.subplots(1, len(pairs), squeeze=False, sharey=True)[0]
            part.suptitle(title)
            for panel, pair in zip(panels, pairs, strict=True):
                _draw_pair(panel, capture, pair, window_s)
            panels[0].set_ylabel("V")
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=120)
    return buffer.getvalue()


def _draw_pairs(capture: Capture, window_s: float, figure: "Figure") -> None:
    pairs = sorted({(number + 1) // 2 for number in capture.inputs})
    panels = figure.subplots(1, len(pairs), squeeze=False, sharey=True)[0]
    figure.subplots_adjust(left=0.065, right=0.995, bottom=0.19, top=0.88, wspace=0.05)
    for panel, pair in zip(panels, pairs, strict=True):
        _draw_pair(panel, capture, pair, window_s)
    panels[0].set_ylabel("V")


def _draw_pair(panel: "Axes", capture: Capture, pair: int, window_s: float) -> None:
    panel.set_xlabel("ms")
    panel.grid(visible=True, color="#d9d9d4", linewidth=0.6)
    panel.spines[["top", "right"]].set_visible(False)
    for row, number in enumerate(capture.inputs):
        if (number + 1) // 2 == pair:
            colour, dash, leg = LOOKS[row % 2]
            time_s, volts = _thin(capture.volts[row], capture.interval_s, window_s)
            panel.plot(1e3 * time_s, volts, dash, color=colour, linewidth=1.1, label=f"input {number}, {leg}")
    panel.legend(loc="lower left", bbox_to_anchor=(0.0, 0.98), ncols=2, frameon=False, borderpad=0.1)


def _thin(
    volts: NDArray[np.float64], interval_s: float, window_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Reduce samples to the lowest and highest of each bin, in the order they came."""
    count = min(len(volts), max(2, round(window_s / interval_s)))
    if count <= 2 * _BINS:
        return _times(np.arange(count), interval_s), volts[:count]
    size = count // _BINS
    blocks = volts[: size * _BINS].reshape(_BINS, size)
    ends = np.sort(np.stack([blocks.argmin(axis=1), blocks.argmax(axis=1)], axis=1), axis=1)
    index = (ends + size * np.arange(_BINS)[:, np.newaxis]).ravel()
    return _times(index, interval_s), volts[index]


def _times(index: NDArray[np.int64], interval_s: float) -> NDArray[np.float64]:
    return index.astype(np.float64) * interval_s
