"""Switchboards that talk in bytes over a serial port: frames, lines of text, Modbus RTU.

Each takes bytes as they come and yields the answers to what was complete in them.
"""

import re
import struct
import threading
from collections.abc import Iterator, Sequence

from simulator.device import Device
from simulator.scpi import Command, channel_list
from simulator.sources import generator_for
from simulator.world import Clock, World

FRAME_START, FRAME_LENGTH = 0xA0, 4
LINE_MAX = 64
# A serial board on a busy computer: once in 5000 commands that change something, by so many wall seconds.
LATE_SHARE, LATE_S = 2e-4, (0.05, 0.5)
UNIT_ADDRESS = 1
READ_COILS, WRITE_COIL, WRITE_COILS = 1, 5, 15
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
COIL_ON, COIL_OFF = 0xFF00, 0x0000


class Coils:
    """The channels of a board, as the world has them."""

    def __init__(self, world: World, count: int, *, late_share: float = 0.0, seed: int = 1) -> None:
        """late_share: of the changes, those that come late."""
        self._world = world
        self.count = count
        self.closed: frozenset[int] = frozenset()
        self._late_ms = 0  # of the next change alone
        self._misses = False  # the next change alone
        self._stays_open: set[int] = set()
        self._stays_closed: set[int] = set()
        self._late_share = late_share
        self._rng = generator_for("late board", seed)

    def set(self, channel: int, *, closed: bool) -> None:
        """Close or open one channel."""
        self.replace(self.closed | {channel} if closed else self.closed - {channel})

    def replace(self, closed: frozenset[int]) -> None:
        """Close exactly these channels. A board that is late reads them back before its relays have moved."""
        changes = closed != self.closed
        self.closed = closed
        wait_s, self._late_ms = self._late_ms / 1000, 0
        if changes and self._rng.random() < self._late_share:
            wait_s = max(wait_s, self._rng.uniform(*LATE_S))
        if changes and self._misses:
            self._misses = False
        elif wait_s:
            timer = threading.Timer(wait_s, self._move)
            timer.daemon = True
            timer.start()
        else:
            self._move()

    def upset(self, kind: str, value: int | None) -> None:
        """Let something go wrong inside the board that it doesn't know of; kinds as in `Trouble`."""
        number = value or 0
        match kind:
            case "slow":
                self._late_ms = number
            case "misses":
                self._misses = True
            case "open":
                self._stays_open.add(number)
                self._move()
            case "closed":
                self._stays_closed.add(number)
                self._move()

    def mend(self) -> None:
        """End what `upset` began."""
        self._late_ms, self._misses = 0, False
        self._stays_open.clear()
        self._stays_closed.clear()
        self._move()

    def _move(self) -> None:
        self._world.set_channels((self.closed - self._stays_open) | self._stays_closed)


class Board:
    """A switchboard that is fed bytes."""

    def __init__(self, coils: Coils) -> None:
        self._coils = coils
        self._received = bytearray()

    def feed(self, data: bytes) -> Iterator[bytes]:
        """Take bytes, act, and yield the answers."""
        raise NotImplementedError


class FrameBoard(Board):
    """Four bytes a command: A0, channel, state, and the low byte of their sum. It never answers."""

    def feed(self, data: bytes) -> Iterator[bytes]:
        """Act on whole frames; what is no frame is skipped byte by byte until one begins."""
        self._received += data
        while len(self._received) >= FRAME_LENGTH:
            start, channel, state, total = self._received[:FRAME_LENGTH]
            if start != FRAME_START or total != (start + channel + state) & 0xFF:
                del self._received[0]
                continue
            del self._received[:FRAME_LENGTH]
            if 1 <= channel <= self._coils.count and state in (0, 1):
                self._coils.set(channel, closed=state == 1)
        return iter(())


class TextBoard(Board):
    """`ON 3`, `OFF 3`, `ALL OFF` are answered OK; `STATE?` a hexadecimal mask; anything else ERROR."""

    def feed(self, data: bytes) -> Iterator[bytes]:
        """Act on whole lines, which end in CR LF."""
        self._received += data
        while (end := self._received.find(b"\r\n")) >= 0:
            line = bytes(self._received[:end]).decode("ascii", "replace")
            del self._received[: end + 2]
            yield self._act(line).encode("ascii") + b"\r\n"
        if len(self._received) > LINE_MAX:
            self._received.clear()

    def _act(self, line: str) -> str:
        if line == "STATE?":
            mask = sum(1 << (channel - 1) for channel in self._coils.closed)
            return f"{mask:0{-(-self._coils.count // 4)}X}"
        if line == "ALL OFF":
            self._coils.replace(frozenset())
            return "OK"
        result = re.fullmatch(r"(ON|OFF) (\d{1,3})", line)
        if result is None or not 1 <= int(result[2]) <= self._coils.count:
            return "ERROR"
        self._coils.set(int(result[2]), closed=result[1] == "ON")
        return "OK"


class ModbusBoard(Board):
    """Modbus RTU coils from address 0, functions 1, 5 and 15 (Modbus application protocol 1.1b3)."""

    def feed(self, data: bytes) -> Iterator[bytes]:
        """Act on whole requests with a right checksum; bytes that begin none are skipped."""
        self._received += data
        while len(self._received) >= 4:
            length = self._length()
            if length is None:
                return
            request = bytes(self._received[:length])
            if checksum(request[:-2]) != request[-2:]:
                del self._received[0]
                continue
            del self._received[:length]
            if request[0] == UNIT_ADDRESS:
                answer = bytes((UNIT_ADDRESS,)) + self._act(request[1], request[2:-2])
                yield answer + checksum(answer)

    def _length(self) -> int | None:
        """Length of the request that would begin here, None while that is not all there."""
        function = self._received[1]
        if function == WRITE_COILS:
            length = 9 + self._received[6] if len(self._received) > 6 else 10
        elif function in (READ_COILS, WRITE_COIL):
            length = 8
        else:  # unknown: only its end can tell, which is where the bytes stop
            length = len(self._received)
        return length if len(self._received) >= length else None

    def _act(self, function: int, body: bytes) -> bytes:
        if function == READ_COILS:
            first, count = struct.unpack(">HH", body)
            return self._read(first, count)
        if function == WRITE_COIL:
            first, value = struct.unpack(">HH", body)
            if value not in (COIL_ON, COIL_OFF):
                return _exception(function, ILLEGAL_VALUE)
            if first >= self._coils.count:
                return _exception(function, ILLEGAL_ADDRESS)
            self._coils.set(first + 1, closed=value == COIL_ON)
            return bytes((function,)) + body
        if function == WRITE_COILS:
            first, count, length = struct.unpack(">HHB", body[:5])
            return self._write(first, count, length, body[5:])
        return _exception(function, ILLEGAL_FUNCTION)

    def _read(self, first: int, count: int) -> bytes:
        if not 1 <= count <= 2000:
            return _exception(READ_COILS, ILLEGAL_VALUE)
        if first + count > self._coils.count:
            return _exception(READ_COILS, ILLEGAL_ADDRESS)
        bits = sum(1 << i for i in range(count) if first + i + 1 in self._coils.closed)
        length = -(-count // 8)
        return bytes((READ_COILS, length)) + bits.to_bytes(length, "little")

    def _write(self, first: int, count: int, length: int, values: bytes) -> bytes:
        if not 1 <= count <= 1968 or length != -(-count // 8) or len(values) != length:
            return _exception(WRITE_COILS, ILLEGAL_VALUE)
        if first + count > self._coils.count:
            return _exception(WRITE_COILS, ILLEGAL_ADDRESS)
        bits = int.from_bytes(values, "little")
        named = {first + i + 1 for i in range(count)}
        closed = {first + i + 1 for i in range(count) if bits >> i & 1}
        self._coils.replace((self._coils.closed - named) | closed)
        return struct.pack(">BHH", WRITE_COILS, first, count)


def _exception(function: int, code: int) -> bytes:
    return bytes((function | 0x80, code))


def checksum(data: bytes) -> bytes:
    """CRC-16 of Modbus over serial line 1.02, 6.2.2: polynomial A001 reflected, low byte first."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ 0xA001 if value & 1 else value >> 1
    return struct.pack("<H", value)


class RouteSwitchboard(Device):
    """Channels closed and opened by channel lists."""

    def __init__(self, clock: Clock, coils: Coils, *, serial: str) -> None:
        self._coils = coils
        super().__init__(clock, model="RS16", serial=serial)

    def reset(self) -> None:
        """Open every channel."""
        self._coils.replace(frozenset())

    def commands(self) -> Sequence[Command]:
        """The commands of a switch."""
        channels = channel_list(self._coils.count)
        return [
            Command(
                pattern="ROUTe:CLOSe",
                do=lambda named: self._coils.replace(self._coils.closed.union(named)),
                takes=channels,
                ask=lambda named: ",".join(str(int(c in self._coils.closed)) for c in named),
                asks_with=channels,
            ),
            Command(
                pattern="ROUTe:OPEN",
                do=lambda named: self._coils.replace(self._coils.closed.difference(named)),
                takes=channels,
            ),
            Command(pattern="ROUTe:OPEN:ALL", do=lambda: self._coils.replace(frozenset())),
        ]
