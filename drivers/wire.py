"""Bytes to and from one instrument, with a deadline on every wait.

A wire raises only built-in errors: `TimeoutError` where the deadline passed, `ConnectionError` (or another
`OSError`) where the connection is gone, `ValueError` where the bytes don't read as what was asked for.
`Session` puts the instrument's name to them.

The wires of this module are streams of bytes; those with messages are in `visa_wire`.
"""

import contextlib
import os
import socket
import time
from collections.abc import Callable, Sequence
from typing import Any, Literal, TypeVar

from drivers.blocks import block_digits, block_length, check_prefix, check_separator

Connection = TypeVar("Connection")
State = Literal["idle", "data", "closed"]
CONNECT_WITHIN_S = 2.0
KEEPALIVE_WITHIN_MS = 10_000
LONGEST_LINE = 1 << 20
# Between two bytes of one answer less passes: a byte takes 8 ms at 1200 baud, a USB adapter keeps one for 16.
QUIET_S = 0.06
ENDS = {b"\n": "a line feed", b"\r": "a carriage return"}
UNTERMINATED = (
    "the line feed behind the block (the block is complete; if the instrument sends none, set "
    "block_terminated = false in its profile)"
)


class StreamWire:
    """A wire without message boundaries: a buffer, and a way of filling it that each kind brings.

    Deadlines are times of `time.monotonic()`. keeps_answers: whether what another program asked and never
    read may come as the first answer here. not_cleared: "", since a stream has no device clear. prompt: what
    the instrument says behind everything else, b"" if nothing; the session sets it.
    """

    keeps_answers = True
    not_cleared = ""
    prompt = b""

    def __init__(self) -> None:
        self._buffer = bytearray()

    def send(self, data: bytes, deadline: float) -> None:
        """Send all of it."""
        raise NotImplementedError

    def state(self) -> State:
        """Whether bytes wait that nobody asked for, or the peer is gone."""
        raise NotImplementedError

    def close(self) -> None:
        """Close; never raises."""
        raise NotImplementedError

    def _receive(self, deadline: float) -> bytes:
        """Read at least one byte, as many as have come."""
        raise NotImplementedError

    def _receive_into(self, view: memoryview, deadline: float) -> int:
        data = self._receive(deadline)
        taken = min(len(data), len(view))
        view[:taken] = data[:taken]
        self._buffer += data[taken:]
        return taken

    def line(self, deadline: float, ending: bytes = b"\n") -> bytes:
        """Read up to the ending, which is dropped; carriage returns and NULs are dropped with a line feed.

        An empty ending: up to the first `QUIET_S` in which nothing comes.
        """
        if not ending:
            return self._until_quiet(deadline)
        searched = 0
        while (end := self._buffer.find(ending, searched)) < 0:
            searched = max(0, len(self._buffer) - len(ending) + 1)
            if searched > LONGEST_LINE:
                raise ValueError(f"{searched} bytes came without {ended(ending)}; this is no line of text")
            try:
                self._buffer += self._receive(deadline)
            except TimeoutError:
                if self._buffer:
                    what = f"only {bytes(self._buffer[-40:])!r} arrived, without {ended(ending)}"
                    raise Unterminated(what) from None
                raise TimeoutError("nothing arrived") from None
        line = bytes(self._buffer[:end])
        # Some instruments pad with NULs behind the line feed: they belong to this answer and not to the next.
        end += len(ending)
        while end < len(self._buffer) and self._buffer[end] == 0:
            end += 1
        del self._buffer[:end]
        return line.strip(b"\r\n\0")

    def _until_quiet(self, deadline: float) -> bytes:
        if not self._buffer:
            self._buffer += self._receive(deadline)
        with contextlib.suppress(TimeoutError):
            while len(self._buffer) <= LONGEST_LINE:
                self._buffer += self._receive(min(deadline, time.monotonic() + QUIET_S))
        line = bytes(self._buffer)
        self._buffer.clear()
        return line.strip(b"\r\n\0")

    def to_prompt(self, deadline: float) -> bytes:
        """Read up to the prompt, and return that with what came before it."""
        return self.line(deadline, self.prompt) + self.prompt

    def exactly(self, count: int, deadline: float) -> bytes:
        """Read so many bytes."""
        return bytes(self._exactly(count, deadline, "the answer"))

    def block(
        self,
        deadline: float,
        *,
        terminated: bool,
        expected: int | None,
        prefix: bytes = b"",
        blocks: int = 1,
    ) -> bytearray:
        """Read the text before it, header, then exactly the announced bytes, then the line feed.

        blocks: so many, separated, each of the expected length; their bytes one after the other.
        """
        data = self._block(deadline, expected, prefix)
        for _ in range(1, blocks):
            check_separator(bytes(self._exactly(1, deadline, "the separator before a block")))
            data += self._block(deadline, expected, prefix)
        length = len(data)
        if not terminated and not self.prompt and self.state() == "data":
            raise ValueError(
                f"found more behind a block of {length} bytes, and its profile has block_terminated = false"
            )
        if terminated:
            end = self._exactly(1, deadline, UNTERMINATED)
            if end == b"\r":
                end = self._exactly(1, deadline, "the line feed behind the block")
            if end != b"\n":
                raise ValueError(
                    f"expected a line feed behind a block of {length} bytes, found {bytes(end)!r}"
                )
        return data

    def _block(self, deadline: float, expected: int | None, prefix: bytes) -> bytearray:
        check_prefix(bytes(self._exactly(len(prefix), deadline, "the text before a block")), prefix)
        digits = block_digits(bytes(self._exactly(2, deadline, "the header of a block")))
        length = block_length(bytes(self._exactly(digits, deadline, "the length of a block")), expected)
        return self._exactly(length, deadline, "the block")

    def _exactly(self, count: int, deadline: float, what: str) -> bytearray:
        data = bytearray(count)
        have = min(count, len(self._buffer))
        data[:have] = self._buffer[:have]
        del self._buffer[:have]
        view = memoryview(data)
        try:
            while have < count:
                have += self._receive_into(view[have:], deadline)
        except TimeoutError:
            kind = CutShort if have else TimeoutError
            raise kind(f"{have} of {count} bytes of {what} arrived") from None
        except ConnectionError as error:
            raise ConnectionError(f"{error}; {have} of {count} bytes of {what} had arrived") from error
        return data

    def discard(self, quiet_s: float, deadline: float) -> bytes:
        """Throw away what comes in until nothing has come for `quiet_s`, at most until the deadline."""
        gone = bytes(self._buffer)
        self._buffer.clear()
        with contextlib.suppress(TimeoutError):
            while time.monotonic() < deadline:
                gone += self._receive(min(deadline, time.monotonic() + quiet_s))
        return gone


def ended(ending: bytes) -> str:
    """What ends a line, in words."""
    return ENDS.get(ending, f"the prompt {ending.decode('ascii')!r}")


class Unterminated(TimeoutError):
    """Something arrived before the deadline, and no line feed behind it."""


class CutShort(TimeoutError):
    """Some bytes arrived before the deadline, and fewer than were announced or expected."""


def left_s(deadline: float) -> float:
    """Seconds until the deadline; raises TimeoutError when it has passed."""
    left = deadline - time.monotonic()
    if left <= 0.0:
        raise TimeoutError("the deadline has passed")
    return left


class SocketWire(StreamWire):
    """A raw TCP socket. `owner` is what must be closed (the PyVISA resource), the socket itself otherwise."""

    keeps_answers = False  # each connection has an output queue of its own

    def __init__(self, link: socket.socket, owner: Any = None) -> None:
        super().__init__()
        self._socket = link
        self._owner = link if owner is None else owner
        refused = link.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if refused:
            self.close()
            raise ConnectionError(f"cannot be reached ({os.strerror(refused)})")
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        link.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, KEEPALIVE_WITHIN_MS)

    def send(self, data: bytes, deadline: float) -> None:
        """Send all of it; TimeoutError if the peer doesn't take it in time."""
        self._socket.settimeout(left_s(deadline))
        try:
            self._socket.sendall(data)
        except TimeoutError:
            raise TimeoutError("the instrument does not accept what is sent to it") from None

    def _receive(self, deadline: float) -> bytes:
        self._socket.settimeout(left_s(deadline))
        data = self._socket.recv(1 << 16)
        if not data:
            raise ConnectionError("the instrument closed the connection")
        return data

    def _receive_into(self, view: memoryview, deadline: float) -> int:
        self._socket.settimeout(left_s(deadline))
        count = self._socket.recv_into(view)
        if not count:
            raise ConnectionError("the instrument closed the connection")
        return count

    def state(self) -> State:
        """Look at the socket; nothing is taken from it but the NULs that some instruments pad with."""
        if self._buffer:
            return "data"
        self._socket.settimeout(0.0)
        try:
            while (waiting := self._socket.recv(64, socket.MSG_PEEK)) and not waiting.strip(b"\0"):
                self._socket.recv(len(waiting))
            return "data" if waiting else "closed"
        except BlockingIOError:
            return "idle"
        except OSError:
            return "closed"

    def close(self) -> None:
        """Close the socket by its owner."""
        with contextlib.suppress(Exception):
            self._owner.close()


def connected(connect: Callable[[], Connection], waits_s: Sequence[float]) -> Connection:
    """What `connect` returns, tried again after each wait. Raises its last OSError."""
    for wait_s in waits_s:
        time.sleep(wait_s)
        try:
            return connect()
        except OSError as error:
            failure = error
    raise failure
