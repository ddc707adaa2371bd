"""Where this computer keeps what is said of an instrument: one file name per address, for every user.

Not the user's own run-time folder: two users of one bench would not see each other. Not one that a restart
empties: what stood when the power failed must be found after it.
"""

import contextlib
import hashlib
import os
import tempfile
from pathlib import Path

from drivers.serial_wire import is_serial, serial_place

LASTING = Path("/var/tmp")  # kept over a restart (Filesystem Hierarchy Standard, 5.15)


def place_of(address: str, ending: str) -> Path:
    """The file that stands for an instrument; its folder is made."""
    digest = hashlib.sha256(one_name(address).encode()).hexdigest()[:24]
    return _folder() / f"{digest}{ending}"


def one_name(address: str) -> str:
    """One name for one instrument: a serial port's links (/dev/serial/by-id) lead to its device."""
    place = serial_place(address) if is_serial(address) else address
    return os.path.realpath(place) if place.startswith("/") else place.lower()


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
