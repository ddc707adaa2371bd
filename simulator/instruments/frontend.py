"""The scope's inputs: what they make of the volts at the probe's tip, before and in the converter."""

from dataclasses import dataclass

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

    def response(self, number: int, setting: InputSetting, tone_hz: float) -> complex:
        """Shown volts per volt at the tip, at one frequency."""
        index = number - 1
        gain = self._gain[index] * self._range_gain[index, RANGES_V.index(setting.range_v)]
        low_pass = 1 / (1 + 1j * tone_hz / self._bandwidth_hz[index])
        high_pass: complex = 1.0
        if setting.coupling == "AC":
            high_pass = 1j * tone_hz / (COUPLING_HZ + 1j * tone_hz)
        delay = np.exp(-2j * np.pi * tone_hz * self._skew_s[index])
        return complex(gain * low_pass * high_pass * delay * setting.probe / self._probe)

    def offset_v(self, number: int, setting: InputSetting) -> float:
        """What an input shows with nothing on it."""
        step_v = setting.range_v
        share = self._offset[number - 1, RANGES_V.index(step_v)]
        return float(share * (OFFSET_DIVISIONS * step_v + OFFSET_V) * setting.probe)


@dataclass(frozen=True, kw_only=True)
class Shown:
    """A signal as one input shows it: the parts of each stretch, ready to be added up in time."""

    start_s: tuple[float, ...]
    constant_v: tuple[float, ...]
    tones: tuple[tuple[tuple[float, complex], ...], ...]  # per stretch: (frequency, phasor)
    decays: tuple[tuple[tuple[complex, complex], ...], ...]  # per stretch: (rate, amplitude)


def show(frontend: Frontend, number: int, setting: InputSetting, stretches: list[Stretch]) -> Shown:
    """Pass what stands at an input through its front end."""
    offset_v = frontend.offset_v(number, setting)
    still = frontend.response(number, setting, 0.0).real
    tones = [
        tuple(
            (tone_hz, complex(phasor) * frontend.response(number, setting, tone_hz))
            for tone_hz, phasor in zip(stretch.tones_hz, stretch.phasors[number - 1], strict=True)
        )
        for stretch in stretches
    ]
    return Shown(
        start_s=tuple(stretch.start_s for stretch in stretches),
        constant_v=tuple(float(s.constant_v[number - 1]) * still + offset_v for s in stretches),
        tones=tuple(tones),
        decays=tuple(
            tuple(
                (
                    decay.rate_per_s,
                    complex(decay.amplitudes_v[number - 1])
                    * frontend.response(number, setting, abs(decay.rate_per_s) / (2 * np.pi)).real,
                )
                for decay in stretch.decays
            )
            for stretch in stretches
        ),
    )


class Grid:
    """Equally spaced instants; the rotating phasors of the tones on it are worked out once."""

    def __init__(self, start_s: float, interval_s: float, count: int) -> None:
        self.start_s = start_s
        self.interval_s = interval_s
        self.count = count
        self._waves: dict[float, NDArray[np.complex128]] = {}

    def wave(self, tone_hz: float) -> NDArray[np.complex128]:
        """exp(2j pi f t) at every instant: two short tables and their products instead of `count` sines."""
        found = self._waves.get(tone_hz)
        if found is None:
            turn = 2j * np.pi * tone_hz * self.interval_s
            coarse = np.exp(turn * BLOCK * np.arange(-(-self.count // BLOCK)))
            fine = np.exp(turn * np.arange(BLOCK) + 2j * np.pi * ((tone_hz * self.start_s) % 1.0))
            found = np.multiply.outer(coarse, fine).ravel()[: self.count]
            self._waves[tone_hz] = found
        return found

    def volts(self, shown: Shown) -> NDArray[np.float64]:
        """Add a signal up at every instant."""
        volts = np.empty(self.count)
        for i, (start_s, constant_v, tones) in enumerate(
            zip(shown.start_s, shown.constant_v, shown.tones, strict=True)
        ):
            first = 0 if i == 0 else self._index(start_s)
            last = self.count if i + 1 == len(shown.start_s) else self._index(shown.start_s[i + 1])
            if last <= first:
                continue
            piece = np.full(last - first, constant_v, dtype=np.float64)
            for tone_hz, phasor in tones:
                if phasor:
                    piece += (phasor * self.wave(tone_hz)[first:last]).real
            for rate, amplitude in shown.decays[i]:
                self._add_decay(piece, rate, amplitude, first, start_s)
            volts[first:last] = piece
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
        return int(np.clip(np.ceil((instant_s - self.start_s) / self.interval_s), 0, self.count))
