"""Frequency response: the gain at each of many frequencies less the gain at 1 kHz."""

from collections.abc import Mapping

from harness.errors import ReadingError
from harness.measure.budget import Estimate
from harness.measure.quantities import View, level_ratio

REFERENCE_HZ = 1000.0

# Third-octave mid-band frequencies, 20 Hz to 20 kHz, by their nominal names (IEC 61260-1, annex E)
NOMINAL_HZ = (
    20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0,
    800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10000.0, 12500.0,
    16000.0, 20000.0,
)  # fmt: skip


def exact_hz(nominal_hz: float) -> float:
    """Exact mid-band frequency behind a nominal one: 1000·10^(n/10) Hz, base ten (IEC 61260-1).

    Raises ReadingError for what is no nominal frequency of the audio band.
    """
    if nominal_hz not in NOMINAL_HZ:
        raise ReadingError(f"{nominal_hz:g} Hz is no nominal third-octave frequency from 20 Hz to 20 kHz")
    return float(REFERENCE_HZ * 10 ** ((NOMINAL_HZ.index(nominal_hz) - NOMINAL_HZ.index(REFERENCE_HZ)) / 10))


def response(view: View, reference: View, k: float = 2.0) -> Estimate:
    """Gain at one frequency less the gain of the same port at 1 kHz, dB.

    Components that both transfers share (an input's gain, a level) act on both at once, so what is common to
    all frequencies cancels. Raises ReadingError where there is no signal at 1 kHz.
    """
    return level_ratio(view, reference, k)


def response_curve(views: Mapping[float, View], k: float = 2.0) -> tuple[tuple[float, Estimate], ...]:
    """Response at every frequency, ascending: pairs of frequency in Hz and estimate in dB.

    views: by the frequency asked for, 1 kHz among them; it reads 0 dB, certain, by definition.
    Raises ReadingError where 1 kHz is missing.
    """
    reference = views.get(REFERENCE_HZ)
    if reference is None:
        raise ReadingError("a response needs the gain at 1 kHz to compare with")
    return tuple((hz, response(views[hz], reference, k)) for hz in sorted(views))
