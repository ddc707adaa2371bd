"""A whole job: its four files, read and cross-checked."""

from dataclasses import dataclass
from pathlib import Path

from harness.bench_file import BenchFile
from harness.job.fixture import Fixture
from harness.job.module import Module
from harness.job.sequence import Sequence
from harness.toml_files.file import JobFile


@dataclass(frozen=True, kw_only=True)
class Job:
    """What to test, how it is wired, what to check and (where known) with what."""

    folder: Path
    module: Module
    fixture: Fixture
    sequence: Sequence
    bench: BenchFile | None
    files: tuple[JobFile, ...]
