"""One transfer from two of the same legs, taken with each pair's scope inputs exchanged, through a reference.

A through reference has each input's reading of one source alone, so the ratio r of a pair's two gains is
unknown. With the inputs one way round r is in the entries that cross, where an input sees the source that
its partner saw in the reference; with the inputs exchanged it is in the others. Together the two transfers
show r, and both can be freed of it. Without a reference see `common_mode.exchanged`.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.budget import merged
from harness.measure.transfer import Transfer

Complex = NDArray[np.complex128]
CLEAR = 20.0  # times its standard uncertainty: below, a leg's signal tells no ratio


def without_gain_ratios(plain: Transfer, swapped: Transfer) -> Transfer:
    """Combine the transfers of a hookup and of its exchange, both by leg, both corrected by the reference.

    A pair one of whose legs shows too little of its own source to tell a ratio by is left as `plain` has it.
    Raises ReadingError for transfers of different legs.
    """
    if plain.values.shape != swapped.values.shape:
        raise ReadingError("an exchange of inputs needs two transfers of the same legs")
    told = _told(plain) & _told(swapped)
    both = (
        (component, place, component.delta)
        for place, transfer in enumerate((plain, swapped))
        for component in transfer.components
    )
    components = []
    for component in merged((2, *plain.values.shape), both):
        first, second = component.delta
        above = _combined(plain.values + first, swapped.values + second, told)
        below = _combined(plain.values - first, swapped.values - second, told)
        components.append(replace(component, delta=(above - below) / 2))
    return Transfer(
        values=_combined(plain.values, swapped.values, told),
        components=tuple(components),
        phase_known=plain.phase_known and swapped.phase_known,
        polarity_known=plain.polarity_known and swapped.polarity_known,
    )


def _combined(plain: Complex, swapped: Complex, told: NDArray[np.bool_]) -> Complex:
    """The mean of both, each freed of the ratio that they show together, pair by pair."""
    mean = plain.copy()
    for hot in range(0, len(plain), 2):
        cold = hot + 1
        if not told[hot] or not told[cold]:
            continue
        # The geometric mean of both legs is free of what a source's level did in between.
        ratio = np.sqrt(plain[hot, 0] / swapped[hot, 0] * swapped[cold, 1] / plain[cold, 1])
        mean[hot, 0] = (plain[hot, 0] + swapped[hot, 0] * ratio) / 2
        mean[cold, 1] = (plain[cold, 1] + swapped[cold, 1] / ratio) / 2
        mean[hot, 1] = (plain[hot, 1] / ratio + swapped[hot, 1]) / 2
        mean[cold, 0] = (plain[cold, 0] * ratio + swapped[cold, 0]) / 2
    return mean


def _told(transfer: Transfer) -> NDArray[np.bool_]:
    """By leg, whether its own source stands clear of the noise."""
    square = np.zeros(transfer.values.shape)
    for component in transfer.components:
        if component.origin == "noise":
            square += np.abs(component.delta) ** 2
    rows = np.arange(len(square))
    own = np.abs(transfer.values[rows, rows % 2])
    return np.asarray(own > np.maximum(CLEAR * np.sqrt(square[rows, rows % 2]), 1e-9))
