"""bench.toml: which instruments stand on a bench, and where."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, Field

from harness.errors import JobError, Mistake
from harness.toml_files.source import Source
from harness.toml_files.values import (
    Accuracy,
    Address,
    Count,
    Pattern,
    Probe,
    StandIn,
    Table,
    Text,
    Time,
)


def _visa(value: str) -> str:
    if value not in ("python", "system"):
        raise ValueError(f'found "{value}"; expected "python", or "system" for one that is installed')
    return value


ProfileName = Annotated[
    str, Field(min_length=1, description='a profile\'s name such as "scpi-generator"'), StandIn("")
]


@dataclass(frozen=True, kw_only=True)
class BenchHead(Table):
    """[bench]: its name, and the VISA library that reaches its instruments."""

    name: Text
    visa: Annotated[str, AfterValidator(_visa), StandIn("python")] = (
        "python"  # or "system", the one that is installed
    )


@dataclass(frozen=True, kw_only=True)
class InstrumentFile(Table):
    """What bench.toml says of any instrument."""

    address: Address
    profile: ProfileName
    identity: Pattern | None = None  # which the answer to *IDN? must match


@dataclass(frozen=True, kw_only=True)
class GeneratorFile(InstrumentFile):
    """[generator]: the outputs that feed the legs."""

    hot: Count = 1
    cold: Count = 2


@dataclass(frozen=True, kw_only=True)
class OscilloscopeFile(InstrumentFile):
    """[oscilloscope]."""

    probe: Probe = 1.0  # its attenuation factor
    gain_accuracy: Accuracy  # a fraction, from the data sheet


@dataclass(frozen=True, kw_only=True)
class SupplyFile(InstrumentFile):
    """[supply]: the relay supply, and which of its outputs is used."""

    output: Count = 1


@dataclass(frozen=True, kw_only=True)
class SwitchboardFile(InstrumentFile):
    """[switchboard]."""

    settle_s: Annotated[Time, Field(alias="settle")] = 0.020  # how long the board itself takes to act


@dataclass(frozen=True, kw_only=True)
class BenchFile(Table):
    """A bench, as bench.toml describes it."""

    bench: BenchHead
    generator: GeneratorFile
    oscilloscope: OscilloscopeFile
    supply: SupplyFile
    switchboard: SwitchboardFile

    @property
    def name(self) -> str:
        """The bench's name."""
        return self.bench.name

    @property
    def instruments(self) -> dict[str, InstrumentFile]:
        """Each instrument by its role."""
        return {
            "generator": self.generator,
            "oscilloscope": self.oscilloscope,
            "supply": self.supply,
            "switchboard": self.switchboard,
        }

    @property
    def profiles(self) -> dict[str, str]:
        """The name of each instrument's profile, by its role."""
        return {role: instrument.profile for role, instrument in self.instruments.items()}


def read_bench(source: Source) -> BenchFile:
    """Read bench.toml; notes its mistakes."""
    bench = source.read(BenchFile)
    hot, cold = bench.generator.hot, bench.generator.cold
    if hot == cold:
        source.wrong(("generator", "cold"), f"output {cold} already feeds hot; expected another one")
    owners: dict[str, str] = {}  # each connection has one
    for role, instrument in bench.instruments.items():
        address = instrument.address
        if address and address in owners:
            source.wrong(
                (role, "address"),
                f'"{address}" is already the address of the {owners[address]}; expected another one',
            )
        owners.setdefault(address, role)
    return bench


def load_bench(path: Path) -> BenchFile:
    """Read one bench file. Raises JobError with every mistake in it."""
    mistakes: list[Mistake] = []
    source = Source.open(path, str(path), mistakes)
    bench = read_bench(source) if source else None
    if mistakes or bench is None:
        raise JobError(sorted(mistakes, key=lambda mistake: mistake.line or 0))
    return bench
