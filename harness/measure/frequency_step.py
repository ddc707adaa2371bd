"""From the two tones of a record to the frequency that was asked for.

The legs are driven at two frequencies, and neither is quite the one of the check. What a unit changes between
them is no property of its legs: behind a coupling capacitor it would read as a loss, and between the legs as
a conversion of common mode.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.arrays import Complex, Flags, Floats
from harness.measure.budget import Component
from harness.measure.transfer import PREDICTED, Transfer

STEEPEST = 2.5  # powers of the frequency: a leg whose step is more is near a null, and takes its port's
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
    far as a port does not show what the circuit predicts, the step itself is unsure, to second order as much
    as that of a capacitance would be. One of which it predicts next to nothing, or far too much, lies
    anywhere between what is the same at all frequencies and what grows with them.
    """
    values = measured.values
    step = _Step.of(values, at_tones.values, at_one.values, frequency_hz / np.asarray(tones_hz))
    moved = values * step.ratio
    least = NEGLIGIBLE * float(np.abs(values).max(initial=0.0))
    components = [replace(component, delta=component.delta * step.ratio) for component in measured.components]
    for source, change in _changes(measured, at_tones, at_one, step.foretold):
        if np.abs(moved * change).max(initial=0.0) > least:
            part = Component(name="tolerance of parts", source=source, delta=moved * change, origin="parts")
            components.append(part)
    delta = values * step.unsure
    for hot in range(0, len(values), 2):
        for column in range(values.shape[1]):
            alone = np.zeros_like(values)
            alone[hot : hot + 2, column] = delta[hot : hot + 2, column]
            if np.abs(alone).max() > least:
                even = not step.foretold[hot, column]
                name = f"{acquisition} step of {hot} {column}"
                components.append(Component(name="frequency", source=name, delta=alone, even=even))
    return replace(measured, values=moved, components=tuple(components))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Step:
    """By what each entry is multiplied, and one relative standard uncertainty of that: (legs, 2).

    foretold: whether the circuit says what a port shows of a source leg, within a factor of ten. Both legs of
    a port are as unsure together: what joins them, as a load does, brings the same to both.
    """

    ratio: Complex
    unsure: Floats
    foretold: Flags

    @classmethod
    def of(cls, values: Complex, tones: Complex, one: Complex, frequencies: Floats) -> "_Step":
        """frequencies: of the step, by column, as ratios."""
        size, predicted, stepped, wrong = (_of_port(each) for each in (values, tones, one, values - tones))
        foretold = (predicted > PREDICTED * size) & (size > PREDICTED * predicted) & (stepped > 0)
        halfway = np.sqrt(frequencies) * np.ones_like(size)
        whole = np.where(foretold, stepped / np.where(foretold, predicted, 1.0), halfway)
        own = np.where(tones != 0, one / np.where(tones != 0, tones, 1.0), whole)
        steep = np.abs(np.log(np.maximum(np.abs(own), 1e-30))) > STEEPEST * np.abs(np.log(frequencies)) + 1e-3
        unlike = np.minimum(wrong / np.where(foretold, predicted, 1.0), 1.0)
        return cls(
            ratio=np.where(foretold & ~steep, own, whole),
            unsure=np.where(
                foretold,
                np.abs(whole - 1) * unlike + np.abs(halfway - 1) * unlike**2,
                np.abs(halfway - 1) / np.sqrt(3),
            ),
            foretold=foretold,
        )


def _of_port(values: Complex) -> Floats:
    """Root of the sum of squares of both legs, for each leg."""
    pairs = np.sqrt((np.abs(values) ** 2).reshape(-1, 2, values.shape[1]).sum(axis=1))
    return np.asarray(np.repeat(pairs, 2, axis=0))


def _changes(
    measured: Transfer, at_tones: Transfer, at_one: Transfer, foretold: Flags
) -> Iterator[tuple[str, Complex]]:
    """By part, what one standard uncertainty of it changes in the entries, relative to them."""
    known = foretold & (at_tones.values != 0) & (at_one.values != 0)
    own, one = (np.where(known, made.values, 1.0) for made in (at_tones, at_one))
    before = {part.source: np.where(known, part.delta / own, 0.0) for part in at_tones.components}
    for part in at_one.components:
        if part.source not in before:
            continue
        change = np.where(known, part.delta / one, 0.0) - before[part.source]
        for column, row in enumerate(measured.anchors):
            if row is not None:
                change[:, column] += 1j * before[part.source][row, column].imag
        yield part.source, change
