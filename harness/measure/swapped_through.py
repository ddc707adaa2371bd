"""The through setup with the two inputs of every pair swapped: what each input reads of the other output.

It must agree with the straight one: a lead that moved in between, or is not swapped, is a fault of the bench.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from harness.errors import ReadingError
from harness.measure.reference import SwappedReadings, ToneReference, pooled
from harness.measure.through import Shot, own_leg, spread_of

SURE = 4.0  # standard uncertainties: of some twenty pairs and tones, none is off so far by chance
LEAST_DB = 0.1  # less is a generator or a scope that warms up: common practice, no source


def swapped_in_pairs(inputs: Sequence[int]) -> tuple[int, ...]:
    """The two inputs of each pair the other way round: 2, 1, 4, 3…"""
    return tuple(number for hot in range(0, len(inputs), 2) for number in inputs[hot : hot + 2][::-1])


def with_swapped(tone: ToneReference, shots: Sequence[Shot]) -> ToneReference:
    """Add what was read with swapped inputs to the reference at one pair of tones.

    shots: captures at the reference's level and on its drive ranges, rows by leg: hot, cold, hot, cold…, so
    that their inputs are those of the reference, pair by pair the other way round.
    Raises ReadingError for a shot of another level, range or order of inputs, or in which an input does not
    see its output.
    """
    inputs = swapped_in_pairs(tone.inputs)
    for shot in shots:
        if shot.capture.inputs != inputs or shot.emf_vrms != tone.emf_vrms:
            raise ReadingError("the captures with swapped inputs have different inputs or levels")
        if not all(math.isclose(shot.range_of(n), tone.drive_range(n), rel_tol=1e-3) for n in inputs):
            raise ReadingError("the captures with swapped inputs are on other ranges than those of the drive")
    read = [own_leg(shot.fit, inputs) for shot in shots]
    levels = np.stack([np.abs(values) for values, _ in read])
    noise = np.stack([standard for _, standard in read])
    rows = [inputs.index(number) for number in tone.inputs]
    spread = spread_of(levels[:, rows], noise[:, rows])
    standard = np.sqrt(np.sum(noise**2, axis=0)) / len(shots)
    swapped = SwappedReadings(
        source=tuple(float(value) for value in levels.mean(axis=0)[rows]),
        source_standard=tuple(float(value) for value in standard[rows]),
        spread=spread,
        repeatability=pooled([spread])[0],
    )
    return replace(tone, swapped=swapped)


def contradictions(tones: Sequence[ToneReference]) -> Iterator[str]:
    """Say which pairs read other levels with swapped inputs than the straight through setup allows.

    A pair's ratio of gains is had twice, once of each output. Both differ by what changed between the setups
    in either input, its lead, or the outputs' levels.
    """
    for tone in tones:
        for hot in range(0, len(tone.inputs), 2):
            apart_db, standard_db = _apart_db(tone, hot)
            if abs(apart_db) > max(LEAST_DB, SURE * standard_db):
                first, second = tone.inputs[hot : hot + 2]
                yield (
                    f"with swapped inputs, inputs {first} and {second} together show {apart_db:+.2f} dB from "
                    f"what they show without at {tone.frequencies_hz[0]:g} Hz: one of their leads, or the "
                    "generator's level, has changed between the two through setups"
                )
                break


def _apart_db(tone: ToneReference, hot: int) -> tuple[float, float]:
    """Ratio of a pair's gains by the hot output over that by the cold one, dB, with its uncertainty."""
    swapped = tone.swapped
    if swapped is None:
        raise ValueError("the reference has nothing of swapped inputs")
    own, other = np.abs(tone.source[hot : hot + 2]), np.asarray(swapped.source[hot : hot + 2])
    apart = float(np.log(other[1] / own[0] * other[0] / own[1]))
    shares = [
        part
        for row in (hot, hot + 1)
        for part in (
            tone.source_standard[row] / abs(tone.source[row]),
            swapped.source_standard[row] / swapped.source[row],
            tone.repeatability.standard[row] / math.sqrt(tone.spread.records),
            swapped.repeatability.standard[row] / math.sqrt(swapped.spread.records),
        )
    ]
    return 20 / math.log(10) * apart, 20 / math.log(10) * math.hypot(*shares)
