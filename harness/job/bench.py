"""Which instruments stand on the bench."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class InstrumentFile:
    """What bench.toml says of any instrument; `identity` is a pattern that its *IDN? must match."""

    address: str
    profile: str
    identity: str | None


@dataclass(frozen=True, kw_only=True)
class GeneratorFile(InstrumentFile):
    """`hot` and `cold` are the outputs that feed the legs."""

    hot: int
    cold: int


@dataclass(frozen=True, kw_only=True)
class OscilloscopeFile(InstrumentFile):
    """`probe` is the attenuation factor; `gain_accuracy` a fraction, from the data sheet."""

    probe: float
    gain_accuracy: float


@dataclass(frozen=True, kw_only=True)
class SupplyFile(InstrumentFile):
    """`output` selects one of several."""

    output: int


@dataclass(frozen=True, kw_only=True)
class SwitchboardFile(InstrumentFile):
    """`settle_s` is how long the board itself takes to act."""

    settle_s: float


@dataclass(frozen=True, kw_only=True)
class BenchFile:
    """A bench, as bench.toml describes it."""

    name: str
    visa: str  # "@py", or "@ivi" for a system VISA
    generator: GeneratorFile
    oscilloscope: OscilloscopeFile
    supply: SupplyFile
    switchboard: SwitchboardFile

    @property
    def profiles(self) -> dict[str, str]:
        """The name of each instrument's profile, by its role."""
        return {
            "generator": self.generator.profile,
            "oscilloscope": self.oscilloscope.profile,
            "supply": self.supply.profile,
            "switchboard": self.switchboard.profile,
        }
