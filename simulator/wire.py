"""Bytes to and from the outside: listeners on TCP, a pseudo-terminal, and how an answer gets out."""

import contextlib
import os
import select
import socket
import threading
import time
from collections.abc import Callable

from simulator.device import INPUT_MAX, Device, Pending
from simulator.scpi import ScpiError
from simulator.troubles import Agenda, Trouble

SHORT_BY = 7  # bytes that a short block lacks
CHUNK = 65_536


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
