"""The scope's inputs: what they make of the volts at the probe's tip, before and in the converter."""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simulator.dynamics import GONE
from simulator.seeds import generator_for
from simulator.world import Stretch

RANGES_V = (*(m * 10.0**e for e in range(-3, 1) for m in (1, 2, 5)), 10.0)  # volts per division
GAIN_INPUT, GAIN_RANGE = 0.010, 0.005  # greatest error: together 1.5 %
OFFSET_DIVISIONS, OFFSET_V = 0.05, 1e-4
NOISE_DIVISIONS = (0.03, 0.06)  # rms
SKEW_S = 2e-9
BANDWIDTH_HZ = (18e6, 22e6)
COUPLING_HZ = 5.0  # corner of AC coupling
BLOCK = 256


@dataclass(frozen=True, kw_only=True)
class InputSetting:
    """One input as it is set; scale and offset are volts at the probe's tip."""

    on: bool
    coupling: str  # DC or AC
    probe: float
    scale_v: float
    offset_v: float

    @property
    def range_v(self) -> float:
        """The attenuator's step behind the probe, volts per division."""
        wanted_v = self.scale_v / self.probe
        return next((step for step in RANGES_V if step >= wanted_v * (1 - 1e-9)), RANGES_V[-1])


class Frontend:
    """The fixed errors of every input, drawn for one bench."""

    def __init__(self, *, inputs: int, probe: float, seed: int) -> None:
        rng = generator_for("frontend", seed)
        self._probe = probe  # the one that is really there
        self._gain = 1 + GAIN_INPUT * rng.uniform(-1, 1, inputs)
        self._range_gain = 1 + GAIN_RANGE * rng.uniform(-1, 1, (inputs, len(RANGES_V)))
        self._offset = rng.uniform(-1, 1, (inputs, len(RANGES_V)))
        self._noise = rng.uniform(*NOISE_DIVISIONS, inputs)
        self._skew_s = SKEW_S * rng.uniform(-1, 1, inputs)
        self._bandwidth_hz = rng.uniform(*BANDWIDTH_HZ, inputs)

    def noise_v(self, number: int, setting: InputSetting) -> float:
        """Noise of an input, volts rms at the tip as the scope shows it."""
        return float(self._noise[number - 1]) * setting.scale_v

    def response(
        self, number: int, setting: InputSetting, tones_hz: NDArray[np.float64]
    ) -> NDArray[np.complex128]:
        """Shown volts per volt at the tip, at each of some frequencies."""
        index = number - 1
        gain = self._gain[index] * self._range_gain[index, RANGES_V.index(setting.range_v)]
        low_pass = 1 / (1 + 1j * tones_hz / self._bandwidth_hz[index])
        high_pass = 1j * tones_hz / (COUPLING_HZ + 1j * tones_hz) if setting.coupling == "AC" else 1.0
        delay = np.exp(-2j * np.pi * tones_hz * self._skew_s[index])
        return np.asarray(gain * low_pass * high_pass * delay * setting.probe / self._probe)

    def offset_v(self, number: int, setting: InputSetting) -> float:
        """What an input shows with nothing on it."""
        step_v = setting.range_v
        share = self._offset[number - 1, RANGES_V.index(step_v)]
        return float(share * (OFFSET_DIVISIONS * step_v + OFFSET_V) * setting.probe)


@dataclass(frozen=True, kw_only=True, eq=False)
class Shown:
    """A signal as one input shows it: the parts of each stretch, ready to be added up in time."""

    start_s: tuple[float, ...]
    constant_v: tuple[float, ...]
    tones_hz: tuple[tuple[float, ...], ...]
    phasors: tuple[NDArray[np.complex128], ...]  # per stretch: shape (tones,)
    decays: tuple[tuple[tuple[complex, complex], ...], ...]  # per stretch: (rate, amplitude)


def show(frontend: Frontend, number: int, setting: InputSetting, stretches: list[Stretch]) -> Shown:
    """Pass what stands at an input through its front end."""
    offset_v = frontend.offset_v(number, setting)
    still = float(frontend.response(number, setting, np.zeros(1))[0].real)
    responses = {
        tones_hz: frontend.response(number, setting, np.array(tones_hz))
        for tones_hz in {stretch.tones_hz for stretch in stretches}
    }
    return Shown(
        start_s=tuple(stretch.start_s for stretch in stretches),
        constant_v=tuple(float(s.constant_v[number - 1]) * still + offset_v for s in stretches),
        tones_hz=tuple(stretch.tones_hz for stretch in stretches),
        phasors=tuple(s.phasors[number - 1] * responses[s.tones_hz] for s in stretches),
        decays=tuple(_shown_decays(frontend, number, setting, stretch) for stretch in stretches),
    )


def _shown_decays(
    frontend: Frontend, number: int, setting: InputSetting, stretch: Stretch
) -> tuple[tuple[complex, complex], ...]:
    if not stretch.decays:
        return ()
    rates_hz = np.array([abs(decay.rate_per_s) for decay in stretch.decays]) / (2 * np.pi)
    gains = frontend.response(number, setting, rates_hz).real
    return tuple(
        (decay.rate_per_s, complex(decay.amplitudes_v[number - 1] * gain))
        for decay, gain in zip(stretch.decays, gains, strict=True)
    )


class Grid:
    """Equally spaced instants; the cosines and sines of the tones on it are worked out once."""

    def __init__(self, start_s: float, interval_s: float, count: int) -> None:
        self.start_s = start_s
        self.interval_s = interval_s
        self.count = count
        self._waves: dict[tuple[float, ...], NDArray[np.float64]] = {}

    def waves(self, tones_hz: tuple[float, ...]) -> NDArray[np.float64]:
        """Cosine and sine of each tone at every instant, shape (2 tones, count).

        By two short tables and the sums of their angles instead of `count` sines for each.
        """
        found = self._waves.get(tones_hz)
        if found is None:
            hz = np.array(tones_hz)[:, None]
            blocks = -(-self.count // BLOCK)
            turn = 2j * np.pi * hz * self.interval_s
            coarse = np.exp(turn * BLOCK * np.arange(blocks))
            fine = np.exp(turn * np.arange(BLOCK) + 2j * np.pi * ((hz * self.start_s) % 1.0))
            cosine = np.stack([fine.real, -fine.imag], axis=1)
            sine = np.stack([fine.imag, fine.real], axis=1)
            rows = np.stack([coarse.real, coarse.imag], axis=-1)[:, None] @ np.stack([cosine, sine], axis=1)
            found = rows.reshape(2 * len(tones_hz), blocks * BLOCK)
            self._waves[tones_hz] = found
        return found

    def volts(self, shown: Shown) -> NDArray[np.float64]:
        """Add a signal up at every instant."""
        volts = np.empty(self.count)
        starts = [0, *(self._index(start_s) for start_s in shown.start_s[1:]), self.count]
        for i, (first, last) in enumerate(pairwise(starts)):
            if last <= first:
                continue
            shares = np.column_stack([shown.phasors[i].real, -shown.phasors[i].imag]).ravel()
            piece = volts[first:last]
            np.matmul(shares, self.waves(shown.tones_hz[i])[:, first:last], out=piece)
            piece += shown.constant_v[i]
            for rate, amplitude in shown.decays[i]:
                self._add_decay(piece, rate, amplitude, first, shown.start_s[i])
        return volts

    def _add_decay(
        self, piece: NDArray[np.float64], rate: complex, amplitude: complex, first: int, start_s: float
    ) -> None:
        """Add an exponential that began at `start_s`, while anything is left of it."""
        since_s = self.start_s + first * self.interval_s - start_s
        left = piece.size
        if rate.real > 0:
            left = min(left, int(max(GONE / rate.real - since_s, 0.0) / self.interval_s) + 1)
        at_s = since_s + self.interval_s * np.arange(left)
        piece[:left] += (amplitude * np.exp(-rate * at_s)).real

    def _index(self, instant_s: float) -> int:
        """First instant of the grid that is not before `instant_s`."""
        return min(max(math.ceil((instant_s - self.start_s) / self.interval_s), 0), self.count)
