"""From a scope's codes to volts: the ten-field preamble and its arithmetic. No I/O."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FIELDS = 10


@dataclass(frozen=True, kw_only=True)
class Preamble:
    """How the codes of one record are scaled. Increments are per code and per sample."""

    points: int
    x_increment_s: float
    y_increment_v: float
    y_origin: float  # volts, or counts where the profile says so
    y_reference: float
    x_origin_s: float  # of the first sample, from the trigger


def parse_preamble(text: str) -> Preamble:
    """Read `format, type, points, count, x increment, x origin, x reference, y increment, y origin, y
    reference`.

    Raises ValueError where it has another number of fields, or one that is no usable number.
    """
    fields = text.split(",")
    if len(fields) != FIELDS:
        raise ValueError(f"{FIELDS} fields")
    numbers = [float(field) for field in fields]
    if not all(math.isfinite(number) for number in numbers):
        raise ValueError("numbers that are finite")
    preamble = Preamble(
        points=int(numbers[2]),
        x_increment_s=numbers[4],
        y_increment_v=numbers[7],
        y_origin=numbers[8],
        y_reference=numbers[9],
        x_origin_s=numbers[5] - numbers[6] * numbers[4],
    )
    if preamble.points != numbers[2] or preamble.points < 1:
        raise ValueError("a whole number of points")
    if not (preamble.x_increment_s > 0.0 and preamble.y_increment_v > 0.0):
        raise ValueError("increments above zero")
    return preamble


def to_volts(raw: NDArray[np.uint8], preamble: Preamble, *, origin_in_counts: bool) -> NDArray[np.float64]:
    """Volts of unsigned codes, float64, same shape.

    `(raw - y_reference) * y_increment + y_origin`, and `(raw - y_origin - y_reference) * y_increment` where
    the origin is in counts. In float64 throughout: in unsigned arithmetic what lies below the reference
    would wrap.
    """
    if origin_in_counts:
        return (raw.astype(np.float64) - preamble.y_origin - preamble.y_reference) * preamble.y_increment_v
    return (raw.astype(np.float64) - preamble.y_reference) * preamble.y_increment_v + preamble.y_origin


def clipped(raw: NDArray[np.uint8]) -> int:
    """How many samples are at the first or the last code."""
    return int(np.count_nonzero(raw == 0) + np.count_nonzero(raw == 255))
