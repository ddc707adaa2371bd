"""What is settled before the search: the module, and what a person has changed in files that are there."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from harness.compose.at_hand import AtHand
from harness.compose.given import Fixed
from harness.compose.tables import FileTables, TableKey, read_tables_of
from harness.compose.views import driven_channels
from harness.errors import JobError, Mistake, UsageError
from harness.job.fixture import Fixture, Setup, Termination
from harness.job.job import FIXTURE, MODULE, SEQUENCE, Job
from harness.job.module import Module, Names
from harness.job.read_fixture import read_fixture
from harness.job.read_module import read_module
from harness.job.read_sequence import read_sequence
from harness.job.sequence import Check, CheckSequence, Tone
from harness.quantities.registry import SUGGESTED
from harness.toml_files.source import Source
from harness.units import ZERO_DBU_VRMS

USUAL_DBU, USUAL_HZ = 4.0, 1e3
SETTLE_S = 0.02
UNDRIVEN = Termination(leg_ohm=50.0)  # as a generator's outputs would end it


@dataclass(frozen=True, kw_only=True, eq=False)
class Settled:
    """The files as they are. tables: by file; none of one that is not there, or that is replaced.

    fixture, sequence: what they say, None for a file that is not there.
    """

    module: Module
    tables: Mapping[str, FileTables]
    fixture: Fixture | None
    sequence: CheckSequence | None

    @property
    def theirs(self) -> set[TableKey]:
        """The tables that a person has changed or written."""
        return {table.key for file in self.tables.values() for table in file.tables if not table.composed}

    @property
    def _kinds(self) -> set[str]:
        return {kind for kind, _ in self.theirs}

    @property
    def fixed(self) -> Fixed:
        """What the search has no choice of."""
        kinds = self._kinds
        states = self.sequence.states if self.sequence and "sequence" in kinds else None
        return Fixed(loads="loads" in kinds, loopbacks=bool({"loopbacks", "measured"} & kinds), states=states)

    def base(self, folder: Path, at_hand: AtHand) -> Job:
        """The job that the search starts from: a through setup, and what a person has settled."""
        kinds, fixed = self._kinds, self.fixed
        fixture = Fixture(
            name="Composed fixture",
            controls={control: number for number, control in enumerate(self.module.control_names, start=1)},
            loads={},
            undriven_inputs=UNDRIVEN,
            loopbacks={},
            setups=(Setup(name="through reference", through=True),),
        )
        if old := self.fixture:
            fixture = replace(
                fixture,
                controls=old.controls if "controls" in kinds else fixture.controls,
                loads=old.loads if fixed.loads else {},
                undriven_inputs=old.undriven_inputs if "fixture" in kinds else UNDRIVEN,
                loopbacks=old.loopbacks if fixed.loopbacks else {},
            )
        return Job(
            folder=folder,
            module=self.module,
            fixture=fixture,
            sequence=self._sequence(),
            bench=at_hand.bench,
            files=(),
        )

    def _sequence(self) -> CheckSequence:
        """Without states; its one check carries the tone."""
        quantity = next(each for each, _ in SUGGESTED if each.judges_silent_ports)
        tone = Tone(frequency_hz=USUAL_HZ, level_vrms=vrms(USUAL_DBU))
        check = Check(
            name=quantity.name, quantity=quantity, at=(), tone=tone, limit=None, options=quantity.options()
        )
        if self.sequence and self.sequence.checks and "sequence" in self._kinds:
            own = next(
                (each.tone for each in self.sequence.checks if each.quantity.judges_silent_ports), tone
            )
            return replace(self.sequence, checks=(replace(check, tone=own),), states=())
        return CheckSequence(
            name="Composed sequence",
            states=(),
            channels=driven_channels(self.module),
            settle_s=SETTLE_S,
            coverage_factor=2.0,
            decision="guarded",
            serial_pattern=None,
            checks=(check,),
        )

    def selectors(self, at_hand: AtHand, controls: Mapping[str, int]) -> tuple[int, ...]:
        """Selectors that no control line and no setup of a person's takes."""
        taken = {*controls.values()}
        for setup in self.fixture.setups if self.fixture else ():
            if ("setup", setup.name) in self.theirs:
                taken |= {*(setup.select or ())}
        return at_hand.free(taken)


def vrms(level_dbu: float) -> float:
    """Volts RMS of a level."""
    return float(ZERO_DBU_VRMS * 10 ** (level_dbu / 20))


def settled(folder: Path, *, replacing: bool) -> Settled:
    """Read what a folder has. replacing: take fixture and sequence for not there.

    Raises JobError with every mistake of the files, UsageError for a file that the composer did not write.
    """
    mistakes: list[Mistake] = []
    module, names = _module(folder, mistakes)
    sources = {
        name: Source.open(folder / name, name, mistakes)
        for name in (FIXTURE, SEQUENCE)
        if not replacing and (folder / name).exists()
    }
    tables: dict[str, FileTables] = {}
    fixture, sequence = None, None
    for name, source in sources.items():
        if source is None:
            continue
        tables[name] = read_tables_of(source.file.text, name)
        if not tables[name].composed:
            raise UsageError(
                f"{folder / name}: not written by compose, so nothing in it is replaced. Move it away, or "
                "compose in a new folder with a copy of module.toml; --replace writes over it"
            )
        if name == FIXTURE:
            fixture = read_fixture(source, names)
        else:
            sequence = read_sequence(source, names, None)
    if mistakes or module is None:
        raise JobError(mistakes)
    if not driven_channels(module):
        message = "no channel has an input, so that nothing can be driven; expected a port of role input"
        raise JobError([Mistake(file=MODULE, key="ports", message=message)])
    return Settled(module=module, tables=tables, fixture=fixture, sequence=sequence)


def _module(folder: Path, mistakes: list[Mistake]) -> tuple[Module | None, Names]:
    """Notes the mistakes of module.toml. Raises JobError if there is none."""
    path = folder / MODULE
    if not path.is_file():
        what = f"no {MODULE} here" if folder.is_dir() else "no such folder"
        what = "is a file; give the folder that it is in" if folder.is_file() else what
        message = (
            f"{what}; expected a folder with {MODULE}, which `switchwalk import` drafts from a netlist and "
            "`switchwalk new` writes as an example"
        )
        raise JobError([Mistake(file=str(folder), message=message)])
    source = Source.open(path, MODULE, mistakes)
    return read_module(source) if source else (None, Names())
