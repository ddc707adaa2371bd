"""bench.toml: which instruments stand on a bench, and where."""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from harness.errors import JobError, Mistake
from harness.toml_files.source import Source
from harness.toml_files.values import (
    UNREAD,
    Accuracy,
    Address,
    Count,
    Current,
    Flag,
    Pattern,
    Probe,
    SeriesResistance,
    StandIn,
    Table,
    Text,
    Time,
    TurnsRatio,
)

SUPPLY_METER = 0.01  # of a bench supply's own current reading: common practice, no source
# What an output's level changes by at most while a through reference serves: 20 ppm per kelvin over five
# kelvin; common practice, no source.
LEVEL_DRIFT = 1e-4


def _visa(value: str) -> str:
    if value not in ("python", "system"):
        raise ValueError(f'found "{value}"; expected "python", or "system" for one that is installed')
    return value


Terminator = Literal["LF", "CR LF", "CR", "none"]
Parity = Literal["none", "even", "odd", "mark", "space"]
FlowControl = Literal["none", "XON/XOFF", "RTS/CTS", "DTR/DSR"]
Visa = Annotated[str, AfterValidator(_visa), StandIn("python")]
Mains = Annotated[Literal["50 Hz", "60 Hz"], StandIn("50 Hz")]
ProfileName = Annotated[
    str, Field(min_length=1, description='a profile\'s name such as "scpi-generator"'), StandIn("")
]


@dataclass(frozen=True, kw_only=True)
class BenchHead(Table):
    """[bench]: its name, the mains where it stands, and the VISA library that reaches its instruments."""

    name: Text
    mains: Mains | None = None  # None: either
    visa: Visa = "python"  # or "system", the one that is installed


@dataclass(frozen=True, kw_only=True)
class WireFile(Table):
    """`wire` of an instrument: how this one is reached, where its profile says otherwise. None: as there."""

    visa: Visa | None = None  # None: by [bench]
    timeout_s: Annotated[Time | None, Field(alias="timeout")] = None
    terminator: Annotated[Terminator, StandIn("LF")] | None = None
    answer_terminator: Annotated[Terminator, StandIn("LF")] | None = None
    baud_rate: Count | None = None
    data_bits: Annotated[Literal[7, 8], StandIn(8)] | None = None
    parity: Annotated[Parity, StandIn("none")] | None = None
    stop_bits: Annotated[Literal[1, 2], StandIn(1)] | None = None
    flow_control: Annotated[FlowControl, StandIn("none")] | None = None
    dtr: Flag | None = None
    rts: Flag | None = None


AS_THE_PROFILE = WireFile()
GENERATOR_LEGS = ("hot", "cold")


@dataclass(frozen=True, kw_only=True)
class InstrumentFile(Table):
    """What bench.toml says of any instrument."""

    address: Address
    profile: ProfileName
    identity: Pattern | None = None  # which the answer to *IDN? must match
    wire: WireFile = AS_THE_PROFILE


@dataclass(frozen=True, kw_only=True)
class GeneratorFile(InstrumentFile):
    """[generator]: the outputs that feed the legs; [generator.hot] or [generator.cold]: the one that does.

    transformer: turns of the whole secondary over the primary's, of one that makes one output balanced; None
    if there is none. winding_ohm: of each half of its secondary. level_drift: what the level of an output
    changes by at most after a through reference, a fraction.
    """

    hot: Count = 1
    cold: Count = 2
    output: Count = 1
    level_drift: Accuracy = LEVEL_DRIFT
    transformer: TurnsRatio | None = None
    winding_ohm: Annotated[SeriesResistance, Field(alias="winding")] = 0.0


@dataclass(frozen=True, kw_only=True)
class OscilloscopeFile(InstrumentFile):
    """[oscilloscope]."""

    probe: Probe = 1.0  # its attenuation factor
    gain_accuracy: Accuracy  # a fraction, from the data sheet
    high_resolution: Flag = False
    averages: Count = 1  # of the records of a tone, by the scope itself
    sync_connected: Flag = False  # the generator's sync, to the external trigger input


@dataclass(frozen=True, kw_only=True)
class SupplyFile(InstrumentFile):
    """[supply]: the relay supply, which of its outputs is used, and the limits of its meter's error."""

    output: Count = 1
    current_accuracy: Accuracy = SUPPLY_METER  # a fraction of the current
    current_zero_a: Annotated[Current, Field(alias="current_zero")] = 0.0


@dataclass(frozen=True, kw_only=True)
class SwitchboardFile(InstrumentFile):
    """[switchboard], or one of several [[switchboard]]."""

    settle_s: Annotated[Time, Field(alias="settle")] = 0.020  # how long the board itself takes to act


def _as_list(value: object) -> object:
    return [value] if value is UNREAD or isinstance(value, dict) else value


@dataclass(frozen=True, kw_only=True)
class BenchFile(Table):
    """A bench, as bench.toml describes it.

    generators: one, or that of the hot leg and that of the cold leg. switchboards: in the order of their
    channels, which are numbered on from one board to the next.
    """

    bench: BenchHead
    generators: Annotated[
        tuple[GeneratorFile, ...],
        BeforeValidator(_as_list),
        Field(alias="generator", min_length=1, description="a table [generator]"),
    ]
    oscilloscope: OscilloscopeFile
    supply: SupplyFile
    switchboards: Annotated[
        tuple[SwitchboardFile, ...],
        BeforeValidator(_as_list),
        Field(alias="switchboard", min_length=1, description="a table [switchboard]"),
    ]

    @property
    def generator(self) -> GeneratorFile:
        """The generator; of two that of the hot leg."""
        return self.generators[0]

    @property
    def feeds(self) -> tuple[int, int]:
        """The outputs that feed the hot and the cold leg; of two generators as if they were one."""
        if len(self.generators) == 2 or self.generator.transformer is not None:
            return 1, 2
        return self.generator.hot, self.generator.cold

    @property
    def level_drifts(self) -> tuple[float, float]:
        """How far the level of the hot and of the cold leg may drift, a fraction: limits, each by itself.

        One output that feeds both legs drifts for both alike, which is √2 times what two do to their sum.
        """
        if self.generator.transformer is not None:
            return (self.generator.level_drift * math.sqrt(2.0),) * 2
        return self.generators[0].level_drift, self.generators[-1].level_drift

    @property
    def sources(self) -> dict[str, GeneratorFile]:
        """Each generator by its name: "generator", or "generator hot" and "generator cold"."""
        if len(self.generators) == 1:
            return {"generator": self.generator}
        return {f"generator {leg}": file for leg, file in zip(GENERATOR_LEGS, self.generators, strict=True)}

    @property
    def settle_s(self) -> float:
        """How long the slowest of its switchboards takes to act."""
        return max(board.settle_s for board in self.switchboards)

    @property
    def boards(self) -> dict[str, SwitchboardFile]:
        """Each switchboard by its name: "switchboard", or "switchboard 1" and so on if there are several."""
        if len(self.switchboards) == 1:
            return {"switchboard": self.switchboards[0]}
        return {f"switchboard {number}": board for number, board in enumerate(self.switchboards, start=1)}

    @property
    def mains_hz(self) -> tuple[int, ...]:
        """The mains where it stands; none if that is not known."""
        return () if self.bench.mains is None else (int(self.bench.mains.partition(" ")[0]),)

    @property
    def name(self) -> str:
        """The bench's name."""
        return self.bench.name

    @property
    def instruments(self) -> dict[str, InstrumentFile]:
        """Each instrument by its name: its role, and a leg or a number if there are several of that role."""
        return {
            **self.sources,
            "oscilloscope": self.oscilloscope,
            "supply": self.supply,
            **self.boards,
        }

    @property
    def profiles(self) -> dict[str, str]:
        """The name of each instrument's profile, by the instrument's name."""
        return {role: instrument.profile for role, instrument in self.instruments.items()}


def role_of(instrument: str) -> str:
    """The role of an instrument by its name."""
    return instrument.partition(" ")[0]


def key_of(instrument: str) -> tuple[str | int, ...]:
    """Where bench.toml has an instrument, by its name."""
    role, _, which = instrument.partition(" ")
    if not which:
        return (role,)
    return (role, which) if which in GENERATOR_LEGS else (role, int(which) - 1)


def read_bench(source: Source) -> BenchFile:
    """Read bench.toml; notes its mistakes."""
    if isinstance(source.located.values.get("switchboard"), dict):
        source.misspelt["switchboard", 0] = ("switchboard",)  # one table is read as a list of one
    _take_generators(source)
    bench = source.read(BenchFile)
    hot, cold = bench.feeds
    if hot == cold:
        source.wrong(("generator", "cold"), f"output {cold} already feeds hot; expected another one")
    owners: dict[str, str] = {}  # each connection has one
    for name, instrument in bench.instruments.items():
        address = instrument.address
        if address and address in owners:
            source.wrong(
                (*key_of(name), "address"),
                f'"{address}" is already the address of the {owners[address]}; expected another one',
            )
        owners.setdefault(address, name)
    return bench


def _take_generators(source: Source) -> None:
    """Read [generator.hot] and [generator.cold] as a list of two, [generator] alone as a list of one."""
    values = source.located.values
    table = values.get("generator")
    if not isinstance(table, dict):
        return
    if not any(isinstance(table.get(leg), dict) for leg in GENERATOR_LEGS):
        source.misspelt["generator", 0] = ("generator",)
        if "transformer" in table:
            for key in (key for key in GENERATOR_LEGS if key in table):
                source.wrong(("generator", key), "expected output, the one that feeds the transformer")
        elif "output" in table:
            source.wrong(("generator", "output"), "expected hot and cold, the outputs that feed the legs")
        elif "winding" in table:
            what = "found without transformer; it is the resistance of that transformer's winding"
            source.wrong(("generator", "winding"), what)
        return
    for key in table:
        if key not in GENERATOR_LEGS:
            source.wrong(("generator", key), "stands beside the table of one leg; expected it in that table")
    legs: list[object] = []
    for index, leg in enumerate(GENERATOR_LEGS):
        one = table.get(leg)
        if not isinstance(one, dict):
            source.wrong(
                ("generator", leg), f"expected a table [generator.{leg}], with a generator of its own"
            )
            one = next(each for each in table.values() if isinstance(each, dict))
        for key in (key for key in GENERATOR_LEGS if key in one):
            source.wrong(
                ("generator", leg, key), "expected output, the one of this generator that feeds the leg"
            )
        for key in (key for key in ("transformer", "winding") if key in one):
            source.wrong(("generator", leg, key), "expected in [generator], whose one output feeds both legs")
        legs.append(one)
        source.misspelt["generator", index] = ("generator", leg)
    values["generator"] = legs  # type: ignore[index]


def load_bench(path: Path) -> BenchFile:
    """Read one bench file. Raises JobError with every mistake in it."""
    mistakes: list[Mistake] = []
    source = Source.open(path, str(path), mistakes)
    bench = read_bench(source) if source else None
    if mistakes or bench is None:
        raise JobError(mistakes)
    return bench
