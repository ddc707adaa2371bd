"""Bytes to and from an instrument through PyVISA.

PyVISA opens every VISA resource. On a raw socket of pyvisa-py its reads and writes are not used: a read
takes a closed connection for a slow instrument, a write waits for ever, and with a termination character
every line feed in a block costs a read of its own (measured: 20 times slower at best). The bytes then move
on PyVISA's own socket. The exceptions are those of `wire`.
"""

import contextlib
import re
import socket
import time
from collections.abc import Iterator
from typing import Any

from drivers.blocks import block_digits, block_length, blocks_of, check_prefix, check_separator
from drivers.wire import CONNECT_WITHIN_S, SocketWire, State, StreamWire, left_s

CLEAR_WITHIN_S = 2.0
MESSAGE_AVAILABLE = 0x10  # IEEE 488.2, 11.2.1.2: bit 4 of the status byte, an answer waits to be read
UNREAD_WITHIN_S = 0.3  # an answer that the status byte announces is there
MOST_UNREAD = 32
PADDING = b"\r\n\0"


class VisaWire:
    """Any other VISA resource, through PyVISA: USBTMC, HiSLIP, VXI-11, or a socket of a system VISA.

    Where the interface marks the end of a message, reads go to that mark and the termination character is
    off; on a socket or a serial line it is on for lines and off for blocks. A message may hold more than one
    line: an echo, the answer, what is said behind it, the prompt. keeps_answers: as of `StreamWire`; the
    links of a message-based interface share the instrument's one output queue. not_cleared: why the
    instrument was not cleared when the wire was opened, "" if it was. prompt: as of `StreamWire`. Where
    messages have ends nothing waits for it, since the interface itself holds back what the instrument can't
    take yet, and it may come before an answer, behind it, or in a message of its own.
    """

    prompt = b""

    def __init__(self, resource: Any, *, marks_ends: bool, not_cleared: str = "") -> None:
        self._resource = resource
        self._marks_ends = self.keeps_answers = marks_ends
        self.not_cleared = not_cleared
        self._left = b""  # of a message whose first lines were read
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
        """Read a line, which a message's end ends as well."""
        if self._marks_ends:
            message = self._message(deadline)
            line, _, left = message.partition(ending) if ending else (message, b"", b"")
            if self.prompt and line.endswith(self.prompt):
                line, left = line.removesuffix(self.prompt), self.prompt + left
            self._left = left if left.strip(PADDING) else b""
            return line.strip(PADDING)
        self._before(deadline, ending=ending[-1:])  # the interface knows an ending of one character alone
        with _visa_errors():
            line = bytes(self._resource.read_raw())
            while not line.endswith(ending):
                line += bytes(self._resource.read_raw())
        return line.removesuffix(ending).strip(PADDING)

    def _message(self, deadline: float) -> bytes:
        """The next message, or what is left of this one, without the prompts before it."""
        while True:
            message, self._left = self._left or self._read_message(deadline), b""
            if not self.prompt:
                return message
            rest = message.lstrip(PADDING)
            while rest.startswith(self.prompt):
                rest = rest.removeprefix(self.prompt).lstrip(PADDING)
            if rest:
                return rest

    def _read_message(self, deadline: float) -> bytes:
        self._before(deadline)
        with _visa_errors():
            return bytes(self._resource.read_raw())

    def to_prompt(self, deadline: float) -> bytes:
        """Read up to the prompt, and return that with what came before it; b"" if none waits to be read."""
        if not self._marks_ends:
            return self.line(deadline, self.prompt) + self.prompt
        if not self._left and self._announces_answer():
            with contextlib.suppress(TimeoutError):  # the bit may be used for something else
                self._left = self._read_message(min(deadline, time.monotonic() + UNREAD_WITHIN_S))
        before, prompt, left = self._left.partition(self.prompt)
        self._left = left if left.strip(PADDING) else b""
        return before + prompt

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
        if self._marks_ends:
            data, left = blocks_of(self._message(deadline), expected, prefix, blocks, self.prompt)
            self._left = left
            return data
        self._before(deadline)
        data = bytearray()
        with _visa_errors():
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
        """Whether something of the last message was not read; more can't be seen without reading."""
        return "data" if self._left else "idle"

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
        gone, self._left = self._left, b""
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
