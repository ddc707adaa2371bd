"""Bytes to and from the outside: listeners on TCP, a pseudo-terminal, and how an answer gets out.

What can go wrong between an instrument and its computer goes wrong here, on request: its troubles.
"""

import contextlib
import os
import re
import select
import socket
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from harness.errors import UsageError
from simulator.device import INPUT_MAX, Device, Pending
from simulator.scpi import ScpiError

Instrument = Literal["generator", "oscilloscope", "supply", "switchboard"]
INSTRUMENTS: tuple[Instrument, ...] = ("generator", "oscilloscope", "supply", "switchboard")
Kind = Literal[
    "late", "half", "mute", "drop", "garble", "short", "error", "refuse", "rubbish",
    "dead", "stale", "weak", "off", "slow",
]  # fmt: skip
INSIDE: Mapping[Kind, Instrument] = MappingProxyType(
    {
        "dead": "oscilloscope",
        "stale": "oscilloscope",
        "weak": "generator",
        "off": "supply",
        "slow": "switchboard",
    }
)
"""Troubles of an instrument that answers as ever, and whose they are."""

GRAMMAR = (
    "INSTRUMENT late MS | half [MS] | mute | drop | garble | short | error NUMBER | refuse | rubbish, or "
    "oscilloscope dead INPUT | oscilloscope stale | generator weak | supply off | switchboard slow MS, "
    "then perhaps 'after N' answers, then perhaps 'always'; INSTRUMENT is one of " + ", ".join(INSTRUMENTS)
)
NEEDS_VALUE = ("late", "error", "dead", "slow")
MAY_HAVE_VALUE = (*NEEDS_VALUE, "half")
LATE_MAX_MS = 600_000
_TROUBLE = re.compile(
    r"(?P<who>[a-z]+)\s+(?P<kind>[a-z]+)(?:\s+(?P<value>-?\d{1,9})(?:\s*ms)?)?"
    r"(?:\s+after\s+(?P<after>\d{1,9}))?(?P<always>\s+always)?"
)
SCOPE_INPUTS = (1, 2, 3, 4)
SHORT_BY = 7  # bytes that a short block lacks
CHUNK = 65_536


@dataclass(frozen=True, kw_only=True)
class Trouble:
    """One trouble: its kind, a number where it has one, and how many answers pass before it.

    late: the answer comes `value` ms later. half: half of it, the rest after `value` ms or never. mute: no
    answer. drop: the connection is closed instead. garble: an answer is damaged (a block in its header).
    short: a block has fewer bytes than it announces. error: `value` is pushed into the error queue, at once
    or after the answers. refuse: connections are closed and refused. rubbish: text that means nothing.

    The others are `INSIDE`: the answer is whole, and from then on input `value` shows nothing (dead), the
    next record is the one before (stale), both outputs give 3 dB less (weak), the relay output is off (off),
    or the next change of channels acts `value` ms late (slow).
    """

    who: Instrument
    kind: Kind
    value: int | None = None
    after: int = 0
    always: bool = False


def parse_trouble(text: str) -> Trouble:
    """Read a trouble such as `oscilloscope late 800 ms after 20`. Raises UsageError."""
    result = _TROUBLE.fullmatch(" ".join(text.lower().split()))
    who = next((name for name in INSTRUMENTS if result and name == result["who"]), None)
    kinds: tuple[Kind, ...] = Kind.__args__  # type: ignore[attr-defined]
    kind = next((name for name in kinds if result and name == result["kind"]), None)
    if result is None or who is None or kind is None:
        raise UsageError(f"no such trouble: {text!r}; expected {GRAMMAR}")
    value = None if result["value"] is None else int(result["value"])
    if (value is None and kind in NEEDS_VALUE) or (value is not None and kind not in MAY_HAVE_VALUE):
        raise UsageError(f"trouble {text!r}: {kind} takes {'a' if value is None else 'no'} number; {GRAMMAR}")
    if INSIDE.get(kind, who) != who:
        raise UsageError(f"trouble {text!r}: {kind} is a trouble of the {INSIDE[kind]}; {GRAMMAR}")
    if kind == "dead" and value not in SCOPE_INPUTS:
        raise UsageError(f"trouble {text!r}: expected an input, 1 to {len(SCOPE_INPUTS)}")
    if kind != "error" and value is not None and not 0 <= value <= LATE_MAX_MS:
        raise UsageError(f"trouble {text!r}: {value} ms is outside 0 to {LATE_MAX_MS}")
    return Trouble(
        who=who, kind=kind, value=value, after=int(result["after"] or 0), always=result["always"] is not None
    )


class Agenda:
    """The troubles that one instrument still has before it. Safe to use from several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._pending: list[tuple[int, Trouble]] = []  # (answers still to pass, trouble)

    def add(self, trouble: Trouble) -> None:
        """Let a trouble come."""
        with self._lock:
            self._pending.append((trouble.after, trouble))

    def clear(self) -> None:
        """Drop every trouble."""
        with self._lock:
            self._pending.clear()

    def next(self) -> Trouble | None:
        """Count one answer, and return the trouble that it meets, if any."""
        with self._lock:
            met = next((trouble for count, trouble in self._pending if count == 0), None)
            self._pending = [
                (max(count - 1, 0), trouble)
                for count, trouble in self._pending
                if trouble is not met or trouble.always
            ]
            return met


class Gone(Exception):
    """The other side has closed, or a trouble has closed it."""


class TcpStream:
    """One TCP connection."""

    def __init__(self, connection: socket.socket) -> None:
        self._socket = connection
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def read(self) -> bytes:
        """Wait for bytes; b"" once the other side has closed."""
        try:
            return self._socket.recv(CHUNK)
        except OSError:
            return b""

    def write(self, data: bytes) -> None:
        """Send all of it. Raises Gone."""
        try:
            self._socket.sendall(data)
        except OSError as error:
            raise Gone from error

    def input_within(self, wall_s: float) -> bool:
        """Whether bytes (or the end) arrive within a time."""
        try:
            return bool(select.select([self._socket], [], [], wall_s)[0])
        except (OSError, ValueError) as error:
            raise Gone from error

    def ended(self) -> bool:
        """Whether the other side has closed; call it only when input has come."""
        try:
            return self._socket.recv(1, socket.MSG_PEEK) == b""
        except OSError:
            return True

    def close(self) -> None:
        """Close it, waking whoever reads."""
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()


class PtyStream:
    """A pseudo-terminal in raw mode, its far end held open so that it lives when nobody has it open.

    Also after it was unplugged, until `give_back`: the kernel assigns a free number to the next asker,
    whose board would then have the address of this one, and what is on record of it.
    """

    def __init__(self) -> None:
        import tty

        self._master, far_end = os.openpty()
        tty.setraw(far_end)
        self.path = os.ttyname(far_end)
        self._slave: int | None = far_end
        self._wake_read, self._wake_write = os.pipe()
        self._lock = threading.Lock()
        self._open = True

    def read(self) -> bytes:
        """Wait for bytes; b"" once it is closed."""
        ready = select.select([self._master, self._wake_read], [], [])[0]
        return b"" if self._wake_read in ready else os.read(self._master, CHUNK)

    def write(self, data: bytes) -> None:
        """Send all of it. Raises Gone."""
        try:
            while data:
                data = data[os.write(self._master, data) :]
        except OSError as error:
            raise Gone from error

    def input_within(self, wall_s: float) -> bool:
        """Whether bytes arrive within a time."""
        return bool(select.select([self._master, self._wake_read], [], [], wall_s)[0])

    def ended(self) -> bool:
        """Whether it is closed."""
        return not self._open

    def close(self) -> None:
        """Unplug it; the thread that reads ends it."""
        with self._lock:
            if self._open:
                self._open = False
                os.write(self._wake_write, b"x")

    def release(self) -> None:
        """End it, from the thread that read: whoever has the far end open gets an error."""
        with self._lock:
            self._open = False
            for descriptor in (self._master, self._wake_read, self._wake_write):
                os.close(descriptor)

    def give_back(self) -> None:
        """Let others have its number."""
        with self._lock:
            if self._slave is not None:
                os.close(self._slave)
            self._slave = None


Stream = TcpStream | PtyStream


class Mouth:
    """Lets an instrument's answers out, as its troubles let them."""

    def __init__(
        self,
        agenda: Agenda,
        push: Callable[[ScpiError], None],
        refuse: Callable[[], None],
        upset: Callable[[Trouble], None],
    ) -> None:
        self._agenda, self._push, self._refuse, self._upset = agenda, push, refuse, upset

    def say(self, stream: Stream, answer: bytes, interrupted: Callable[[], bool]) -> None:
        """Send an answer with its terminator. Raises Gone where the connection ends instead."""
        trouble = self._agenda.next()
        if trouble is None:
            if interrupted():
                self._push(ScpiError(-410))
            else:
                stream.write(answer)
            return
        wait_s = (trouble.value or 0) / 1000
        match trouble.kind:
            case "late":
                time.sleep(wait_s)
                stream.write(answer)
            case "half":
                stream.write(answer[: len(answer) // 2])
                if trouble.value is not None:
                    time.sleep(wait_s)
                    stream.write(answer[len(answer) // 2 :])
            case "mute":
                pass
            case "garble":
                stream.write(_garbled(answer))
            case "short":
                stream.write(answer[: -SHORT_BY - 1] + answer[-1:])
            case "rubbish":
                stream.write(b"\xff%&/ no such thing\x00" + answer[-1:])
            case "error":
                self._push(ScpiError(trouble.value or -300))
                stream.write(answer)
            case "refuse":
                self._refuse()
                raise Gone
            case "drop":
                raise Gone
            case _:
                self._upset(trouble)
                stream.write(answer)


def _garbled(answer: bytes) -> bytes:
    """Damage an answer where it shows: a block in its count, text in every other character."""
    if answer.startswith(b"#"):
        return b"#x" + answer[2:]
    return bytes(c ^ 0x80 if i % 2 else c for i, c in enumerate(answer[:-1])) + answer[-1:]


def serve_scpi(device: Device, mouth: Mouth, stream: Stream) -> None:
    """Feed one connection's messages to a device until the connection ends."""
    received = bytearray()

    def more_came() -> bool:
        return bool(bytes(received).strip()) or (stream.input_within(0.0) and not stream.ended())

    def wait(pending: Pending, interruptible: bool) -> bool:
        while (delay_s := pending()) is not None:
            if received.strip() and interruptible:
                return False
            if stream.input_within(delay_s):
                if stream.ended():
                    raise Gone
                if interruptible:
                    return False
                time.sleep(delay_s)
        return True

    with contextlib.suppress(Gone):
        while data := stream.read():
            received += data
            while (end := received.find(b"\n")) >= 0:
                message = bytes(received[:end]).rstrip(b"\r")
                del received[: end + 1]
                answer = device.execute(message, wait)
                if answer is not None:
                    mouth.say(stream, answer + b"\n", more_came)
            if len(received) > INPUT_MAX:
                device.push(ScpiError(-363))
                received.clear()
        if received.strip():
            device.push(ScpiError(-420))


class Listener:
    """Accepts connections on a loopback port and serves each in a thread of its own."""

    def __init__(self, serve: Callable[[Stream], None], *, name: str) -> None:
        self._serve, self._name = serve, name
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._socket.getsockname()[1]
        self._lock = threading.Lock()
        self._streams: set[TcpStream] = set()
        self._threads: list[threading.Thread] = []
        self._accepting = threading.Thread(target=self._accept, name=f"{name} listener", daemon=True)
        self._accepting.start()

    def close(self) -> None:
        """Refuse further connections and end those there are. May be called by one of them."""
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        with self._lock:
            streams = list(self._streams)
        for stream in streams:
            stream.close()

    def join(self, wall_s: float) -> None:
        """Wait for the threads to end."""
        for thread in (self._accepting, *self._threads):
            thread.join(wall_s)

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                return
            stream = TcpStream(connection)
            with self._lock:
                self._streams.add(stream)
            thread = threading.Thread(target=self._run, args=(stream,), name=self._name, daemon=True)
            self._threads = [*(t for t in self._threads if t.is_alive()), thread]
            thread.start()

    def _run(self, stream: TcpStream) -> None:
        try:
            self._serve(stream)
        finally:
            stream.close()
            with self._lock:
                self._streams.discard(stream)
