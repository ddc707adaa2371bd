"""A generator with one output that feeds both legs through a balancing transformer."""

from drivers.generator_and_supply import ScpiGenerator

Sine = tuple[float, float, float]  # frequency in Hz, amplitude in Vpp, phase in degrees
OPPOSITE_DEG = 180.0


class BalancedGenerator:
    """The `Generator` of harness.roles: outputs 1 and 2 stand for the two ends of the secondary winding.

    What is asked of either, as if the other gave nothing, is given between both: each answer of the unit to
    one leg then is that to both in antiphase, with the sign of that leg. ratio: turns of the whole secondary
    over those of the primary; amplitudes are of the whole secondary, without a load. winding_ohm: of each
    half of the secondary.
    """

    independent_frequencies = False
    shares_clock = True

    def __init__(self, generator: ScpiGenerator, output: int, *, ratio: float, winding_ohm: float) -> None:
        self._generator, self._output, self._ratio = generator, output, ratio
        self._asked: dict[int, Sine | None] = {1: None, 2: None}
        self.identity = generator.identity
        self.winding_ohm: float | None = winding_ohm
        self.output_impedance_ohm = seen_ohm(generator.output_impedance_ohm, ratio)
        self.output_impedance_tolerance = generator.output_impedance_tolerance
        low_vpp, high_vpp = generator.amplitude_range_vpp
        self.amplitude_range_vpp = low_vpp * ratio, high_vpp * ratio / 2.0  # of both at once it is the sum

    def sine(self, output: int, *, frequency_hz: float, amplitude_vpp: float, phase_deg: float = 0.0) -> None:
        """Let one end give a sine; the other end keeps its own if that is the opposite one, or loses it."""
        wanted = frequency_hz, amplitude_vpp, phase_deg
        other = 3 - output
        kept = self._asked[other]
        self._asked = {output: wanted, other: kept if kept is not None and _opposite(kept, wanted) else None}
        self._give()

    def silence(self, output: int) -> None:
        """Let one end give nothing; with both, the output gives 0 V while it stays on."""
        self._asked[output] = None
        self._give()

    def sync(self, output: int) -> None:
        """Let the sync follow the one output."""
        self._generator.sync(self._output)

    def _give(self) -> None:
        """Set the one output to the sum of what both ends were asked for."""
        sines = [each for each in self._asked.values() if each is not None]
        if not sines:
            self._generator.silence(self._output)
            return
        whole_vpp = sum(vpp for _, vpp, _ in sines)
        self._generator.sine(self._output, frequency_hz=sines[0][0], amplitude_vpp=whole_vpp / self._ratio)

    def switch(self, output: int, *, on: bool) -> None:
        """Switch the one output and read it back."""
        self._generator.switch(self._output, on=on)

    def off(self) -> None:
        """All outputs off, verified."""
        self._generator.off()

    def prepare(self) -> None:
        """Send the settings of opening again."""
        self._asked = {1: None, 2: None}
        self._generator.prepare()

    def recover(self) -> None:
        """After a failure: reopened, the same, and off."""
        self._asked = {1: None, 2: None}
        self._generator.recover()


def seen_ohm(output_ohm: float, ratio: float) -> float:
    """What each half of the secondary has of the output's resistance: half of what the whole shows."""
    return output_ohm * ratio**2 / 2.0


def _opposite(one: Sine, other: Sine) -> bool:
    return one[:2] == other[:2] and abs(one[2] - other[2]) == OPPOSITE_DEG
