"""Distortion of a pair's differential: the harmonics of one tone, and everything but the tone.

A generator and an 8-bit scope distort more than relays do. So the harmonics that the same tone shows in the
through hookup, at the same level and on the same ranges, are taken off as phasors (each harmonic's phase is
counted from the fundamental's, so that the records' instants don't matter), and noise by its power. What is
left is said to lie below the uncertainty where it does not stand above it.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.clock import sine_rows
from harness.measure.levels import below, root_of_power
from harness.measure.noise import HIGH_HZ, BandPower, band_power
from harness.measure.tone import ToneFit, fit_tones
from harness.reading import Contribution, Estimate

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

LAST_HARMONIC = 10
LEAST_RATIO = 20.0  # of the fundamental over its standard uncertainty: below, nothing to compare with
STABILITY = 0.05  # of the through hookup's harmonics, per part: common practice, no source


@dataclass(frozen=True, kw_only=True, eq=False)
class Harmonics:
    """What one tone's record holds, as seen differentially.

    fundamental_vrms, and fundamental_standard_vrms. orders: 2, 3, … those within the band. relative: complex,
    each harmonic over the fundamental's magnitude, phase counted from the fundamental's; standard: of each of
    their real and imaginary parts. rest: power in the band of all that is neither tone nor one of these.
    """

    frequency_hz: float
    fundamental_vrms: float
    fundamental_standard_vrms: float
    orders: tuple[int, ...]
    relative: Complex
    standard: Floats
    rest: BandPower


def measure_harmonics(
    volts: Floats,
    interval_s: float,
    frequency_hz: float,
    *,
    step_v: tuple[float, float],
    highest_hz: float = HIGH_HZ,
) -> Harmonics:
    """Find the fundamental and its harmonics up to the tenth, as far as the band goes, in a pair's record.

    volts: hot, cold, shape (2, samples). highest_hz: where the band ends. Raises ReadingError where there is
    no tone, where no harmonic lies in the band, or where the record can't hold them (too short, too few
    samples a second).
    """
    orders = tuple(n for n in range(2, LAST_HARMONIC + 1) if n * frequency_hz <= highest_hz * (1 + 1e-9))
    if not orders:
        raise ReadingError(
            f"no harmonic of {frequency_hz:g} Hz lies under {highest_hz:g} Hz. Take a tone of at most "
            f"{highest_hz / 2:g} Hz"
        )
    fit = fit_tones(volts, interval_s, [frequency_hz * n for n in (1, *orders)], step_v=step_v)
    phasors = fit.phasors[0] - fit.phasors[1]
    standard = np.hypot(fit.standard[0], fit.standard[1])
    level = abs(phasors[0])
    if not level > LEAST_RATIO * standard[0]:
        raise ReadingError(f"there is no tone of {frequency_hz:g} Hz to measure the distortion of")
    turned = phasors[1:] * np.exp(-1j * np.angle(phasors[0]) * np.asarray(orders))
    return Harmonics(
        frequency_hz=frequency_hz,
        fundamental_vrms=float(level),
        fundamental_standard_vrms=float(standard[0]),
        orders=orders,
        relative=np.asarray(turned / level),
        standard=np.asarray(standard[1:] / level),
        rest=band_power(_remainder(volts, interval_s, fit), interval_s, high_hz=highest_hz),
    )


def thd(
    seen: Harmonics,
    through: Harmonics | None,
    *,
    stability: float = STABILITY,
    largest_residual: float = 0.0,
    k: float = 2.0,
) -> Estimate:
    """Total harmonic distortion to the tenth harmonic, over the fundamental, a fraction.

    IEC 60268-3, and meters that notch the fundamental out, divide by the whole signal instead (from memory):
    they read d / sqrt(1 + d²), which is 0.005 % of the reading less at d = 1 %, and 0.5 % less at 10 %.

    through: the same tone in the through hookup. stability: what part of its harmonics may come out otherwise
    in the unit's hookup, one standard uncertainty. Without a through hookup no part of what is seen can be
    laid to the unit, and the result is a floor: no more than that and `largest_residual` together, the
    latter being what generator and scope may have, a fraction.
    Raises ReadingError for a through hookup of another tone.
    """
    power, parts = _harmonic_power(seen, through, stability)
    return _fraction(power, parts, through, largest_residual, k)


def thd_and_noise(
    seen: Harmonics,
    through: Harmonics | None,
    *,
    stability: float = STABILITY,
    largest_residual: float = 0.0,
    k: float = 2.0,
) -> Estimate:
    """Everything from 20 Hz to 20 kHz but the fundamental, over it, a fraction. Arguments as for `thd`.

    The scope's own noise, found in the through hookup, is taken off by its power.
    """
    power, parts = _harmonic_power(seen, through, stability)
    square = seen.fundamental_vrms**2
    power += seen.rest.mean_square_v2 / square
    parts.append(Contribution(name="noise", standard=seen.rest.standard_v2 / square))
    if through is not None:
        power -= through.rest.mean_square_v2 / square
        parts.append(Contribution(name="through reference", standard=through.rest.standard_v2 / square))
    return _fraction(power, parts, through, largest_residual, k)


def _harmonic_power(
    seen: Harmonics, through: Harmonics | None, stability: float
) -> tuple[float, list[Contribution]]:
    """Power of the unit's harmonics over the fundamental's, free of what noise adds to it, and its parts.

    A phasor with noise s in each part has the power |true|² + 2 s² in the mean, and around it the variance
    4 s² |true|² + 4 s⁴.
    """
    difference, variance = seen.relative, seen.standard**2
    shares = {"noise": seen.standard**2}
    if through is not None:
        if through.orders != seen.orders or not math.isclose(
            through.frequency_hz, seen.frequency_hz, rel_tol=1e-6
        ):
            raise ReadingError(
                f"the through hookup's harmonics are of {through.frequency_hz:g} Hz, the unit's of "
                f"{seen.frequency_hz:g} Hz"
            )
        difference = seen.relative - through.relative
        shares["through reference"] = through.standard**2 + (stability * np.abs(through.relative)) ** 2 / 2
        variance = shares["noise"] + shares["through reference"]
    square = np.abs(difference) ** 2
    spread = np.maximum(4 * variance * square - 4 * variance**2, 4 * variance**2)
    power = float(np.sum(square - 2 * variance))
    parts = [
        Contribution(name=name, standard=math.sqrt(float(np.sum(spread * share / variance))))
        for name, share in shares.items()
    ]
    relative = seen.fundamental_standard_vrms / seen.fundamental_vrms
    parts.append(Contribution(name="fit", standard=2 * float(square.sum()) * relative))
    return power, parts


def _fraction(
    power: float,
    parts: list[Contribution],
    through: Harmonics | None,
    largest_residual: float,
    k: float,
) -> Estimate:
    found = root_of_power(power, parts, k=k)
    return found if through is not None else below(found.high + largest_residual, k=k)


def _remainder(volts: Floats, interval_s: float, fit: ToneFit) -> Floats:
    """Take the fitted tones out of a record."""
    radians = 2 * np.pi * interval_s * fit.clock.ratio * np.asarray(fit.frequencies_hz)
    peak = math.sqrt(2) * fit.phasors
    amplitudes = np.empty((len(volts), 1 + 2 * peak.shape[1]))
    amplitudes[:, 0] = fit.offset_v
    amplitudes[:, 1::2], amplitudes[:, 2::2] = peak.real, -peak.imag
    return np.asarray(volts - amplitudes @ sine_rows(volts.shape[1], radians))
