"""A whole job: its four files, read into one Job, or every mistake in all of them at once."""

from dataclasses import dataclass
from pathlib import Path

from harness.bench_file import BenchFile, read_bench
from harness.errors import JobError, Mistake, UsageError
from harness.job.faults import parse_fault
from harness.job.fixture import Fixture
from harness.job.module import Module, Names
from harness.job.read_fixture import has_every_view, read_fixture
from harness.job.read_module import read_module
from harness.job.read_sequence import read_sequence
from harness.job.sequence import CheckSequence
from harness.measure.tones import MAINS_HZ
from harness.toml_files.located import JobFile
from harness.toml_files.source import Source


@dataclass(frozen=True, kw_only=True)
class Job:
    """What to test, how it is wired, what to check and, if known, with which instruments.

    sequence_file, fixture_file: read in place of the folder's own; None for those.
    """

    folder: Path
    module: Module
    fixture: Fixture
    sequence: CheckSequence
    bench: BenchFile | None
    files: tuple[JobFile, ...]
    sequence_file: Path | None = None
    fixture_file: Path | None = None

    @property
    def settle_s(self) -> float:
        """How long a change of state takes to settle: the sequence's time, and the switchboard's if known."""
        return self.sequence.settle_s + (self.bench.settle_s if self.bench else 0.0)

    @property
    def has_sync(self) -> bool:
        """Whether records can be counted from the generator's sync."""
        return self.bench is not None and self.bench.oscilloscope.sync_connected

    @property
    def mains_hz(self) -> tuple[int, ...]:
        """The mains that records must be free of; both if no bench says which."""
        return (self.bench.mains_hz if self.bench else ()) or MAINS_HZ


MODULE, FIXTURE, SEQUENCE, BENCH = "module.toml", "fixture.toml", "sequence.toml", "bench.toml"
FOUR_FILES = f"{MODULE}, {FIXTURE}, {SEQUENCE} and, unless --bench is given, {BENCH}"


def load_job(
    folder: Path,
    bench: Path | None = None,
    *,
    sequence_file: Path | None = None,
    fixture_file: Path | None = None,
) -> Job:
    """Read and cross-check a job's files; `bench` is read instead of the job's own bench.toml.

    So are `sequence_file` and `fixture_file` instead of its sequence.toml and fixture.toml.

    Raises JobError with every mistake of every file, in the order of the files and their lines.
    """
    mistakes: list[Mistake] = []
    paths = {
        MODULE: folder / MODULE,
        FIXTURE: fixture_file or folder / FIXTURE,
        SEQUENCE: sequence_file or folder / SEQUENCE,
    }
    needed = [name for name, path in paths.items() if not path.is_file()]
    if len(needed) == 3:
        what = "no job here" if folder.is_dir() else "no such folder"
        what = "is a file; give the folder that it is in" if folder.is_file() else what
        message = f"{what}; expected a folder with {FOUR_FILES}"
        raise JobError([Mistake(file=str(folder), message=message)])
    for name in needed:
        path, expected = paths[name], FOUR_FILES
        missing = f"missing in {folder}"
        given = path != folder / name
        if given:
            missing, expected = "a folder" if path.is_dir() else "no such file", f"another {name}"
        elif MODULE not in needed:
            missing += f", where `switchwalk compose {folder}` writes it"
        file = str(path) if given else name
        mistakes.append(Mistake(file=file, message=f"{missing}; expected {expected}"))
    sources = {name: Source.open(path, name, mistakes) for name, path in paths.items() if name not in needed}
    if bench is not None:
        sources[BENCH] = Source.open(bench, str(bench), mistakes)
    elif (folder / BENCH).exists():
        sources[BENCH] = Source.open(folder / BENCH, BENCH, mistakes)

    names, module, fixture, setups, sequence, bench_file = Names(), None, None, None, None, None
    if source := sources.get(BENCH):
        bench_file = read_bench(source)
    if source := sources.get(MODULE):
        module, names = read_module(source)
    if source := sources.get(FIXTURE):
        fixture = read_fixture(source, names)
        setups = fixture.setups if has_every_view(source) else None
    if source := sources.get(SEQUENCE):
        has_sync = bench_file is not None and bench_file.oscilloscope.sync_connected
        sequence = read_sequence(source, names, setups, has_sync=has_sync)
    if (source := sources.get(MODULE)) and module and fixture and not mistakes:
        _check_suspects(source, module, fixture)
    if mistakes or module is None or fixture is None or sequence is None:
        raise JobError(_in_order(mistakes))
    return Job(
        folder=folder,
        module=module,
        fixture=fixture,
        sequence=sequence,
        bench=bench_file,
        files=tuple(source.file for source in sources.values() if source is not None),
        sequence_file=sequence_file,
        fixture_file=fixture_file,
    )


def _check_suspects(source: Source, module: Module, fixture: Fixture) -> None:
    """Note a fault beside the single ones that there can't be; only a job without mistakes tells."""
    for index, name in enumerate(module.suspects):
        try:
            parse_fault(name, module, fixture)
        except UsageError as error:
            source.wrong(("module", "suspects", index), str(error))


def _in_order(mistakes: list[Mistake]) -> list[Mistake]:
    order = {name: index for index, name in enumerate((MODULE, FIXTURE, SEQUENCE))}
    return sorted(mistakes, key=lambda mistake: (order.get(mistake.file, len(order)), mistake.line or 0))
