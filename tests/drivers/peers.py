"""Real servers on loopback for the drivers' tests: threads, port 0, a script for each connection."""

import contextlib
import socket
import struct
import threading
from collections.abc import Callable, Iterator

IDENTITY = b"Shed Works,Peer 1,0042,1.0"


class Connection:
    """One accepted connection, as a script sees it."""

    def __init__(self, link: socket.socket, number: int, peer: "Peer") -> None:
        self.link, self.number, self.peer = link, number, peer
        self._buffer = b""

    def line(self) -> bytes:
        """The next line, without its ending. Raises EOFError when the other side has closed."""
        while b"\n" not in self._buffer:
            data = self.link.recv(65536)
            if not data:
                raise EOFError
            self._buffer += data
        line, _, self._buffer = self._buffer.partition(b"\n")
        self.peer.heard.append(line.rstrip(b"\r"))
        return line.rstrip(b"\r")

    def exactly(self, count: int) -> bytes:
        while len(self._buffer) < count:
            data = self.link.recv(65536)
            if not data:
                raise EOFError
            self._buffer += data
        data, self._buffer = self._buffer[:count], self._buffer[count:]
        return data

    def send(self, data: bytes) -> None:
        self.link.sendall(data)

    def reset(self) -> None:
        """Close with RST in place of FIN."""
        self.link.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.link.close()


Script = Callable[[Connection], None]


class Peer:
    """A listening socket; each connection runs the script in a thread of its own."""

    def __init__(self, script: Script) -> None:
        self.heard: list[bytes] = []
        self.released = threading.Event()  # a test lets a script go on
        self.message = threading.Event()  # a script tells that it has
        self.failures: list[BaseException] = []
        self._script = script
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._links: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept)]
        self._threads[0].start()

    @property
    def address(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    @property
    def connections(self) -> int:
        return len(self._links)

    def _accept(self) -> None:
        while True:
            try:
                link, _ = self._listener.accept()
            except OSError:
                return
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._links.append(link)
            connection = Connection(link, len(self._links), self)
            self._threads.append(threading.Thread(target=self._run, args=(connection,)))
            self._threads[-1].start()

    def _run(self, connection: Connection) -> None:
        try:
            self._script(connection)
        except (EOFError, OSError):
            pass  # the other side went away
        except BaseException as error:
            self.failures.append(error)
        finally:
            connection.link.close()

    def stop_listening(self) -> None:
        """Refuse new connections; those that stand stay."""
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._threads[0].join(5.0)

    def drop(self) -> None:
        """Close every connection, as a crashing instrument does."""
        for link in self._links:
            with contextlib.suppress(OSError):
                link.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self.released.set()
        self.stop_listening()
        self.drop()
        for thread in self._threads[1:]:
            thread.join(5.0)
        if self.failures:
            raise self.failures[0]


@contextlib.contextmanager
def peer(script: Script) -> Iterator[Peer]:
    """A peer that is gone after the block."""
    served = Peer(script)
    try:
        yield served
    finally:
        served.close()


def closed_port() -> str:
    """An address where nobody listens."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    return f"TCPIP::127.0.0.1::{port}::SOCKET"
