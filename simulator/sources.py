"""What drives a bench and what draws it: the generator's outputs with their errors, the mains' hum, seeds.

Random numbers depend on names alone, so that the same unit on the same bench is the same again.
"""

import hashlib
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.imperfections import USUAL, Imperfections

AMPLITUDE_ERROR, FLATNESS_ERROR, PHASE_ERROR_DEG, OFFSET_ERROR_V = 0.01, 0.01, 0.1, 2e-3
FLATNESS_CORNER_HZ = 200e3
SYNC_DELAY_S, SYNC_JITTER_S = 50e-9, 5e-9  # greatest, of an output's sync after its sine; RMS, of each edge
SYNC_HIGH_V = 3.3
HARMONICS = {2: 2e-4, 3: 3e-4}  # greatest, of the fundamental: a generator of 0.03 % or so
CLOCK_ERROR = 20e-6  # generator's clock against the scope's
HUM_HZ = (50.0, 150.0, 250.0)
HUM_V = (0.25e-3, 0.08e-3, 0.04e-3)  # peak, on every lead
HUM_DIFFERENCE = 0.05  # between leads
HUM_OPEN = 4.0  # times more on an input that nothing holds
MAINS_V = 325.0  # peak, of 230 V


def seed_of(*names: object) -> int:
    """Make a seed from names and numbers."""
    text = "\x1f".join(str(name) for name in names)
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")


def generator_for(*names: object) -> np.random.Generator:
    """Make a random generator from names and numbers."""
    return np.random.default_rng(seed_of(*names))


@dataclass(frozen=True, kw_only=True)
class Output:
    """One output of the generator, as it was set; open-circuit volts, before its errors."""

    on: bool = False
    frequency_hz: float = 1000.0
    amplitude_vpp: float = 0.1
    offset_v: float = 0.0
    phase_deg: float = 0.0


class OutputErrors:
    """The fixed errors of every output, drawn for one bench. Outputs are numbered from 1."""

    def __init__(self, *, outputs: int, seed: int, imperfections: Imperfections = USUAL) -> None:
        rng = generator_for("generator", seed)
        level = imperfections.generator_level
        self._clock = imperfections.clock * CLOCK_ERROR * rng.uniform(-1, 1)
        self._amplitude = level * AMPLITUDE_ERROR * rng.uniform(-1, 1, outputs)
        self._flatness = level * FLATNESS_ERROR * rng.uniform(-1, 1, outputs)
        self._phase = level * np.deg2rad(PHASE_ERROR_DEG) * rng.uniform(-1, 1, outputs)
        self._offset_v = imperfections.generator_dc * OFFSET_ERROR_V * rng.uniform(-1, 1, outputs)
        self._sync_s = imperfections.sync * SYNC_DELAY_S * generator_for("sync", seed).uniform(0, 1, outputs)
        distortion = generator_for("distortion", seed)
        self._harmonics = {
            order: imperfections.harmonics
            * most
            * distortion.uniform(0.3, 1.0, outputs)
            * np.exp(2j * np.pi * distortion.uniform(size=outputs))
            for order, most in HARMONICS.items()
        }

    def true_hz(self, frequency_hz: float) -> float:
        """The frequency that an output has by the scope's clock, where it is set to this one."""
        return frequency_hz * (1 + self._clock)

    def sync_edge_s(self, number: int, output: Output, after_s: float, *, rising: bool) -> float | None:
        """First edge of an output's sync after an instant: where its sine passes zero, if it has one."""
        if not output.on or output.amplitude_vpp == 0.0:
            return None
        period_s = 1.0 / self.true_hz(output.frequency_hz)
        at_s = self._sync_s[number - 1] - period_s * (output.phase_deg / 360.0 - (0.0 if rising else 0.5))
        return float(at_s + period_s * math.ceil((after_s - at_s) / period_s))

    def offset_v(self, number: int, output: Output) -> float:
        """The offset that an output really has: what it adds stays when the amplitude is at its least."""
        return float(output.offset_v + self._offset_v[number - 1])

    def emf(self, number: int, output: Output) -> dict[int, complex]:
        """Phasors of an output by order: its fundamental, and the harmonics that it should not have.

        None of one that gives a direct voltage.
        """
        if output.amplitude_vpp == 0.0:
            return {}
        fundamental = self._fundamental(number - 1, output)
        size, turn = abs(fundamental), fundamental / abs(fundamental)
        harmonics = {
            order: complex(shares[number - 1] * size * turn**order)
            for order, shares in self._harmonics.items()
        }
        return {1: fundamental, **harmonics}

    def _fundamental(self, index: int, output: Output) -> complex:
        """An output's e.m.f. with its errors; the phase of a sine, not of a cosine."""
        tilt = output.frequency_hz**2 / (output.frequency_hz**2 + FLATNESS_CORNER_HZ**2)
        gain = (1 + self._amplitude[index]) * (1 + self._flatness[index] * tilt)
        phase = np.deg2rad(output.phase_deg) + self._phase[index] - np.pi / 2
        return complex(output.amplitude_vpp / 2 * gain * np.exp(1j * phase))


def mains_of(seed: int) -> complex:
    """The mains at HUM_HZ[0], volts peak, with the phase that a bench sees."""
    return complex(MAINS_V * np.exp(2j * np.pi * generator_for("mains", seed).uniform()))


def hum_frequencies(mains_hz: tuple[int, ...]) -> tuple[float, ...]:
    """HUM_HZ, or the same harmonics of the mains that a bench file names."""
    return tuple(hz / HUM_HZ[0] * mains_hz[0] for hz in HUM_HZ) if mains_hz else HUM_HZ


def hum_of(*, inputs: int, seed: int, size: float = 1.0) -> NDArray[np.complex128]:
    """Phasors of the mains' hum on each scope input at HUM_HZ, volts peak, shape (inputs, 3)."""
    rng = generator_for("hum", seed)
    common = np.array(HUM_V) * np.exp(2j * np.pi * rng.uniform(size=3))
    spread = 1 + HUM_DIFFERENCE * rng.uniform(-1, 1, (inputs, 3))
    return np.asarray(size * common * spread)


def within(tolerance: float, rng: np.random.Generator) -> float:
    """Draw a factor around 1, normal with the tolerance at three sigma, never outside it."""
    return 1 + tolerance * float(np.clip(rng.normal(0, 1 / 3), -1, 1))
