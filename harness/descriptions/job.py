"""A whole job: its four files, read and cross-checked."""

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from harness.descriptions.bench import BenchFile
from harness.descriptions.fixture import Fixture
from harness.descriptions.module import Module
from harness.descriptions.sequence import Sequence


@dataclass(frozen=True, kw_only=True)
class JobFile:
    """One file as it was read: kept with each run by content."""

    name: str
    sha256: str
    text: str

    @classmethod
    def of(cls, name: str, content: bytes) -> Self:
        """Take a file's content as it lies on the disk. Raises UnicodeDecodeError."""
        text = content.decode("utf-8-sig").replace("\r\n", "\n")
        return cls(name=name, sha256=hashlib.sha256(content).hexdigest(), text=text)


@dataclass(frozen=True, kw_only=True)
class Job:
    """What to test, how it is wired, what to check and (where known) with what."""

    folder: Path
    module: Module
    fixture: Fixture
    sequence: Sequence
    bench: BenchFile | None
    files: tuple[JobFile, ...]
