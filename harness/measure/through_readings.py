"""How what was read in the through setups acts on a pair of a later transfer, and so does an error of it.

A pair's two inputs, A and B, have gains a and b. In the through setup A reads the hot output H and B the cold
one C: aH and bC. Each column of a transfer is divided by what the pair read of its output, so that the gain
stays where an input sees the output that its partner read: b/a where B sees the hot output, a/b where A sees
the cold one. With the inputs swapped B reads bH' and A aC', and the ratio is known from all four readings:
b/a = √(bH'/aH · bC/aC'), free of what both outputs did in between.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt

import numpy as np

from harness.arrays import Complex, Floats
from harness.measure.reference import Repeatability, ToneReference


@dataclass(frozen=True, kw_only=True, eq=False)
class ThroughReading:
    """One input's reading of one output, and what an error of it changes in the transfers of its pair.

    leg: that the input reads in the through setup, 0 hot, 1 cold. noise, repeats: relative standard
    uncertainty of the mean of its records, by noise and by how records differ beyond it; freedom: degrees of
    freedom of the latter. magnitude, phase: (2, 2), relative change of each entry per relative error of the
    reading's magnitude, and per radian of its phase.
    """

    name: str
    leg: int
    noise: float
    repeats: float
    freedom: float
    magnitude: Floats
    phase: Floats


def corrections(reference: ToneReference, pair: tuple[int, ...]) -> Complex:
    """Factors of a pair's volts that make transfers of them, (2, 2). pair: inputs, of the hot leg first."""
    result = np.ones((2, 2), dtype=np.complex128)
    for number in pair:
        index = reference.inputs.index(number)
        result[:, index % 2] *= reference.through[index] / reference.source[index]
    ratio = reference.ratio_of(reference.inputs.index(min(pair)))
    return result if ratio is None else result * ratio ** in_crossing(reference, pair)


def through_readings(reference: ToneReference, pair: tuple[int, ...]) -> Iterator[ThroughReading]:
    """All readings of a pair's inputs. pair: as in `corrections`."""
    crossing, swapped = in_crossing(reference, pair), reference.swapped
    for number in pair:
        index = reference.inputs.index(number)
        leg = index % 2
        divides = np.zeros((2, 2))
        divides[:, leg] = -1.0
        of_ratio = crossing / 2 if leg else -crossing / 2
        repeats, freedom = _of_mean(reference.repeatability, index, reference.spread.records)
        yield ThroughReading(
            name=str(number),
            leg=leg,
            noise=reference.source_standard[index] / abs(reference.source[index]),
            repeats=repeats,
            freedom=freedom,
            magnitude=divides if swapped is None else divides + of_ratio,
            phase=divides,
        )
        if swapped is not None:
            repeats, freedom = _of_mean(swapped.repeatability, index, swapped.spread.records)
            yield ThroughReading(
                name=f"{number} swapped",
                leg=leg,
                noise=swapped.source_standard[index] / swapped.source[index],
                repeats=repeats,
                freedom=freedom,
                magnitude=of_ratio,
                phase=np.zeros((2, 2)),
            )


def in_crossing(reference: ToneReference, pair: tuple[int, ...]) -> Floats:
    """The power of the cold input's gain over the hot one's by which each entry is corrected."""
    result = np.zeros((2, 2))
    for row, number in enumerate(pair):
        leg = reference.inputs.index(number) % 2
        result[row, 1 - leg] = -1.0 if leg else 1.0
    return result


def _of_mean(repeatability: Repeatability, index: int, records: int) -> tuple[float, float]:
    """Of the mean of so many records, s/√n (JCGM 100:2008, 4.2.3), and its degrees of freedom."""
    return repeatability.standard[index] / sqrt(records), repeatability.freedom[index]
