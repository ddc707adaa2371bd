"""What the generator does while something is recorded, and the tones that are in the record then."""

from dataclasses import dataclass
from typing import Literal

from harness.measure.tones import TonePair, choose_tones

IDLE_HZ = 60e3
SILENT_RECORD_HZ = 1e3  # with the outputs off nothing is looked for, but mains is averaged as with a tone


@dataclass(frozen=True, kw_only=True)
class Stimulus:
    """What the generator does during an acquisition.

    `pair`: the hot output at the lower, the cold output at the upper of two neighbouring frequencies around
    `frequency_hz`, each at half of the differential level. `antiphase`: both at one frequency, the cold one
    inverted. `silence`: both outputs off, and with them nothing on the input. `idle`: both on at the
    generator's smallest amplitude and far above the audio band, so that their resistances end the input and
    nothing else of them is there.
    """

    kind: Literal["pair", "antiphase", "silence", "idle"]
    frequency_hz: float = 0.0
    level_vrms: float = 0.0

    @property
    def tones(self) -> TonePair:
        """The two frequencies, and the record that holds both in whole cycles."""
        return choose_tones(SILENT_RECORD_HZ if self.kind == "silence" else self.frequency_hz)

    @property
    def has_tone(self) -> bool:
        """Whether a signal is there to be found."""
        return self.kind in ("pair", "antiphase")

    def __str__(self) -> str:
        if not self.has_tone:
            return self.kind
        alone = "antiphase, " if self.kind == "antiphase" else ""
        return f"{alone}{self.frequency_hz:g} Hz, {self.level_vrms:.3f} V"


SILENCE = Stimulus(kind="silence")
IDLE = Stimulus(kind="idle", frequency_hz=IDLE_HZ)
