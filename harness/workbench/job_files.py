"""A job's files with the profiles that they name, so that a mistake in either is told in the same breath."""

from dataclasses import replace
from pathlib import Path

from drivers.profile_files import load_profile
from harness.bench_file import load_bench
from harness.errors import JobError, Mistake
from harness.job.job import Job
from harness.job.load import BENCH, load_job
from harness.toml_files.located import read_located


def read_job(
    folder: Path,
    bench: Path | None = None,
    *,
    sequence_file: Path | None = None,
    fixture_file: Path | None = None,
) -> Job:
    """Read a job as `load_job` does. Raises JobError with every mistake of its files and their profiles."""
    in_profiles = _profile_mistakes(bench or folder / BENCH)
    try:
        job = load_job(folder, bench, sequence_file=sequence_file, fixture_file=fixture_file)
    except JobError as error:
        raise JobError([*error.mistakes, *in_profiles]) from None
    if in_profiles:
        raise JobError(in_profiles)
    return job


def _profile_mistakes(path: Path) -> list[Mistake]:
    """What is wrong with the profiles of a bench file; nothing where the file itself is wrong or missing."""
    try:
        bench = load_bench(path)
    except JobError:
        return []
    mistakes: list[Mistake] = []
    for role, name in bench.profiles.items():
        try:
            load_profile(name, role=role, folder=path.parent)
        except JobError as error:
            mistakes += [_at_its_line(mistake, path, role) for mistake in error.mistakes]
    return mistakes


def _at_its_line(mistake: Mistake, path: Path, role: str) -> Mistake:
    if mistake.key != f"{role}.profile":
        return mistake
    return replace(mistake, line=read_located(path.read_text(encoding="utf-8-sig")).line((role, "profile")))
