"""A capture of a state as a reading is made of it."""

from dataclasses import dataclass

from harness.errors import ReadingError
from harness.measure.bare import NOTHING_BARE, Bare
from harness.measure.reference import Offset, Reference
from harness.measure.tone import ToneFit
from harness.measure.tones import Stimulus
from harness.measure.transfer import Transfer
from harness.roles import Capture


@dataclass(frozen=True, kw_only=True, eq=False)
class StateSeen:
    """What was captured in a state, and what is known of the bench by itself.

    transfer: None where the stimulus has none; predicted: the same by the circuit. reference: the through
    reference, None where none was taken. gain_accuracy: of a scope input, a fraction.
    """

    stimulus: Stimulus
    capture: Capture
    fit: ToneFit
    transfer: Transfer | None
    predicted: Transfer | None
    reference: Reference | None
    gain_accuracy: float

    @property
    def measured_transfer(self) -> Transfer:
        """The transfer; ReadingError where there is none."""
        if self.transfer is None:
            raise ReadingError("no transfer was measured here")
        return self.transfer

    @property
    def bench(self) -> Bare:
        """What the bench shows by itself."""
        return NOTHING_BARE if self.reference is None else self.reference.bare

    def zero(self, row: int) -> Offset | None:
        """What a row's input reads with nothing there, on the same range; None where it is not known."""
        number = self.capture.inputs[row]
        if self.reference is None:
            return None
        return self.reference.offset(number, self.volts_per_division(row))

    def volts_per_division(self, row: int) -> float:
        """The range that a row was recorded on."""
        return self.capture.setting.inputs[self.capture.inputs[row]].volts_per_division
