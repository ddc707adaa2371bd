"""One process per instrument: a lock file per address. VISA has no locks of its own on sockets.

The lock is the operating system's, so it goes with the process that held it; the file stays and says who it
was.
"""

import contextlib
import hashlib
import json
import os
import sys
import tempfile
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import IO

from drivers.serial_wire import is_serial, serial_place
from harness.errors import BenchError

HOLDER_AT = 1  # byte 0 is what Windows locks; what is locked there cannot be read


@contextlib.contextmanager
def claim(address: str, *, instrument: str) -> Iterator[None]:
    """Hold an address for this process. Raises BenchError that says who holds it."""
    path = _folder() / f"{hashlib.sha256(_one_name(address).encode()).hexdigest()[:24]}.lock"
    with _open(path) as file:
        try:
            _lock(file)
        except OSError:
            raise BenchError(
                f"is in use by {_holder(file)}; wait for it or end it", instrument=instrument, address=address
            ) from None
        file.seek(0)
        file.truncate()
        started = datetime.now().astimezone().isoformat(timespec="seconds")
        who = {"pid": os.getpid(), "program": Path(sys.argv[0]).name, "since": started, "address": address}
        file.write(b" " * HOLDER_AT + json.dumps(who).encode())
        file.flush()
        try:
            yield
        finally:
            _unlock(file)


def _one_name(address: str) -> str:
    """One name for one instrument: a serial port's links (/dev/serial/by-id) lead to its device."""
    place = serial_place(address) if is_serial(address) else address
    return os.path.realpath(place) if place.startswith("/") else place.lower()


def _folder() -> Path:
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    root = Path(runtime) if runtime and Path(runtime).is_dir() else Path(tempfile.gettempdir())
    # Everybody's in the common folder, so that two users of one bench see each other's claims.
    folder = root / "switchwalk-claims"
    folder.mkdir(exist_ok=True)
    with contextlib.suppress(OSError):
        folder.chmod(0o1777)
    return folder


def _open(path: Path) -> IO[bytes]:
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    return os.fdopen(descriptor, "r+b")


def _holder(file: IO[bytes]) -> str:
    try:
        file.seek(HOLDER_AT)
        who = json.loads(file.read())
        return f"{who['program']} (process {who['pid']}, since {who['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        return "another process"


if sys.platform == "win32":
    import msvcrt

    def _lock(file: IO[bytes]) -> None:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)

    def _unlock(file: IO[bytes]) -> None:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)
else:
    import fcntl

    def _lock(file: IO[bytes]) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _unlock(file: IO[bytes]) -> None:
        fcntl.flock(file, fcntl.LOCK_UN)
