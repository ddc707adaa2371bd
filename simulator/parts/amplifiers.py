"""What an amplifier adds of its own: offset, distortion, hum, and noise that is white and 1/f.

All are e.m.f.s in series with its output, between the legs. What it distorts is what it amplifies of the
generator's fundamentals, out = gain (x + a2 x² + a3 x³); the part of x³ that is like x is left out, so that
an amplifier's gain is what module.toml says.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from math import log, pi

import numpy as np

from simulator.circuit import Floats
from simulator.imperfections import Imperfections
from simulator.sources import HUM_HZ, generator_for

# Common practice, no source: a good audio operational amplifier's output in a good unit.
OFFSET_V = 5e-3
BENT_PER_V = (1e-4, 1e-3)  # a2 and a3, per volt and per volt squared at the input
NOISE_V = (8e-6, 30e-6)  # RMS in 20 kHz, the white part: -100 to -88 dBu
CORNER_HZ = (5.0, 200.0)  # below it 1/f prevails
HUM_V = (3e-6, 20e-6)  # peak, at each of HUM_HZ
BAND_HZ = 20e3
BANDWIDTH_HZ = 40e3  # of its noise, one pole: a scope folds in little of it
STEP = 4.0  # between the corners whose sum stands for 1/f
STEPS = 8  # from 1 Hz to 16 kHz


@dataclass(frozen=True, kw_only=True)
class OwnSignals:
    """Of one amplifier, at its output; white_v is per root hertz, hum_v a phasor at each of HUM_HZ."""

    offset_v: float
    square_per_v: float
    cube_per_v2: float
    white_v: float
    corner_hz: float
    hum_v: tuple[complex, ...]


def own_signals(part: str, serial: str, name: str, imperfections: Imperfections) -> OwnSignals:
    """Draw those of one amplifier of a unit."""
    rng = generator_for("amplifier", part, serial, name)

    def between(limits: tuple[float, float]) -> float:
        return float(np.exp(rng.uniform(*np.log(limits))))

    bent = imperfections.amplifier_distortion
    return OwnSignals(
        offset_v=imperfections.amplifier_offset * OFFSET_V * float(rng.uniform(-1, 1)),
        square_per_v=bent * between(BENT_PER_V) * float(rng.choice((-1, 1))),
        cube_per_v2=bent * between(BENT_PER_V) * float(rng.choice((-1, 1))),
        white_v=imperfections.amplifier_noise * between(NOISE_V) / BAND_HZ**0.5,
        corner_hz=between(CORNER_HZ),
        hum_v=tuple(
            complex(imperfections.amplifier_hum * between(HUM_V) * np.exp(2j * pi * rng.uniform()))
            for _ in HUM_HZ
        ),
    )


def products(own: OwnSignals, gain: float, inputs_v: Mapping[float, complex]) -> dict[float, complex]:
    """Phasors of what an amplifier makes of tones at its input, by frequency in Hz; 0 Hz is a constant.

    inputs_v: peak volts between its inputs, by frequency. With x = Re sum X_i exp(j w_i t), x² has |X|²/2 at
    0, X²/2 at twice each and X1 X2 at sum and (X2*) difference; x³ has X³/4 at three times each, 3/4 X1² X2
    at 2 w1 + w2 and (X2*) 2 w1 - w2.
    """
    result: dict[float, complex] = {}

    def add(frequency_hz: float, phasor: complex) -> None:
        at_hz = abs(frequency_hz)
        turned = phasor.conjugate() if frequency_hz < 0 else phasor
        result[at_hz] = result.get(at_hz, 0.0) + turned

    square, cube = gain * own.square_per_v, gain * own.cube_per_v2
    for hz, x in inputs_v.items():
        add(0.0, complex(square * abs(x) ** 2 / 2))
        add(2 * hz, square * x**2 / 2)
        add(3 * hz, cube * x**3 / 4)
    for (hz, x), (other_hz, y) in combinations(inputs_v.items(), 2):
        add(hz + other_hz, square * x * y)
        add(hz - other_hz, square * x * y.conjugate())
        for f, a, g, b in ((hz, x, other_hz, y), (other_hz, y, hz, x)):
            add(2 * f + g, 0.75 * cube * a**2 * b)
            add(2 * f - g, 0.75 * cube * a**2 * b.conjugate())
    return result


class Noise:
    """The noise of one amplifier on a record, made piece by piece without a break.

    1/f is the sum of first-order processes whose corners are `STEP` apart: the sum of A/(1 + (f/fk)²) with
    A = w² fc/fk · 2 ln STEP/pi is w² fc/f, as its integral over ln fk is.
    """

    def __init__(self, own: OwnSignals, *, interval_s: float, rng: np.random.Generator) -> None:
        self._rng = rng
        corners_hz = STEP ** np.arange(STEPS)
        densities = own.white_v**2 * own.corner_hz / corners_hz * 2 * log(STEP) / pi
        filters = [(own.white_v**2, BANDWIDTH_HZ), *zip(densities, corners_hz, strict=True)]
        self._kept = [float(np.exp(-2 * pi * corner_hz * interval_s)) for _, corner_hz in filters]
        # One-sided density D up to a corner fk is D pi fk/2 in all, what folds in included.
        self._standard = [float(np.sqrt(density * pi * corner_hz / 2)) for density, corner_hz in filters]
        self._last = [standard * float(rng.standard_normal()) for standard in self._standard]

    def next(self, count: int) -> Floats:
        """Volts at the next `count` samples."""
        from scipy.signal import lfilter  # takes 0.3 s, and few modules have amplifiers

        total = np.zeros(count)
        for number, (kept, standard) in enumerate(zip(self._kept, self._standard, strict=True)):
            if standard == 0.0:
                continue
            drive = standard * (1 - kept**2) ** 0.5 * self._rng.standard_normal(count)
            volts, _ = lfilter([1.0], [1.0, -kept], drive, zi=[kept * self._last[number]])
            self._last[number] = float(volts[-1])
            total += volts
        return total
