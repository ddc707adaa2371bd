"""Frequency response: the gain at each of many frequencies less the gain at 1 kHz."""

from harness.measure.quantities import View, level_ratio
from harness.reading import Estimate

REFERENCE_HZ = 1000.0


def response(view: View, reference: View, k: float = 2.0) -> Estimate:
    """Gain at one frequency less the gain of the same port at 1 kHz, dB.

    Components that both transfers share (an input's gain, a level) act on both at once, so what is common to
    all frequencies cancels. Raises ReadingError where there is no signal at 1 kHz.
    """
    return level_ratio(view, reference, k)
