"""Signals during a run: the first one stops it, further ones change nothing of how that ends."""

import contextlib
import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

import typer

from harness.errors import RunStopped, SwitchwalkError

SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


class Stopping:
    """Whether a signal has asked for the end of what is going on."""

    def __init__(self) -> None:
        self.reason = ""

    def check(self) -> None:
        """Raise KeyboardInterrupt where a signal came and its own one was lost.

        Python drops what is raised within a finaliser or a weak reference's callback, wherever those run.
        """
        if self.reason:
            raise KeyboardInterrupt(self.reason)


@contextmanager
def stoppable() -> Iterator[Stopping]:
    """Turn the first Ctrl-C, SIGTERM or SIGHUP into KeyboardInterrupt; ignore what follows, and say so.

    Outside, the interruption is a RunStopped: the command line's own handling of Ctrl-C has no exit code of
    ours. After a stop what follows is ignored until `signals_as_before` ends: a key that is held down would
    else cut off what is still to be closed, and told of how it ended.
    """
    stopping = Stopping()

    def stop(number: int, frame: FrameType | None) -> None:
        if stopping.reason:
            with contextlib.suppress(OSError):  # the terminal may be what was lost
                typer.echo("already stopping: the bench is being made safe", err=True)
            return
        stopping.reason = f"stopped by {signal.Signals(number).name}"
        raise KeyboardInterrupt(stopping.reason)

    before = {number: signal.signal(number, stop) for number in SIGNALS}
    try:
        yield stopping
    except KeyboardInterrupt as error:
        raise _stopped(str(error), error) from error
    except SwitchwalkError:
        raise  # what could not be made safe, or kept, is told whatever asked for the end
    except Exception as error:
        # A library that an interruption met half-way may make an error of its own of it.
        if not stopping.reason:
            raise
        raise _stopped(stopping.reason, error) from error
    finally:
        for number, handler in before.items():
            signal.signal(number, signal.SIG_IGN if stopping.reason else handler)


@contextmanager
def signals_as_before() -> Iterator[None]:
    """Give signals back, at the end, to whom they went at the beginning."""
    before = {number: signal.getsignal(number) for number in SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            if handler is not None and signal.getsignal(number) is not handler:
                signal.signal(number, handler)


def _stopped(reason: str, error: BaseException) -> RunStopped:
    stopped = RunStopped(reason or "stopped by hand")
    for note in getattr(error, "__notes__", ()):
        stopped.add_note(note)
    return stopped


@contextmanager
def output_may_be_gone() -> Iterator[None]:
    """Let printing fail where the terminal or the pipe is gone: the exit code says how the run ended."""
    try:
        yield
        sys.stdout.flush()
    except OSError:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(OSError, ValueError):
                os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
