"""A scope and a generator in a few lines, with errors drawn from a seed: captures of a known transfer."""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from harness.measure.tone import ToneFit, fit_tones
from harness.measure.tones import TonePair
from harness.roles import Capture, CaptureSetting, InputSetting

DIVISIONS = 8
CODES = 256


class SyntheticBench:
    """Gains of every input and range, levels of both outputs and the clocks' ratio are drawn once."""

    def __init__(
        self,
        seed: int,
        *,
        inputs: Sequence[int] = (1, 2, 3, 4),
        gain_accuracy: float = 0.03,
        generator_accuracy: float = 0.01,
        noise_divisions: float = 0.03,
        clock: float = 1e-4,
    ) -> None:
        self.random = np.random.default_rng(seed)
        self.inputs = tuple(inputs)
        self.gain_accuracy = gain_accuracy
        self.noise_divisions = noise_divisions
        self.gains: dict[tuple[int, float], float] = {}
        self.levels = 1 + self.random.uniform(-generator_accuracy, generator_accuracy, 2)
        self.clock = 1 + self.random.uniform(-clock, clock)

    def gain(self, number: int, volts_per_division: float) -> float:
        key = (number, volts_per_division)
        if key not in self.gains:
            self.gains[key] = 1 + self.random.uniform(-self.gain_accuracy, self.gain_accuracy)
        return self.gains[key]

    def capture(
        self,
        transfer: NDArray[np.complex128],
        tones: TonePair,
        emf_vrms: tuple[float, float],
        ranges: Mapping[int, float],
        *,
        samples: int | None = None,
        dc_v: float = 0.0,
        hum_vrms: float = 0.0,
        added: NDArray[np.float64] | float = 0.0,
    ) -> Capture:
        """Capture volts of a (legs, 2) transfer at an unknown instant."""
        count = samples or tones.samples
        interval_s = tones.duration_s / count
        instants = np.arange(count) * interval_s
        phases = self.random.uniform(0, 2 * np.pi, 2)
        volts = np.full((len(self.inputs), count), dc_v) + added
        for k, hz in enumerate(tones.frequencies_hz):
            turning = np.exp(1j * (2 * np.pi * hz * self.clock * instants + phases[k]))
            source = np.sqrt(2) * emf_vrms[k] * self.levels[k]
            volts = volts + np.real(source * transfer[:, k, None] * turning)
        if hum_vrms:
            volts = volts + hum_vrms * np.sqrt(2) * np.sin(
                2 * np.pi * 50 * instants + self.random.uniform(0, 6)
            )
        per_division = np.array([ranges[number] for number in self.inputs])
        gains = np.array([self.gain(number, ranges[number]) for number in self.inputs])
        noise = self.random.normal(size=volts.shape) * self.noise_divisions * per_division[:, None]
        step = DIVISIONS * per_division / CODES
        codes = np.clip(
            np.round((gains[:, None] * volts + noise) / step[:, None]), -CODES // 2, CODES // 2 - 1
        )
        clipped = ((codes == -CODES // 2) | (codes == CODES // 2 - 1)).sum(axis=1)
        return Capture(
            inputs=self.inputs,
            volts=codes * step[:, None],
            interval_s=interval_s,
            full_scale_v=tuple(DIVISIONS * per_division),
            step_v=tuple(step),
            clipped=tuple(int(value) for value in clipped),
            setting=CaptureSetting(
                inputs={number: InputSetting(volts_per_division=ranges[number]) for number in self.inputs},
                duration_s=tones.duration_s,
                samples=count,
            ),
        )


def fit_of(capture: Capture, tones: TonePair) -> ToneFit:
    return fit_tones(capture.volts, capture.interval_s, tones.frequencies_hz, step_v=capture.step_v)


def through(legs: int, value: complex = 0.99995) -> NDArray[np.complex128]:
    """What a through setup shows: hot output on hot inputs, cold output on cold ones."""
    transfer = np.zeros((legs, 2), dtype=np.complex128)
    transfer[0::2, 0] = value
    transfer[1::2, 1] = value
    return transfer
