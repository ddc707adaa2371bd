"""Files that are there whole or not at all, whatever happens while they are written."""

import errno
import os
from pathlib import Path


def write_whole(path: Path, content: bytes) -> None:
    """Write a file, and its folder if need be. Raises OSError; what was there before stays then."""
    if not path.name:  # "", "." and "/" name folders
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f".{path.name}.part")
    unfinished.write_bytes(content)
    os.replace(unfinished, path)
