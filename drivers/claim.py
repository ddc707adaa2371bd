"""What this computer keeps of an instrument, a file per address for every user: its lock and its mark.

The lock lets one process at a time use an instrument: VISA has no locks of its own on sockets. It is the
operating system's, so it goes with the process that held it; the file stays and says who it was. The mark
tells the next start that an instrument was not left safe: it is on disk before anything is switched, and goes
only when the instrument was switched off and verified; so a killed process, a crash and a power failure leave
it.

The files are not in the user's own run-time folder: two users of one bench would not see each other. Nor in a
folder that a restart empties: what stood when the power failed must be found after it.
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

from drivers.serial_wire import is_serial, serial_port
from harness.errors import BenchError, InUse

HOLDER_AT = 1  # byte 0 is what Windows locks; what is locked there cannot be read
LASTING = Path("/var/tmp")  # kept over a restart (Filesystem Hierarchy Standard, 5.15)


@contextlib.contextmanager
def claim(address: str, *, instrument: str) -> Iterator[None]:
    """Hold an address for this process. Raises InUse that says who else holds it."""
    try:
        descriptor = open_shared(path_of(address, ".lock"))
    except OSError as error:
        raise BenchError(
            f"cannot be claimed for this run ({error})", instrument=instrument, address=address
        ) from error
    with os.fdopen(descriptor, "rb+" if _can_write(descriptor) else "rb") as file:
        try:
            _lock(file)
        except OSError:
            raise InUse(
                f"is in use by {_holder(file)}; wait for it, or end it",
                instrument=instrument,
                address=address,
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
    file.write(b" " * HOLDER_AT + json.dumps(_this_process(address=address)).encode())
    file.flush()


def _this_process(**more: str) -> dict[str, object]:
    since = datetime.now().astimezone().isoformat(timespec="seconds")
    return {"pid": os.getpid(), "program": Path(sys.argv[0]).name, "since": since, **more}


def _named(who: dict[str, object]) -> str:
    return f"{who['program']} (process {who['pid']}, since {who['since']})"


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
        return _named(json.loads(file.read()))
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


class LeftOnMarker:
    """The mark of one instrument, of an address that is claimed.

    `left_by` says who left one before, "" for nobody.
    """

    def __init__(self, address: str, *, instrument: str) -> None:
        self._instrument, self._address = instrument, address
        try:
            self._path = path_of(address, ".open")
        except OSError as error:
            raise self._refused(error) from error
        self.left_by = _read(self._path)

    def put(self) -> None:
        """Put the mark on disk, in place of an earlier run's. Raises BenchError if it cannot be."""
        who = _this_process(instrument=self._instrument, address=self._address)
        self._write(json.dumps(who).encode())

    def remove(self) -> None:
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
        return _named(json.loads(content)) if content else ""
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


def path_of(address: str, ending: str) -> Path:
    """The file that stands for an instrument; its folder is made.

    A serial port's links (/dev/serial/by-id) lead to its device, so that an instrument has one name.
    """
    name = serial_port(address) if is_serial(address) else address
    name = os.path.realpath(name) if name.startswith("/") else name.lower()
    return _folder() / f"{hashlib.sha256(name.encode()).hexdigest()[:24]}{ending}"


def _folder() -> Path:
    folder = (LASTING if LASTING.is_dir() else Path(tempfile.gettempdir())) / "switchwalk-benches"
    folder.mkdir(exist_ok=True)
    with contextlib.suppress(OSError):
        folder.chmod(0o1777)
    return folder


def open_shared(path: Path) -> int:
    """Open for reading and writing, made for everybody; another user's file for reading where need be.

    Kernels refuse O_CREAT on another user's file in a folder like this one, so it is not asked for there.
    """
    flags = os.O_RDWR | getattr(os, "O_NOFOLLOW", 0)
    for wanted in (flags, flags | os.O_CREAT | os.O_EXCL, flags, flags & ~os.O_RDWR):
        try:
            descriptor = os.open(path, wanted, 0o666)
        except (FileNotFoundError, FileExistsError, PermissionError) as error:
            failure = error
        else:
            with contextlib.suppress(OSError, AttributeError):
                os.fchmod(descriptor, 0o666)
            return descriptor
    raise failure
