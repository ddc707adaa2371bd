"""Every message with its time and duration, as JSON lines."""

import hashlib
import json
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any


class Transcript:
    """A file that takes one line a message; flushed at once, so that a crash leaves it whole.

    `time` is UTC; `monotonic_s` orders lines of several instruments. `bytes` are escaped as Python writes
    them; a block is its `length` and `sha256`. An `error` line says how a transaction failed.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("a", encoding="utf-8")
        self._lock = threading.Lock()

    def message(self, instrument: str, direction: str, data: bytes, duration_s: float) -> None:
        """Note a message that went `out` or came `in`."""
        self._write(instrument, direction, duration_s, {"bytes": repr(data)[2:-1]})

    def block(self, instrument: str, data: bytearray, duration_s: float) -> None:
        """Note a block that came in."""
        digest = hashlib.sha256(data).hexdigest()
        self._write(instrument, "in", duration_s, {"block": {"length": len(data), "sha256": digest}})

    def event(self, instrument: str, what: str, duration_s: float = 0.0) -> None:
        """Note a failure, a reopening or a retry."""
        self._write(instrument, "event", duration_s, {"event": what})

    def _write(self, instrument: str, direction: str, duration_s: float, what: dict[str, Any]) -> None:
        line = {
            "time": datetime.now(UTC).isoformat(),
            "monotonic_s": round(time.monotonic(), 6),
            "instrument": instrument,
            "direction": direction,
            "duration_s": round(duration_s, 6),
        }
        with self._lock:
            self._file.write(json.dumps(line | what) + "\n")
            self._file.flush()

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def __enter__(self) -> "Transcript":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
