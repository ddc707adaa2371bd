"""The generator during a run: sets what a stimulus asks for, and only what has changed."""

from math import sqrt

from harness.measure.tones import choose_tones
from harness.plan.model import Stimulus
from harness.roles import Generator


def leg_vpp(level_vrms: float) -> float:
    """Peak-to-peak volts of one leg for a differential level in volts RMS: half of it, times 2√2."""
    return level_vrms * sqrt(2.0)


class Drive:
    """Two outputs of a generator as the legs of a balanced source."""

    def __init__(self, generator: Generator, *, hot: int, cold: int) -> None:
        self._generator = generator
        self._outputs = (hot, cold)
        self._sines: dict[int, tuple[float, float]] = {}
        self._on = False

    def apply(self, stimulus: Stimulus) -> None:
        """Make the generator do what the stimulus says; outputs are read back by the driver."""
        if stimulus.kind == "silence":
            self.silence()
            return
        tones = choose_tones(stimulus.frequency_hz)
        for output, frequency_hz in zip(self._outputs, (tones.hot_hz, tones.cold_hz), strict=True):
            sine = (frequency_hz, leg_vpp(stimulus.level_vrms))
            if self._sines.get(output) != sine:
                self._sines.pop(output, None)  # a setting that fails leaves it unknown
                self._generator.sine(output, frequency_hz=sine[0], amplitude_vpp=sine[1])
                self._sines[output] = sine
        if not self._on:
            for output in self._outputs:
                self._generator.switch(output, on=True)
            self._on = True

    def forget(self) -> None:
        """Nothing is known of the generator any more: it was reopened, and is off."""
        self._sines.clear()
        self._on = False

    def silence(self) -> None:
        """Switch both outputs off."""
        for output in self._outputs:
            self._generator.switch(output, on=False)
        self._on = False
