"""Common-mode rejection from the transfer matrix, and the exchange of a pair's two scope inputs.

Under a common drive a pair's differential is a small difference of two large readings, each through a scope
input of its own, so a difference of these inputs' gains looks like conversion. Read once with the inputs one
way round and once the other, each leg's mean has the same gain, and the difference cancels.
"""

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.budget import merged, propagate
from harness.measure.quantities import View, differential
from harness.measure.transfer import Transfer
from harness.reading import Estimate

Complex = NDArray[np.complex128]


def converted(h: Complex, hot: int, cold: int) -> Complex:
    """Differential volts at a port per volt of e.m.f. on both source legs in phase. h: (…, legs, 2)."""
    pair = h[..., hot, :] - h[..., cold, :]
    return np.asarray(pair[..., 0] + pair[..., 1])


def common_mode_rejection(view: View, k: float = 2.0) -> Estimate:
    """Differential gain over the conversion of a common drive to differential, dB, positive when good.

    Both are of one transfer, so whatever scales both legs alike cancels. The common drive is the e.m.f. on
    both legs, not half their sum at the port. Where no conversion stands above the uncertainty the rejection
    is a floor the other way round: `value` and `low` are what it is at least, `high` is infinite.
    Raises ReadingError where the port shows no differential signal.
    """
    gain = propagate(
        lambda h: differential(h, view.hot, view.cold),
        view.transfer.values,
        view.transfer.components,
        coverage_factor=k,
        scale="db",
    )
    if gain.floor:
        raise ReadingError("the port shows no signal, so it has no common-mode rejection")
    found = propagate(
        lambda h: converted(h, view.hot, view.cold) / differential(h, view.hot, view.cold),
        view.transfer.values,
        view.transfer.components,
        coverage_factor=k,
        scale="db",
    )
    return Estimate(
        value=-found.value,
        standard=found.standard,
        low=-found.high,
        high=-found.low,
        coverage_factor=found.coverage_factor,
        floor=found.floor,
        budget=found.budget,
    )


def worst_rejection(first: Estimate, second: Estimate) -> Estimate:
    """The lower of two rejections: 10 ohm added to the hot source leg, then to the cold one.

    That is the source that IEC 60268-3 asks for since its edition of 2000 (from memory). Each needs a hookup
    of its own whose source leg has the resistor. Its effect can't be computed from readings made without it,
    as what it converts depends on the port's own impedance to ground. A rejection of which only a lower bound
    is known is the worse one where that bound is the lower.
    """
    return first if first.low <= second.low else second


def exchanged(first: Transfer, second: Transfer) -> Transfer:
    """Combine two transfers of the same legs, taken with the pairs' two scope inputs exchanged.

    Both have their rows by leg: hot, cold, hot, cold… In `second` each leg was seen through the input that
    its partner had in `first`. The mean of both sees both legs of a pair through the mean of its two gains: a
    component "input gain" of either input is then the same relative change of both legs, and cancels in
    whatever is a ratio within the pair. Noise is averaged. Raises ReadingError for transfers of different
    legs.
    """
    if first.values.shape != second.values.shape:
        raise ReadingError("an exchange of inputs needs two transfers of the same legs")
    halves = (
        (component, slice(None), component.delta / 2)
        for transfer in (first, second)
        for component in transfer.components
    )
    return Transfer(
        values=(first.values + second.values) / 2,
        components=merged(first.values.shape, halves),
        phase_known=first.phase_known and second.phase_known,
        polarity_known=first.polarity_known and second.polarity_known,
    )
