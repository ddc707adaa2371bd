"""Who is next to write to a file of records.

Whoever has just written, and goes on at once, would be there first again and again: a machine that is busy
wakes the others too late. So those who want to write hold the records' folder, one at a time, until they have
begun; the lock is the operating system's and goes with the process that held it. Where a system or a disk has
no such lock, whose turn it is falls to chance.
"""

import os
import random
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

PAUSES_S = (0.0005, 0.003)
"""Between two tries, at random: about as long as a bench takes between two groups of readings."""


if sys.platform == "win32":

    @contextmanager
    def next_in_line(_folder: Path, _until_s: float) -> Iterator[None]:
        """A folder cannot be held here."""
        yield
else:
    import fcntl

    @contextmanager
    def next_in_line(folder: Path, until_s: float) -> Iterator[None]:
        """Hold the folder; whoever does not get it by then (of the monotonic clock) goes on without."""
        with ExitStack() as held:
            with suppress(OSError):  # a folder may be written and not be listed, a disk have no such locks
                descriptor = os.open(folder, os.O_RDONLY)
                held.callback(os.close, descriptor)
                while not _hold(descriptor) and time.monotonic() < until_s:
                    time.sleep(random.uniform(*PAUSES_S))
                held.callback(fcntl.flock, descriptor, fcntl.LOCK_UN)
            yield

    def _hold(descriptor: int) -> bool:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
