"""One process per instrument: a lock file per address. VISA has no locks of its own on sockets.

The lock is the operating system's, so it goes with the process that held it; the file stays and says who it
was.
"""

import contextlib
import json
import os
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import IO

from drivers.places import open_shared, place_of
from harness.errors import BenchError

HOLDER_AT = 1  # byte 0 is what Windows locks; what is locked there cannot be read


@contextlib.contextmanager
def claim(address: str, *, instrument: str) -> Iterator[None]:
    """Hold an address for this process. Raises BenchError that says who holds it."""
    try:
        descriptor = open_shared(place_of(address, ".lock"))
    except OSError as error:
        raise BenchError(
            f"cannot be claimed for this run ({error})", instrument=instrument, address=address
        ) from error
    with os.fdopen(descriptor, "rb+" if _can_write(descriptor) else "rb") as file:
        try:
            _lock(file)
        except OSError:
            raise BenchError(
                f"is in use by {_holder(file)}; wait for it or end it", instrument=instrument, address=address
            ) from None
        if file.writable():
            _say_who(file, address)
        try:
            yield
        finally:
            _unlock(file)


def _say_who(file: IO[bytes], address: str) -> None:
    file.seek(0)
    file.truncate()
    started = datetime.now().astimezone().isoformat(timespec="seconds")
    who = {"pid": os.getpid(), "program": Path(sys.argv[0]).name, "since": started, "address": address}
    file.write(b" " * HOLDER_AT + json.dumps(who).encode())
    file.flush()


def _can_write(descriptor: int) -> bool:
    """Another user's file may be open for reading alone; it locks all the same."""
    try:
        os.write(descriptor, b"")
    except OSError:
        return False
    return True


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
