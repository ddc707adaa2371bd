"""What this computer keeps of an instrument, a file per address for every user: its lock and its mark.

The lock lets one process at a time use an instrument: VISA has no locks of its own on sockets. It is the
operating system's, so it goes with the process that held it; the file stays and says who it was. The mark
tells the next start that an instrument was not left safe: it is on disk before anything is switched, and goes
only when the instrument was switched off and verified; so a killed process, a crash and a power failure leave
it.

The files are not in the user's own run-time folder: two users of one bench would not see each other. Nor in a
folder that a restart empties: what stood when the power failed must be found after it. Everybody may make
files in that folder, and nobody may write or remove another's. So each user has a mark of their own for an
instrument: the newest one counts, and an empty one says that the instrument is off.
"""

import contextlib
import errno
import hashlib
import json
import os
import stat
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import IO

from drivers.serial_wire import is_serial, serial_port
from harness.errors import BenchError, InUse

HOLDER_AT = 1  # byte 0 is what Windows locks; what is locked there cannot be read
ATTEMPTS = 1000  # to lock a file that others remove when they give it back
STALE_AFTER_S = 86_400.0
SHARED, FILE = 0o1777, 0o644  # modes of the folder and of its files
LASTING = Path("/var/tmp")  # kept over a restart (Filesystem Hierarchy Standard, 5.15)


@contextlib.contextmanager
def claim(address: str, *, instrument: str) -> Iterator[None]:
    """Hold an address for this process. Raises InUse that says who else holds it."""
    try:
        path = path_of(address, ".lock")
        _remove_stale(path.parent)
        file = _locked(path)
    except OSError as error:
        raise BenchError(
            f"cannot be claimed for this run ({_why(error)})", instrument=instrument, address=address
        ) from error
    if isinstance(file, str):
        raise InUse(f"is in use by {file}; wait for it, or end it", instrument=instrument, address=address)
    with file:
        if file.writable():
            _say_who(file, address)
        try:
            yield
        finally:
            if file.writable():
                _remove(path)  # while it is locked: whoever opened it meanwhile sees that it is gone
            _unlock(file)


def _locked(path: Path) -> IO[bytes] | str:
    """The file, locked; or who holds it. Raises OSError."""
    for _ in range(ATTEMPTS):
        try:
            file = _opened(path, make=True)
        except FileNotFoundError:
            continue  # it was there, and its holder removed it
        try:
            _lock(file)
        except OSError:
            with file:
                return _holder(file)
        if _is_at(file, path):
            return file
        file.close()  # it was removed, by the process that held it, before it could be locked
    raise FileNotFoundError(errno.ENOENT, "it is removed again and again", str(path))


def _is_at(file: IO[bytes], path: Path) -> bool:
    found = _lstat(path)
    return found is not None and os.path.samestat(os.fstat(file.fileno()), found)


def _remove_stale(folder: Path) -> None:
    """Remove one's own lock files that nobody has held for a day: of processes that were killed."""
    for path in folder.glob("*.lock"):
        with contextlib.suppress(OSError):
            found = path.lstat()
            if found.st_uid != _user() or time.time() - found.st_mtime < STALE_AFTER_S:
                continue
            with _opened(path) as file:
                _lock(file)
                if _is_at(file, path):
                    _remove(path)
                _unlock(file)


def _remove(path: Path) -> None:
    with contextlib.suppress(OSError):  # Windows removes no file that is open; it stays, and harms nobody
        path.unlink()


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
            self._path = path_of(address, f".{_user()}.open")
            self._marks = f"{path_of(address, '').name}.*open"
            marks = self._all()
            self.left_by = _read(max(marks, key=lambda path: marks[path].st_mtime_ns)) if marks else ""
        except OSError as error:
            raise self._refused(error) from error

    def _all(self) -> dict[Path, os.stat_result]:
        """Every user's mark of the instrument; another process may remove its own at any moment."""
        found = {path: _lstat(path) for path in self._path.parent.glob(self._marks)}
        return {path: status for path, status in found.items() if status is not None}

    def put(self) -> None:
        """Put the mark on disk, in place of an earlier run's. Raises BenchError if it cannot be."""
        who = _this_process(instrument=self._instrument, address=self._address)
        self._write(json.dumps(who).encode())

    def remove(self) -> None:
        """Take the mark away: the instrument is off, verified. Another user's is outlived by an empty one."""
        if any(status.st_size for path, status in self._all().items() if path != self._path):
            self._write(b"")
            return
        _remove(self._path)
        if self._path.exists():
            self._write(b"")
        _sync_folder(self._path.parent)

    def _write(self, content: bytes) -> None:
        try:
            newest_ns = max((status.st_mtime_ns for status in self._all().values()), default=0)
            with _opened(self._path, make=True) as file:
                file.write(content)
                file.truncate()
                file.flush()
                at_ns = max(time.time_ns(), newest_ns + 1)  # a clock that was set back makes it no older
                os.utime(file.fileno() if os.utime in os.supports_fd else self._path, ns=(at_ns, at_ns))
                os.fsync(file.fileno())
            _sync_folder(self._path.parent)
        except OSError as error:
            raise self._refused(error) from error

    def _refused(self, error: OSError) -> BenchError:
        return BenchError(
            f"the mark that tells a later start whether it was left safe cannot be written ({_why(error)})",
            instrument=self._instrument,
            address=self._address,
        )


def _lstat(path: Path) -> os.stat_result | None:
    """What the system says of a file, None if it is gone. Raises OSError for any other reason."""
    try:
        return path.lstat()
    except FileNotFoundError:
        return None


def _read(path: Path) -> str:
    try:
        with _opened(path) as file:
            content = file.read()
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
    """The folder, which everybody may write and where nobody may remove another's file. Raises OSError."""
    folder = (LASTING if LASTING.is_dir() else Path(tempfile.gettempdir())) / "switchwalk-benches"
    with contextlib.suppress(FileExistsError):
        folder.mkdir()
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode):
        raise NotADirectoryError(errno.ENOTDIR, "expected a folder, not a link; remove it", str(folder))
    if found.st_uid == _user() and stat.S_IMODE(found.st_mode) != SHARED:
        folder.chmod(SHARED)
    return folder


def _user() -> int:
    return os.geteuid() if sys.platform != "win32" else 0


def _opened(path: Path, *, make: bool = False) -> IO[bytes]:
    """One's own file for reading and writing, another user's for reading. Raises OSError.

    No link is followed, nothing but a file is opened, and one with a second name, which may be a trap, is not
    written. Kernels refuse O_CREAT on another user's file in a folder like this one: it is asked for alone.
    """
    flags = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    if make:
        with contextlib.suppress(FileExistsError):
            descriptor = os.open(path, flags | os.O_RDWR | os.O_CREAT | os.O_EXCL, FILE)
            if sys.platform != "win32":
                os.fchmod(descriptor, FILE)  # whatever the umask: another user must be able to lock it
            return os.fdopen(descriptor, "rb+")
    found = path.lstat()
    if not stat.S_ISREG(found.st_mode) or found.st_nlink > 1:
        raise PermissionError(errno.EPERM, "expected a plain file with one name; remove it", str(path))
    if found.st_uid != _user():
        return os.fdopen(os.open(path, flags | os.O_RDONLY), "rb")
    descriptor = os.open(path, flags | os.O_RDWR)
    if sys.platform != "win32" and stat.S_IMODE(found.st_mode) != FILE:
        os.fchmod(descriptor, FILE)
    return os.fdopen(descriptor, "rb+")


def _why(error: OSError) -> str:
    """What the system says, with the path, and whose file it is if it is another's."""
    path = Path(str(error.filename)) if error.filename else None
    said = f"{path}: {error.strerror}" if path else str(error)
    with contextlib.suppress(OSError):
        if path and path.lstat().st_uid != _user():
            said += f"; it belongs to user number {path.lstat().st_uid}, who must remove it"
    return said
