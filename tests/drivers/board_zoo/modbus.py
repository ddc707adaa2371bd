"""A Modbus relay board for tests, written from the Modbus specification alone: a table of coils or registers.

PDUs: Modbus Application Protocol V1.1b3, clauses 6.1, 6.3, 6.5, 6.6, 6.11, 6.12 and 7 (exceptions).
TCP frames: Modbus Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3. RTU frames: Modbus over Serial Line
V1.02, 2.5.1.
"""

import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS = 1, 2


class Table:
    """What a board's coils or registers hold, which functions it knows, and which it was asked.

    reads: what a register reads after a value was written; a dead one keeps its value.
    """

    def __init__(
        self,
        count: int,
        *,
        first: int,
        functions: set[int],
        reads: Callable[[int], int] = int,
        value: int = 0,
    ) -> None:
        self.values = {first + n: value for n in range(count)}
        self.functions, self.reads = functions, reads
        self.dead: set[int] = set()
        self.asked: list[int] = []

    def answer(self, pdu: bytes) -> bytes:
        function, (first, second) = pdu[0], struct.unpack(">HH", pdu[1:5])
        self.asked.append(function)
        if function not in self.functions:
            return bytes([function | 0x80, ILLEGAL_FUNCTION])
        count = 1 if function in (5, 6) else second
        places = range(first, first + count)
        if any(place not in self.values for place in places):
            return bytes([function | 0x80, ILLEGAL_ADDRESS])
        if function == 1:
            bits = "".join(str(self.values[place]) for place in places).ljust(-(-count // 8) * 8, "0")
            data = bytes(int(bits[at : at + 8][::-1], 2) for at in range(0, len(bits), 8))
            return bytes([function, len(data)]) + data
        if function == 3:
            data = b"".join(struct.pack(">H", self.values[place]) for place in places)
            return bytes([function, len(data)]) + data
        if function == 5:
            self._put(first, int(second == 0xFF00))
        elif function == 6:
            self._put(first, self.reads(second))
        elif function == 15:
            for n, place in enumerate(places):
                self._put(place, pdu[6 + n // 8] >> n % 8 & 1)
        else:
            for place, (value,) in zip(places, struct.iter_unpack(">H", pdu[6:]), strict=True):
                self._put(place, self.reads(value))
        return pdu[:5]

    def _put(self, place: int, value: int) -> None:
        if place not in self.dead:
            self.values[place] = value


def tcp_frames(data: bytes) -> tuple[list[bytes], bytes]:
    """Whole frames of the stream, and what is left of it."""
    frames = []
    while len(data) >= 6 and len(data) >= 6 + int.from_bytes(data[4:6], "big"):
        end = 6 + int.from_bytes(data[4:6], "big")
        frames.append(data[:end])
        data = data[end:]
    return frames, data


class TcpBoard:
    """A listening board; `before` is called before each frame is answered, in the connection's thread."""

    def __init__(self, table: Table, before: Callable[[], None]) -> None:
        self.table, self._before = table, before
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._links: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept)]
        self._threads[0].start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                link, _ = self._listener.accept()
                self._links.append(link)
                self._threads.append(threading.Thread(target=self._serve, args=(link,)))
                self._threads[-1].start()

    def _serve(self, link: socket.socket) -> None:
        left = b""
        with suppress(OSError), link:
            while data := link.recv(4096):
                frames, left = tcp_frames(left + data)
                for frame in frames:
                    self._before()
                    answer = self.table.answer(frame[7:])
                    link.sendall(frame[:4] + struct.pack(">HB", 1 + len(answer), frame[6]) + answer)

    def close(self) -> None:
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for link in self._links:
            with suppress(OSError):
                link.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(5.0)


@contextmanager
def tcp_board(table: Table, before: Callable[[], None] = lambda: None) -> Iterator[TcpBoard]:
    """A board on loopback that is gone after the block."""
    board = TcpBoard(table, before)
    try:
        yield board
    finally:
        board.close()


class RtuBoard:
    """A board at device 1 of a serial line; frames with a wrong check are not answered."""

    def __init__(self, table: Table, say: Callable[[bytes], None]) -> None:
        self.table, self._say, self._left = table, say, b""

    def hear(self, data: bytes) -> None:
        self._left += data
        while len(self._left) >= 8:
            length = 9 + self._left[6] if self._left[1] in (15, 16) else 8
            if len(self._left) < length:
                return
            frame, self._left = self._left[:length], self._left[length:]
            if frame[0] == 1 and check(frame[:-2]) == frame[-2:]:
                answer = bytes([1]) + self.table.answer(frame[1:-2])
                self._say(answer + check(answer))


def check(data: bytes) -> bytes:
    """The cyclic redundancy check of Modbus over Serial Line V1.02, 6.2.2."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register, carry = register >> 1, register & 1
            if carry:
                register ^= 0xA001
    return struct.pack("<H", register)
