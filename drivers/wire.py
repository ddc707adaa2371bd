"""Bytes to and from one instrument, with a deadline on every wait.

A wire raises only built-in errors: `TimeoutError` where the deadline passed, `ConnectionError` (or another
`OSError`) where the connection is gone, `ValueError` where the bytes don't read as what was asked for.
`Session` puts the instrument's name to them.

PyVISA opens every VISA resource. On a raw socket of pyvisa-py its reads and writes are not used: a read
takes a closed connection for a slow instrument, a write waits for ever, and with a termination character
every line feed in a block costs a read of its own (measured: 20 times slower at best). The bytes then move
on PyVISA's own socket.
"""

import contextlib
import os
import re
import socket
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Literal, TypeVar

from drivers.blocks import block_digits, block_length, blocks_of, check_prefix, check_separator

Connection = TypeVar("Connection")
State = Literal["idle", "data", "closed"]
CONNECT_WITHIN_S = 2.0
CLEAR_WITHIN_S = 2.0
MESSAGE_AVAILABLE = 0x10  # IEEE 488.2, 11.2.1.2: bit 4 of the status byte, an answer waits to be read
UNREAD_WITHIN_S = 0.3  # an answer that the status byte announces is there
MOST_UNREAD = 32
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
    read may come as the first answer here. not_cleared: "", since a stream has no device clear.
    """

    keeps_answers = True
    not_cleared = ""

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


class VisaWire:
    """Any other VISA resource, through PyVISA: USBTMC, HiSLIP, VXI-11, or a socket of a system VISA.

    Where the interface marks the end of a message, reads go to that mark and the termination character is
    off; on a socket or a serial line it is on for lines and off for blocks. keeps_answers: as of
    `StreamWire`; the links of a message-based interface share the instrument's one output queue. not_cleared:
    why the instrument was not cleared when the wire was opened, "" if it was.
    """

    def __init__(self, resource: Any, *, marks_ends: bool, not_cleared: str = "") -> None:
        self._resource = resource
        self._marks_ends = self.keeps_answers = marks_ends
        self.not_cleared = not_cleared
        resource.write_termination = None
        resource.chunk_size = 1 << 20

    def _before(self, deadline: float, *, ending: bytes = b"") -> None:
        self._resource.timeout = max(1.0, 1e3 * left_s(deadline))
        self._resource.read_termination = ending.decode() or None

    def send(self, data: bytes, deadline: float) -> None:
        """Send all of it."""
        self._before(deadline)
        with _visa_errors():
            self._resource.write_raw(data)

    def line(self, deadline: float, ending: bytes = b"\n") -> bytes:
        """Read one message; the ending counts where the interface does not mark a message's end."""
        # the interface knows an ending of one character alone
        self._before(deadline, ending=b"" if self._marks_ends else ending[-1:])
        with _visa_errors():
            line = bytes(self._resource.read_raw())
            while not (self._marks_ends or line.endswith(ending)):
                line += bytes(self._resource.read_raw())
        return line.removesuffix(ending).strip(b"\r\n\0")

    def block(
        self,
        deadline: float,
        *,
        terminated: bool,
        expected: int | None,
        prefix: bytes = b"",
        blocks: int = 1,
    ) -> bytearray:
        """Read blocks: as one message where the interface marks its end, else by exact lengths."""
        self._before(deadline)
        data = bytearray()
        with _visa_errors():
            if self._marks_ends:
                return blocks_of(self._resource.read_raw(), expected, prefix, blocks)
            for number in range(blocks):
                if number:
                    check_separator(self._resource.read_bytes(1))
                if prefix:
                    check_prefix(self._resource.read_bytes(len(prefix)), prefix)
                digits = block_digits(self._resource.read_bytes(2))
                length = block_length(self._resource.read_bytes(digits) if digits else b"", expected)
                last = terminated and number == blocks - 1
                data += self._resource.read_bytes(length + last)
        if terminated and data.pop() != ord("\n"):
            raise ValueError(f"expected a line feed behind a block of {length} bytes")
        return data

    def exactly(self, count: int, deadline: float) -> bytes:
        """Read so many bytes."""
        self._before(deadline)
        with _visa_errors():
            return bytes(self._resource.read_bytes(count))

    def state(self) -> State:
        """Nothing can be seen without reading on these interfaces."""
        return "idle"

    def clear(self, deadline: float) -> None:
        """Device clear, which empties the output queue; then a look at the status byte, if it can be had.

        What waits all the same is read and thrown away. Raises NotImplementedError where the interface or the
        instrument refuses (the wire works as before), another OSError where clearing failed half-way (the
        wire is of no use). Sources: IEEE 488.2, 5.8 and 11.2.1.2; VXI-11, B.6.7; IVI-6.1, 6.12.
        """
        self._before(deadline)
        refused: Exception | None = None
        try:
            with _visa_errors():
                self._resource.clear()
        except NotImplementedError as error:
            refused = error
        for _ in range(MOST_UNREAD):
            if not self._announces_answer():
                break
            try:
                self.line(min(deadline, time.monotonic() + UNREAD_WITHIN_S))
            except TimeoutError:
                break  # the bit of an instrument that uses it for something else
        if refused is not None:
            raise refused

    def _announces_answer(self) -> bool:
        try:
            return bool(self._resource.read_stb() & MESSAGE_AVAILABLE)
        except Exception:  # not every interface of pyvisa-py can ask, and each says so by another exception
            return False

    def discard(self, quiet_s: float, deadline: float) -> bytes:
        """Read messages and throw them away until none has come for `quiet_s`, at most until the deadline."""
        gone = b""
        with contextlib.suppress(TimeoutError):
            while True:
                gone += self.line(min(deadline, time.monotonic() + quiet_s)) + b"\n"
        return gone

    def close(self) -> None:
        """Close the resource."""
        with contextlib.suppress(Exception):
            self._resource.close()


Wire = StreamWire | VisaWire


@contextlib.contextmanager
def _visa_errors() -> Iterator[None]:
    import pyvisa  # takes 0.2 s

    try:
        yield
    except pyvisa.errors.VisaIOError as error:
        if error.error_code == pyvisa.constants.StatusCode.error_timeout:
            raise TimeoutError("no complete answer") from error
        if error.error_code == pyvisa.constants.StatusCode.error_nonsupported_operation:
            raise NotSupported(str(error)) from error
        raise ConnectionError(str(error)) from error
    except NotImplementedError as error:
        raise NotSupported(str(error) or "not supported") from error
    except (TimeoutError, ValueError):
        raise
    except Exception as error:  # RuntimeError, AssertionError: pyvisa-py's interfaces differ
        raise ConnectionError(str(error) or type(error).__name__) from error


class NotSupported(ConnectionError, NotImplementedError):
    """The interface, or the instrument at it, has no such operation."""


LIBRARIES = {"python": "@py", "system": "@ivi"}  # as PyVISA calls them


def open_visa(address: str, library: str) -> Wire:
    """Open a VISA resource by its name; `library` is "python" or "system". Raises ConnectionError."""
    tcp = re.fullmatch(r"TCPIP\d*::([^:]+)::(\d+)::SOCKET", address, re.IGNORECASE)
    if tcp:
        try:  # pyvisa-py leaves a socket behind where the name is unknown
            socket.getaddrinfo(tcp[1], int(tcp[2]), socket.AF_INET, socket.SOCK_STREAM)
        except OSError as error:
            raise ConnectionError(f"{tcp[1]} is not known on this network ({error})") from error
    manager, resource = _opened(address, library)
    sessions = getattr(manager.visalib, "sessions", {})
    link = getattr(sessions.get(resource.session), "interface", None)
    if isinstance(link, socket.socket):
        return SocketWire(link, resource)  # which holds its manager: the last reference to that closes all
    if address.upper().endswith("::SOCKET"):
        return VisaWire(resource, marks_ends=False)
    return _cleared(VisaWire(resource, marks_ends=True), address, library)


def _opened(address: str, library: str) -> tuple[Any, Any]:
    """PyVISA's manager, and the resource. Raises ConnectionError."""
    import pyvisa  # takes 0.2 s

    try:
        manager = pyvisa.ResourceManager(LIBRARIES[library])
    except (OSError, ValueError) as error:  # pyvisa.errors.LibraryError is an OSError
        why = " ".join(str(error).split())
        raise ConnectionError(
            f"cannot be opened, as no VISA library is found on this computer ({why}); install one, or write "
            'visa = "python"'
        ) from error
    try:
        return manager, manager.open_resource(address, open_timeout=int(1e3 * CONNECT_WITHIN_S))
    except Exception as error:  # pyvisa-py raises bare Exception, and whatever its backends raise
        # If nothing answers at all, its text is the standard's status as a bare number.
        late = str(int(pyvisa.constants.StatusCode.error_timeout)) in str(error)
        why = f"nothing answered within {CONNECT_WITHIN_S:g} s" if late else " ".join(str(error).split())
        raise ConnectionError(f"cannot be opened ({why})") from error


def _cleared(wire: VisaWire, address: str, library: str) -> VisaWire:
    """The wire, or another in its place, with the output queue of the instrument emptied if it can be.

    Clearing fails half-way where an old answer comes in the middle of it (HiSLIP, by pyvisa-py 0.8.1): then
    once more, on a new connection.
    """
    for again in (True, False):
        try:
            wire.clear(time.monotonic() + CLEAR_WITHIN_S)
        except NotImplementedError as error:
            wire.not_cleared = str(error)
        except OSError as error:
            wire.close()
            wire = VisaWire(_opened(address, library)[1], marks_ends=True, not_cleared=str(error))
            if again and not isinstance(error, TimeoutError):
                continue
        else:
            wire.not_cleared = ""
        break
    return wire


def connected(connect: Callable[[], Connection], waits_s: Sequence[float]) -> Connection:
    """What `connect` returns, tried again after each wait. Raises its last OSError."""
    for wait_s in waits_s:
        time.sleep(wait_s)
        try:
            return connect()
        except OSError as error:
            failure = error
    raise failure
