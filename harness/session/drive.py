"""The generator during a run: sets what a stimulus asks for, and only what has changed."""

from math import sqrt

from harness.measure.tones import Stimulus
from harness.roles import Generator


def leg_vpp(level_vrms: float) -> float:
    """Peak-to-peak volts of one leg for a differential level in volts RMS: half of it, times 2√2."""
    return level_vrms * sqrt(2.0)


class Drive:
    """Two outputs of a generator as the legs of a balanced source."""

    def __init__(self, generator: Generator, *, hot: int, cold: int) -> None:
        self._generator = generator
        self._outputs = (hot, cold)
        self._sines: dict[int, tuple[float, float, float]] = {}
        self._on = False

    def apply(self, stimulus: Stimulus) -> None:
        """Make the generator do what the stimulus says; outputs are read back by the driver."""
        if stimulus.kind == "silence":
            self.silence()
            return
        for output, sine in zip(self._outputs, self._wanted(stimulus), strict=True):
            if self._sines.get(output) != sine:
                self._sines.pop(output, None)  # a setting that fails leaves it unknown
                frequency_hz, amplitude_vpp, phase_deg = sine
                self._generator.sine(
                    output, frequency_hz=frequency_hz, amplitude_vpp=amplitude_vpp, phase_deg=phase_deg
                )
                self._sines[output] = sine
        if not self._on:
            for output in self._outputs:
                self._generator.switch(output, on=True)
            self._on = True

    def _wanted(self, stimulus: Stimulus) -> tuple[tuple[float, float, float], ...]:
        """Frequency, amplitude and phase of the hot and of the cold output."""
        tones = stimulus.tones
        amplitude_vpp = leg_vpp(stimulus.level_vrms)
        if stimulus.kind == "idle":
            amplitude_vpp = self._generator.amplitude_range_vpp[0]
        if stimulus.kind == "antiphase":
            return (tones.hot_hz, amplitude_vpp, 0.0), (tones.hot_hz, amplitude_vpp, 180.0)
        return (tones.hot_hz, amplitude_vpp, 0.0), (tones.cold_hz, amplitude_vpp, 0.0)

    def forget(self) -> None:
        """Nothing is known of the generator any more: it was reopened, and is off."""
        self._sines.clear()
        self._on = False

    def silence(self) -> None:
        """Switch both outputs off."""
        for output in self._outputs:
            self._generator.switch(output, on=False)
        self._on = False
