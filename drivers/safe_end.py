"""The safe end of a bench: generator outputs off, supply off, relays released, in that order and verified."""

import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from types import FrameType

from drivers.claim import Mark
from harness.errors import BenchError

Off = Callable[[], None]
ROLES = ("generator", "supply", "switchboard")  # in the order in which they are made safe


class SafeEnd:
    """The one place where a bench is made safe: once, in order, whatever fails on the way.

    offs: by role, what switches it off and verifies that; filled while the bench is opened.
    """

    def __init__(self, marks: Mapping[str, Mark]) -> None:
        self.offs: dict[str, Off] = {}
        self._marks = marks
        self._come = False

    def come(self, cause: BaseException | None) -> None:
        """Switch everything off, take the marks away, and raise BenchError for what could not be."""
        with _interrupts_held():
            if self._come:
                return
            self._come = True
            failures = [failure for role in ROLES if (failure := self._switch_off(role))]
            if failures:
                raise BenchError(
                    "NOT SAFE. Switch off by hand what could not be switched off and verified: "
                    + "; ".join(failures)
                    + (f" (this came after: {cause})" if cause is not None and str(cause) else ""),
                    instrument="bench",
                ) from cause

    def _switch_off(self, role: str) -> str:
        """Why it could not be made safe, "" where it was."""
        mark = self._marks.get(role)
        try:
            if role in self.offs:
                self.offs[role]()
            elif mark is not None and mark.found:
                return ""  # left on by another run, and still: its mark stays, and its error was raised
            if mark is not None:
                mark.go()
        except Exception as error:  # the next instrument must be made safe whatever befell this one
            return f"{role}: {error}"
        return ""


@contextmanager
def safe_end(marks: Mapping[str, Mark]) -> Iterator[SafeEnd]:
    """Make safe, on every way out of the block, what was entered in the `offs` of what this gives.

    Raises BenchError for what could not be made safe, on the way out of the block.
    """
    safe = SafeEnd(marks)
    try:
        try:
            yield safe
        except BaseException as error:
            safe.come(error)
            raise
        safe.come(None)
    finally:
        safe.come(None)  # where an interrupt came just before it was begun


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Signals that end a run wait until the block is left; an error in the block is told in place of them."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    caught: list[int] = []

    def hold(number: int, frame: FrameType | None) -> None:
        caught.append(number)

    held = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.signal(number, hold) for number in held}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    if caught:
        signal.raise_signal(caught[-1])
