"""Leaves a bench safe: all that can be on is switched off and verified, once, in order, whatever fails."""

import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from types import FrameType

from drivers.claim import LeftOnMarker
from harness.bench_file import role_of
from harness.errors import BenchError

Off = Callable[[], None]
ROLES = ("generator", "supply", "switchboard")  # in the order in which they are made safe


def switched(names: Iterable[str]) -> list[str]:
    """Of instruments by name those that can be left on, in the order in which they are made safe."""
    return sorted(
        (name for name in names if role_of(name) in ROLES), key=lambda name: ROLES.index(role_of(name))
    )


class SafeEnd:
    """Makes a bench safe: once, in order, whatever fails on the way.

    offs: by an instrument's name, what switches it off and verifies that; filled while the bench is opened.
    by_hand: the names of those that a person switches off; they come last, as a person may take a while.
    """

    def __init__(self, marks: Mapping[str, LeftOnMarker]) -> None:
        self.offs: dict[str, Off] = {}
        self.by_hand: set[str] = set()
        self._marks = marks
        self._is_begun = False

    def make_safe(self, cause: BaseException | None) -> None:
        """Switch everything off, take the marks away, and raise BenchError for what could not be."""
        with _interrupts_held():
            if self._is_begun:
                return
            self._is_begun = True
            names = sorted(
                {*self.offs, *self._marks},
                key=lambda name: (name in self.by_hand, ROLES.index(role_of(name)), name),
            )
            failures = [failure for name in names if (failure := self._switch_off(name))]
            if failures:
                raise BenchError(
                    "NOT SAFE. Switch off by hand what could not be switched off and verified: "
                    + "; ".join(failures)
                    + (f" (this came after: {cause})" if cause is not None and str(cause) else ""),
                    instrument="bench",
                ) from cause

    def _switch_off(self, name: str) -> str:
        """Why it could not be made safe, "" if it was."""
        mark = self._marks.get(name)
        try:
            if name in self.offs:
                self.offs[name]()
            elif mark is not None and mark.left_by:
                return ""  # left on by another run, and still: its mark stays, and its error was raised
            if mark is not None:
                mark.remove()
        except Exception as error:  # the next instrument must be made safe whatever befell this one
            return f"{name}: {error}"
        return ""


@contextmanager
def safe_end(marks: Mapping[str, LeftOnMarker]) -> Iterator[SafeEnd]:
    """Make safe, on every way out of the block, what was entered in the `offs` of what this yields.

    Raises BenchError for what could not be made safe, on the way out of the block. If an interrupt
    keeps this function from its end, Python closes it, and it makes safe then.
    """
    safe = SafeEnd(marks)
    try:
        try:
            yield safe
        except BaseException as error:
            safe.make_safe(error)
            raise
        safe.make_safe(None)
    finally:
        safe.make_safe(None)  # if an interrupt came just before it was begun


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Signals that end a run wait until the block is left; an error in the block is raised instead."""
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
