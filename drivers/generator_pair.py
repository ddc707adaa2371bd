"""Two generators that feed one leg each, as one with two outputs."""

from collections.abc import Callable, Sequence

from drivers.generator_and_supply import ScpiGenerator
from harness.errors import BenchError
from harness.roles import Identity


class GeneratorPair:
    """The `Generator` of harness.roles: output 1 feeds the hot leg, output 2 the cold leg.

    They share no clock, so that their phases drift: each is driven alone, as if they had one frequency. The
    silent one stays on, so that its resistance stays at its leg.
    """

    independent_frequencies = False
    shares_clock = False
    winding_ohm: float | None = None

    def __init__(self, generators: Sequence[ScpiGenerator], outputs: Sequence[int]) -> None:
        self._generators, self._outputs = tuple(generators), tuple(outputs)
        hot, cold = generators
        self.output_impedance_ohm = hot.output_impedance_ohm  # of both; a bench with two others is refused
        self.output_impedance_tolerance = max(each.output_impedance_tolerance for each in generators)
        lowest, highest = zip(*(each.amplitude_range_vpp for each in generators), strict=True)
        self.amplitude_range_vpp = max(lowest), min(highest)
        self.identity = Identity(
            role="generator",
            address=hot.identity.address,
            profile=hot.identity.profile,
            text=f"hot: {hot.identity.text}; cold: {cold.identity.text}",
        )

    def _of(self, output: int) -> tuple[ScpiGenerator, int]:
        if output not in (1, 2):
            raise BenchError(
                f"has outputs 1 and 2, and output {output} is asked for",
                instrument="generator",
                address=self.identity.address,
            )
        return self._generators[output - 1], self._outputs[output - 1]

    def sine(self, output: int, *, frequency_hz: float, amplitude_vpp: float, phase_deg: float = 0.0) -> None:
        """Set an output's sine; its phase is its generator's own."""
        generator, number = self._of(output)
        generator.sine(number, frequency_hz=frequency_hz, amplitude_vpp=amplitude_vpp)

    def silence(self, output: int) -> None:
        """Let an output that stays on give 0 V."""
        generator, number = self._of(output)
        generator.silence(number)

    def sync(self, output: int) -> None:
        """There is none: each has its own, and a scope has one input for it. Raises BenchError."""
        raise BenchError(
            "two generators have no sync in common",
            instrument="generator",
            address=self.identity.address,
        )

    def switch(self, output: int, *, on: bool) -> None:
        """Switch an output and read it back."""
        generator, number = self._of(output)
        generator.switch(number, on=on)

    def off(self) -> None:
        """All outputs of both off, verified, whatever befalls one. Raises BenchError for what failed."""
        self._each(lambda generator: generator.off())

    def prepare(self) -> None:
        """Send the settings of opening again to both."""
        self._each(lambda generator: generator.prepare())

    def recover(self) -> None:
        """After a failure: both reopened, the same, and off."""
        self._each(lambda generator: generator.recover())

    def _each(self, do: Callable[[ScpiGenerator], None]) -> None:
        """Do the same with both, the second one whatever befalls the first."""
        failures: list[BenchError] = []
        for generator in self._generators:
            try:
                do(generator)
            except BenchError as error:
                failures.append(error)
        if failures:
            for other in failures[1:]:
                failures[0].add_note(str(other))
            raise failures[0]
