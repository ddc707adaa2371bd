"""A whole job: its four files, read and cross-checked."""

from dataclasses import dataclass
from pathlib import Path

from harness.descriptions.bench import BenchFile
from harness.descriptions.file import JobFile
from harness.descriptions.fixture import Fixture
from harness.descriptions.module import Module
from harness.descriptions.sequence import Sequence


@dataclass(frozen=True, kw_only=True)
class Job:
    """What to test, how it is wired, what to check and (where known) with what."""

    folder: Path
    module: Module
    fixture: Fixture
    sequence: Sequence
    bench: BenchFile | None
    files: tuple[JobFile, ...]
