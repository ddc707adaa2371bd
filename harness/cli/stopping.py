"""Signals during a run: the first one stops it, further ones wait until the bench is safe."""

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

import typer

SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


@contextmanager
def stoppable() -> Iterator[None]:
    """Turn the first Ctrl-C, SIGTERM or SIGHUP into KeyboardInterrupt; ignore what follows, and say so."""
    stopping = False

    def stop(number: int, frame: FrameType | None) -> None:
        nonlocal stopping
        if stopping:
            typer.echo("already stopping: the bench is being made safe", err=True)
            return
        stopping = True
        raise KeyboardInterrupt(f"stopped by {signal.Signals(number).name}")

    before = {number: signal.signal(number, stop) for number in SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
