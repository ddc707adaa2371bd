"""What tells the next start that an instrument was not left safe: a file that stands while it is in use.

It is on disk before anything is switched, and goes only when the instrument was switched off and verified; so
a killed process, a crash and a power failure leave it.
"""

import contextlib
import json
import os
import sys
from datetime import datetime
from pathlib import Path

from drivers.places import open_shared, place_of
from harness.errors import BenchError


class Mark:
    """The mark of one instrument, of an address that is claimed.

    `found` says who left one before, "" for nobody.
    """

    def __init__(self, address: str, *, instrument: str) -> None:
        self._instrument, self._address = instrument, address
        try:
            self._path = place_of(address, ".open")
        except OSError as error:
            raise self._refused(error) from error
        self.found = _read(self._path)

    def stand(self) -> None:
        """Put the mark on disk, this one for that which was found. Raises BenchError where it cannot be."""
        since = datetime.now().astimezone().isoformat(timespec="seconds")
        who = {"program": Path(sys.argv[0]).name, "pid": os.getpid(), "since": since}
        content = who | {"instrument": self._instrument, "address": self._address}
        self._write(json.dumps(content).encode())

    def go(self) -> None:
        """Take the mark away: the instrument is off, verified."""
        self._write(b"")

    def _write(self, content: bytes) -> None:
        """In place, and emptied in place: in a folder for everybody nobody may remove another's file."""
        try:
            with os.fdopen(open_shared(self._path), "rb+") as file:
                file.write(content)
                file.truncate()
                file.flush()
                os.fsync(file.fileno())
            _sync_folder(self._path.parent)
        except OSError as error:
            raise self._refused(error) from error

    def _refused(self, error: OSError) -> BenchError:
        return BenchError(
            f"its mark cannot be kept ({error}), by which a later start knows whether it was left safe",
            instrument=self._instrument,
            address=self._address,
        )


def _read(path: Path) -> str:
    try:
        content = path.read_bytes()
        who = json.loads(content) if content else None
        return "" if who is None else f"{who['program']} (process {who['pid']}, since {who['since']})"
    except FileNotFoundError:
        return ""
    except (OSError, ValueError, KeyError, TypeError):
        return "another run"


def _sync_folder(folder: Path) -> None:
    if sys.platform == "win32":
        return
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
