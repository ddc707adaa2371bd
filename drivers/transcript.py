"""Every message on the wires of a bench with its time, written to a file."""

import contextlib
import hashlib
import json
import logging
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any, Protocol

from harness.errors import UsageError

log = logging.getLogger(__name__)


class Listener(Protocol):
    """What is told every message on the wires; an instrument is named as the bench file has it."""

    def message(self, instrument: str, direction: str, data: bytes, duration_s: float) -> None:
        """Take a message that went `out` or came `in`."""

    def block(self, instrument: str, data: bytearray, duration_s: float) -> None:
        """Take a block that came in."""

    def event(self, instrument: str, what: str) -> None:
        """Take a failure or a reopening."""


def _is_another_file(path: Path) -> bool:
    """Whether there is a file that begins with anything but a transcript's line."""
    try:
        if not path.is_file():
            return False
        with path.open("rb") as file:
            return file.read(1) not in (b"", b"{")
    except OSError:
        return False  # opening it to write tells


class Transcript:
    """A file that takes one line a message; flushed at once, so that a crash leaves it whole.

    `time` is UTC; `monotonic_s` orders lines of several instruments. `bytes` are escaped as Python writes
    them; a block is its `length` and `sha256`. An `error` line says how a transaction failed. A disk that
    fills up ends the transcript and nothing else. Raises UsageError for a file that can't be written, or
    that is none.
    """

    def __init__(self, path: Path) -> None:
        self._path, self._lock = path, threading.Lock()
        if _is_another_file(path):
            raise UsageError(
                f"--transcript {path}: exists, and is no transcript, so it is left alone. Give another file"
            )
        try:
            self._file: IO[str] | None = path.open("a", encoding="utf-8")
        except OSError as error:
            raise UsageError(
                f"--transcript {path}: can't be written: {error.strerror or error}. Give another file"
            ) from error

    def message(self, instrument: str, direction: str, data: bytes, duration_s: float) -> None:
        """Note a message that went `out` or came `in`."""
        self._write(instrument, direction, duration_s, {"bytes": repr(data)[2:-1]})

    def block(self, instrument: str, data: bytearray, duration_s: float) -> None:
        """Note a block that came in."""
        digest = hashlib.sha256(data).hexdigest()
        self._write(instrument, "in", duration_s, {"block": {"length": len(data), "sha256": digest}})

    def event(self, instrument: str, what: str) -> None:
        """Note a failure or a reopening."""
        self._write(instrument, "event", 0.0, {"event": what})

    def _write(self, instrument: str, direction: str, duration_s: float, what: dict[str, Any]) -> None:
        line = {
            "time": datetime.now(UTC).isoformat(),
            "monotonic_s": round(time.monotonic(), 6),
            "instrument": instrument,
            "direction": direction,
            "duration_s": round(duration_s, 6),
        }
        with self._lock:
            if self._file is None:
                return
            try:
                self._file.write(json.dumps(line | what) + "\n")
                self._file.flush()
            except OSError as error:
                log.warning("%s: the transcript ends here: %s", self._path, error.strerror or error)
                self._end()

    def _end(self) -> None:
        file, self._file = self._file, None
        with contextlib.suppress(OSError):  # what is left in its buffer can't be written either
            if file is not None:
                file.close()

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._end()
