"""Ends that are asked for by another process: they unwind, so that a bench is made safe on the way."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

SIGNALS = tuple(getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name))


@contextmanager
def terminable() -> Iterator[None]:
    """Turn SIGTERM and SIGHUP into KeyboardInterrupt, as Ctrl-C is one.

    Signals are of the main thread: in another, nothing is done. One that is handled already, by whoever uses
    this as a library, is left to them.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt(f"stopped by {signal.Signals(number).name}")

    taken = [number for number in SIGNALS if signal.getsignal(number) is signal.SIG_DFL]
    for number in taken:
        signal.signal(number, stop)
    try:
        yield
    finally:
        for number in taken:
            signal.signal(number, signal.SIG_DFL)
