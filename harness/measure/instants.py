"""Instants in a record and how sure they are: edges of a control line, and where one course gives way."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.budget import estimate
from harness.reading import Contribution, Estimate

Floats = NDArray[np.float64]

LEAST_STEP = 10.0  # of a control line's two levels, over its noise
UNIFORM = 1 / math.sqrt(12)  # standard uncertainty of what lies anywhere in an interval of 1


@dataclass(frozen=True, kw_only=True)
class Instant:
    """Seconds from a record's first sample, with one standard uncertainty.

    even_s: the part of that which is of an even distribution, such as anywhere between two samples.
    """

    time_s: float
    standard_s: float
    even_s: float = 0.0


def between(first: Instant, second: Instant, *, names: tuple[str, str], k: float = 2.0) -> Estimate:
    """Time from the first instant to the second, s; names: of their two lines in the budget."""
    lines = [
        Contribution(name=name, standard=instant.standard_s)
        for name, instant in zip(names, (first, second), strict=True)
    ]
    return estimate(second.time_s - first.time_s, lines, k, even=(first.even_s, second.even_s))


def state_levels(volts: Floats) -> tuple[float, float]:
    """Low and high state of a two-level waveform: the medians of what lies under and over its middle.

    IEEE Std 181 takes the modes of each half's histogram; medians are its robust kin for a clean line.
    """
    middle = (float(volts.min()) + float(volts.max())) / 2
    return float(np.median(volts[volts <= middle])), float(np.median(volts[volts >= middle]))


def find_edge(volts: Floats, interval_s: float) -> Instant:
    """First transition of a control line, either way: the instant of its 50 % level (IEEE Std 181).

    volts: shape (samples,). The transition must go from beyond 10 % to beyond 90 % of the two states'
    distance; the instant is interpolated linearly between the samples on either side of the middle, and is as
    uncertain as the step between these two is large, and the noise against the slope.
    Raises ReadingError where the line does not change.
    """
    low, high = state_levels(volts)
    amplitude = high - low
    # The median magnitude of white noise's differences is 0.6745 times root 2 of its RMS.
    noise = float(np.median(np.abs(np.diff(volts)))) / 0.9539
    if not amplitude > LEAST_STEP * max(noise, 1e-12):
        raise ReadingError(
            "the control line does not change in this record: its lead, or the command, is missing"
        )
    level = (volts - low) / amplitude
    settled = np.where(level > 0.9, 1, np.where(level < 0.1, -1, 0))
    known = np.flatnonzero(settled)
    changes = np.flatnonzero(np.diff(settled[known]))
    if len(changes) == 0:
        raise ReadingError(
            "the control line does not change in this record: it never goes from one state to the other"
        )
    first, last = int(known[changes[0]]), int(known[changes[0] + 1])
    over = level[first : last + 1] > 0.5
    place = first + int(np.flatnonzero(over != over[0])[0]) - 1
    step = float(level[place + 1] - level[place])
    jump = min(abs(step), 1.0)
    return Instant(
        time_s=(place + (0.5 - float(level[place])) / step) * interval_s,
        standard_s=interval_s * math.hypot(UNIFORM * jump, noise / amplitude / abs(step)),
        even_s=interval_s * UNIFORM * jump,
    )


def boundary(gone: Floats, to_come: Floats, first_sample: int, interval_s: float) -> Instant:
    """Where one course of a waveform gives way to another, by how badly each fits what lies on its side.

    gone: half the squared, normalised residual of the left course, summed over the samples before each one;
    to_come: of the right course, summed from each one on; both of shape (samples + 1,), for samples from
    `first_sample` of the record. The change comes before a sample by the probability exp(-(gone + to_come)):
    where the courses cross one another it is less sure. Within a sample's interval it is anywhere.
    """
    cost = gone + to_come
    chance = np.exp(-(cost - cost.min()))
    chance /= chance.sum()
    places = np.arange(len(cost))
    mean = float(chance @ places)
    variance = float(chance @ (places - mean) ** 2)
    return Instant(
        time_s=(first_sample + mean - 0.5) * interval_s,
        standard_s=interval_s * math.sqrt(variance + UNIFORM**2),
        even_s=interval_s * UNIFORM,
    )
