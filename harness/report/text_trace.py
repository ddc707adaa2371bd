"""The two legs of a pair against time, drawn in characters. Pure."""

import numpy as np
from numpy.typing import NDArray

HOT, COLD, BOTH = "o", "x", "*"
ROWS, COLUMNS = 13, 68
_MARGIN = 10


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
            BOTH if both[0] and both[1] else HOT if both[0] else COLD if both[1] else " "
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
