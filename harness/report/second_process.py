"""What another process works out while the bench is at work, so that a run's report need not wait for it.

What a plan would see of every fault follows from job and plan alone, and takes seconds, or half a minute. The
other process is less urgent than the run, and ends with it, however that ends.
"""

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from contextlib import contextmanager, suppress
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import ParamSpec, Self, TypeVar

from harness.faults.coverage import FaultSeen, judge_faults
from harness.session.planned_job import PlannedJob

NICENESS = 5  # gives way to the run, and still gets on where a processor has other work as well

Asked = ParamSpec("Asked")
Found = TypeVar("Found")


class SecondProcess:
    """The other process. A context manager; what it has not answered when this is left is given up."""

    def __init__(self) -> None:
        spawning = get_context("spawn")
        theirs, self._ours = spawning.Pipe(duplex=False)  # ours is closed with this process, in any case
        self._pool = ProcessPoolExecutor(1, mp_context=spawning, initializer=_begin, initargs=(theirs,))
        with _interruptions_put_off():
            self.process = self._pool.submit(os.getpid)
        self._coverage: Future[tuple[FaultSeen, ...]] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._ours.close()
        self._pool.shutdown(cancel_futures=True)

    def begin_coverage(self, planned: PlannedJob) -> None:
        """Begin to work out what a plan would see of every fault."""
        self._coverage = self._ask(judge_faults, planned.job, planned.plan, impedances=planned.impedances)

    def coverage(self) -> tuple[FaultSeen, ...]:
        """Wait for the coverage; () where that came to nothing."""
        return _answer(self._coverage) or ()

    def _ask(
        self, work: Callable[Asked, Found], *args: Asked.args, **kwargs: Asked.kwargs
    ) -> Future[Found] | None:
        """Have something worked out after what was asked before; None where the other process is no more."""
        with suppress(BrokenExecutor):
            return self._pool.submit(work, *args, **kwargs)
        return None


def _answer(asked: Future[Found] | None) -> Found | None:
    """Wait for what was found; None where that came to nothing."""
    return asked.result() if asked is not None and asked.exception() is None else None


@contextmanager
def _interruptions_put_off() -> Iterator[None]:
    """A process that is started within this is never interrupted: a Ctrl-C is for the run."""
    if sys.platform == "win32":
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin(asker: Connection) -> None:
    """Begin as the other process: in silence, giving way, and no longer than whoever asks."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(NICENESS)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (1, 2):
        os.dup2(nowhere, stream)
    threading.Thread(target=_end_with, args=(asker,), daemon=True).start()


def _end_with(asker: Connection) -> None:
    with suppress(EOFError, OSError):
        asker.recv_bytes()
    os._exit(1)
