"""From the two tones of a record to the frequency that was asked for.

The legs are driven at two frequencies, and neither is quite the one of the check. What a unit changes between
them is no property of its legs: behind a coupling capacitor it would read as a loss, and between the legs as
a conversion of common mode.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from harness.arrays import Complex, Flags
from harness.measure.budget import Component
from harness.measure.transfer import PREDICTED, Transfer

NEGLIGIBLE = 3e-7  # of the largest entry: an error that changes less is left out


def at_one_frequency(
    measured: Transfer,
    *,
    at_tones: Transfer,
    at_one: Transfer,
    tones_hz: Sequence[float],
    frequency_hz: float,
    acquisition: str,
) -> Transfer:
    """What a transfer would be with both source legs at one frequency.

    at_tones, at_one: the circuit's predictions at the tones of `measured`, and of both columns at
    frequency_hz. acquisition: a name that no other capture has.

    An entry is multiplied by the ratio that the circuit predicts between the two frequencies. One component
    for each part is what its tolerance changes in this ratio, and in the phase that the column was given. As
    far as an entry is not what the circuit predicts, the step itself is unsure, to second order as much as
    that of a capacitance would be. One of which it predicts next to nothing, or far too much, lies anywhere
    between what is the same at all frequencies and what grows with them.
    """
    values, size = measured.values, np.abs(measured.values)
    foretold = _foretold(size, np.abs(at_tones.values), np.abs(at_one.values))
    own = np.where(foretold, at_tones.values, 1.0)
    halfway = np.sqrt(frequency_hz / np.asarray(tones_hz)) * np.ones_like(size)
    ratio = np.where(foretold, at_one.values / own, halfway)
    moved = values * ratio
    unlike = np.minimum(np.abs(values / own - 1), 1.0)
    unsure = np.where(
        foretold,
        np.abs(ratio - 1) * unlike + np.abs(halfway - 1) * unlike**2,
        np.abs(halfway - 1) / np.sqrt(3),
    )
    least = NEGLIGIBLE * float(size.max(initial=0.0))
    components = [replace(component, delta=component.delta * ratio) for component in measured.components]
    for source, change in _changes(measured, at_tones, at_one, foretold):
        if np.abs(moved * change).max(initial=0.0) > least:
            part = Component(name="tolerance of parts", source=source, delta=moved * change, origin="parts")
            components.append(part)
    delta = values * unsure
    for row, column in np.argwhere(np.abs(delta) > least).tolist():
        alone = np.zeros_like(values)
        alone[row, column] = delta[row, column]
        name = f"{acquisition} step of {row} {column}"
        components.append(
            Component(name="frequency", source=name, delta=alone, even=not foretold[row, column])
        )
    return replace(measured, values=moved, components=tuple(components))


def _foretold(size: Complex, predicted: Complex, stepped: Complex) -> Flags:
    """Whether the circuit says what an entry is, within a factor of ten."""
    return np.asarray((predicted > PREDICTED * size) & (size > PREDICTED * predicted) & (stepped > 0))


def _changes(
    measured: Transfer, at_tones: Transfer, at_one: Transfer, foretold: Flags
) -> Iterator[tuple[str, Complex]]:
    """By part, what one standard uncertainty of it changes in the entries, relative to them."""
    own, one = (np.where(foretold, made.values, 1.0) for made in (at_tones, at_one))
    before = {part.source: np.where(foretold, part.delta / own, 0.0) for part in at_tones.components}
    for part in at_one.components:
        if part.source not in before:
            continue
        change = np.where(foretold, part.delta / one, 0.0) - before[part.source]
        for column, row in enumerate(measured.anchors):
            if row is not None:
                change[:, column] += 1j * before[part.source][row, column].imag
        yield part.source, change
