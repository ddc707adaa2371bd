"""A file of a job as it was read; apart from what the files say, which takes its time to be imported."""

import hashlib
from dataclasses import dataclass
from typing import Self


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
