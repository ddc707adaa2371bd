"""Reads a job's folder: four files into one Job, or every mistake in all of them at once."""

from pathlib import Path

from harness.errors import JobError, Mistake
from harness.job.bench import BenchFile
from harness.job.file import JobFile
from harness.job.job import Job
from harness.job.located import TomlSyntaxError, read_located
from harness.job.mistakes import Source
from harness.job.names import names_of
from harness.job.read_bench import read_bench
from harness.job.read_fixture import read_fixture
from harness.job.read_module import read_module
from harness.job.read_sequence import read_sequence
from harness.job.unseen import refusal, unseen

MODULE, FIXTURE, SEQUENCE, BENCH = "module.toml", "fixture.toml", "sequence.toml", "bench.toml"
LARGEST_BYTES = 1_000_000  # a job's file is written by hand; more is some other file


def load_job(
    folder: Path,
    bench: Path | None = None,
    *,
    sequence_file: Path | None = None,
    fixture_file: Path | None = None,
) -> Job:
    """Read and cross-check a job's files; `bench` takes the place of the job's own bench.toml.

    So do `sequence_file` and `fixture_file` of its sequence.toml and fixture.toml.

    Raises JobError with every mistake of every file, in the order of the files and their lines.
    """
    mistakes: list[Mistake] = []
    files: list[JobFile] = []
    paths = {
        MODULE: folder / MODULE,
        FIXTURE: fixture_file or folder / FIXTURE,
        SEQUENCE: sequence_file or folder / SEQUENCE,
    }
    needed = [name for name, path in paths.items() if not path.is_file()]
    if len(needed) == 3:
        raise JobError([_no_job(folder)])
    for name in needed:
        missing = f"missing in {folder}" if paths[name] == folder / name else f"no such file as {paths[name]}"
        mistakes.append(_mistake(name, f"{missing}; expected {_four_files()}"))
    module_source = _open(paths[MODULE], MODULE, mistakes, files) if MODULE not in needed else None
    fixture_source = _open(paths[FIXTURE], FIXTURE, mistakes, files) if FIXTURE not in needed else None
    sequence_source = _open(paths[SEQUENCE], SEQUENCE, mistakes, files) if SEQUENCE not in needed else None
    bench_source = _open_bench(folder, bench, mistakes, files)

    names = names_of(module_source.located if module_source else None)
    module = read_module(module_source, names) if module_source else None
    fixture, hookups = read_fixture(fixture_source, names) if fixture_source else (None, ())
    complete = fixture_source is not None and len(hookups) == len(fixture_source.entries("hookup"))
    sequence = (
        read_sequence(sequence_source, names, hookups if complete else None) if sequence_source else None
    )
    bench_file = read_bench(bench_source) if bench_source else None
    if mistakes or module is None or fixture is None or sequence is None:
        raise JobError(_in_order(mistakes))
    return Job(
        folder=folder,
        module=module,
        fixture=fixture,
        sequence=sequence,
        bench=bench_file,
        files=tuple(files),
    )


def load_bench(path: Path) -> BenchFile:
    """Read one bench file. Raises JobError with every mistake in it."""
    mistakes: list[Mistake] = []
    source = _open_bench(path.parent, path, mistakes, [])
    bench = read_bench(source) if source else None
    if mistakes or bench is None:
        raise JobError(_in_order(mistakes))
    return bench


def _open_bench(
    folder: Path, bench: Path | None, mistakes: list[Mistake], files: list[JobFile]
) -> Source | None:
    """Open the bench file asked for, else the job's own where it has one."""
    if bench is not None:
        return _open(bench, str(bench), mistakes, files)
    own = folder / BENCH
    return _open(own, BENCH, mistakes, files) if own.exists() else None


def _open(path: Path, name: str, mistakes: list[Mistake], files: list[JobFile]) -> Source | None:
    """Read one file as TOML and keep it; notes why not where it cannot be read."""
    try:
        if path.stat().st_size > LARGEST_BYTES:
            mistakes.append(_mistake(name, "larger than 1 MB; expected a TOML file written by hand"))
            return None
        content = path.read_bytes()
    except FileNotFoundError:
        mistakes.append(_mistake(name, "no such file"))
        return None
    except OSError as error:
        mistakes.append(_mistake(name, f"cannot be read: {error.strerror or error}"))
        return None
    try:
        file = JobFile.of(path.name, content)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        mistakes.append(_mistake(name, "a byte that is no UTF-8; expected the file saved as UTF-8", line))
        return None
    files.append(file)
    try:
        source = Source(name=name, located=read_located(file.text), mistakes=mistakes)
    except TomlSyntaxError as error:
        mistakes.append(_mistake(name, f"no TOML from here on: {error}", error.line))
        return None
    found = list(unseen(source.located.values))
    for key, character in found:
        source.wrong(key, refusal(character))
    return None if found else source


def _mistake(name: str, message: str, line: int | None = None) -> Mistake:
    return Mistake(file=name, line=line, key="", message=message)


def _four_files() -> str:
    return f"{MODULE}, {FIXTURE}, {SEQUENCE} and, unless --bench is given, {BENCH}"


def _no_job(folder: Path) -> Mistake:
    what = "no job here" if folder.is_dir() else "no such folder"
    return _mistake(str(folder), f"{what}; expected a folder with {_four_files()}")


def _in_order(mistakes: list[Mistake]) -> list[Mistake]:
    order = {name: index for index, name in enumerate((MODULE, FIXTURE, SEQUENCE))}
    return sorted(mistakes, key=lambda each: (order.get(each.file, len(order)), each.line or 0))
