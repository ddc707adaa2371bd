"""Relay boards for the drivers' tests, behind a real pseudo-terminal or a TCP port."""

import contextlib
import os
import select
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator

import pytest

if sys.platform == "win32":
    pytest.skip("no pseudo-terminals on Windows; the same boards are tested by TCP", allow_module_level=True)

import tty

CHANNELS = 16


class Port:
    """The board's end of a serial line."""

    def __init__(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        # A name of its own, as in /dev/serial/by-id: the kernel gives a freed pts number to the next asker.
        self._folder = tempfile.TemporaryDirectory()
        self.path = os.path.join(self._folder.name, "board")
        os.symlink(os.ttyname(self._slave), self.path)
        self._wake, self._woken = os.pipe()[::-1]
        self._thread: threading.Thread | None = None
        self._plugged = True

    def run(self, hear: Callable[[bytes], None]) -> None:
        def loop() -> None:
            while True:
                ready, _, _ = select.select([self._master, self._woken], [], [])
                if self._woken in ready:
                    return
                hear(os.read(self._master, 4096))

        self._thread = threading.Thread(target=loop)
        self._thread.start()

    def say(self, data: bytes) -> None:
        os.write(self._master, data)

    def unplug(self) -> None:
        """Take the board away: reading and writing at the other end fail from here on."""
        if not self._plugged:
            return
        self._plugged = False
        self._folder.cleanup()
        os.write(self._wake, b"x")
        if self._thread is not None:
            self._thread.join(5.0)
        for descriptor in (self._master, self._slave, self._wake, self._woken):
            os.close(descriptor)


class TextBoard:
    """`ON n`, `OFF n`, `ALL OFF` answered OK; `STATE?` in hexadecimal; lines end in CR LF."""

    def __init__(self, say: Callable[[bytes], None]) -> None:
        self.say = say
        self.closed: set[int] = {3, 16}
        self.heard: list[str] = []
        self.dead: set[int] = set()
        self.echo = self.silent = False
        self._buffer = b""

    def hear(self, data: bytes) -> None:
        self._buffer += data
        while b"\r\n" in self._buffer:
            line, _, self._buffer = self._buffer.partition(b"\r\n")
            self.heard.append(line.decode("ascii"))
            if self.echo:
                self.say(line + b"\r\n")
            answer = self._obey(self.heard[-1])
            if not self.silent:
                self.say(answer.encode() + b"\r\n")

    def _obey(self, command: str) -> str:
        word, _, rest = command.partition(" ")
        if command == "STATE?":
            return f"{sum(1 << (n - 1) for n in self.closed):04X}"
        if command == "ALL OFF":
            self.closed.clear()
        elif word == "ON" and rest.isdigit() and 1 <= int(rest) <= CHANNELS:
            self.closed |= {int(rest)} - self.dead
        elif word == "OFF" and rest.isdigit() and 1 <= int(rest) <= CHANNELS:
            self.closed.discard(int(rest))
        else:
            return "ERROR"
        return "OK"


class FrameBoard:
    """Four bytes a frame; a frame with a wrong sum is forgotten, and bytes are hunted for the next start."""

    def __init__(self) -> None:
        self.closed: set[int] = {2}
        self.frames: list[tuple[int, int]] = []
        self.seen = threading.Condition()
        self._buffer = b""

    def hear(self, data: bytes) -> None:
        self._buffer += data
        while len(self._buffer) >= 4:
            start, channel, state, total = self._buffer[:4]
            if start != 0xA0:
                self._buffer = self._buffer[1:]
                continue
            self._buffer = self._buffer[4:]
            if total != (start + channel + state) & 0xFF or not 1 <= channel <= CHANNELS:
                continue
            with self.seen:
                self.frames.append((channel, state))
                (self.closed.add if state else self.closed.discard)(channel)
                self.seen.notify_all()

    def wait_for(self, frames: int) -> None:
        """The board answers nothing, so a test waits until so many frames have come."""
        with self.seen:
            assert self.seen.wait_for(lambda: len(self.frames) >= frames, 5.0), self.frames


class ModbusBoard:
    """Modbus RTU coils, functions 1, 5 and 15, device 1; a frame with a wrong CRC gets no answer."""

    def __init__(self, say: Callable[[bytes], None]) -> None:
        self.say = say
        self.coils = [False] * CHANNELS
        self.coils[4] = True
        self.dead: set[int] = set()
        self.functions: list[int] = []
        self.silent = False
        self._buffer = b""

    def hear(self, data: bytes) -> None:
        self._buffer += data
        while len(self._buffer) >= 8:
            length = 9 + self._buffer[6] if self._buffer[1] == 15 else 8
            if len(self._buffer) < length:
                return
            frame, self._buffer = self._buffer[:length], self._buffer[length:]
            if crc16(frame[:-2]) == frame[-2:] and frame[0] == 1 and not self.silent:
                answer = bytes([1]) + self._obey(frame[1], frame[2:-2])
                self.say(answer + crc16(answer))

    def _obey(self, function: int, rest: bytes) -> bytes:
        self.functions.append(function)
        first, second = int.from_bytes(rest[:2], "big"), int.from_bytes(rest[2:4], "big")
        if function == 5 and first < CHANNELS:
            self.coils[first] = second == 0xFF00 and first not in self.dead
            return bytes([5]) + rest
        if function == 15 and first + second <= CHANNELS:
            for n in range(second):
                self.coils[first + n] = bool(rest[5 + n // 8] >> n % 8 & 1)
            return bytes([15]) + rest[:4]
        if function == 1 and first + second <= CHANNELS:
            packed = sum(self.coils[first + n] << n for n in range(second))
            size = (second + 7) // 8
            return bytes([1, size]) + packed.to_bytes(size, "little")
        return bytes([function | 0x80, 2])  # illegal data address


def crc16(data: bytes) -> bytes:
    """Modbus over serial line V1.02, 6.2.2: polynomial A001, low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc.to_bytes(2, "little")


@contextlib.contextmanager
def port() -> Iterator[Port]:
    """A pseudo-terminal that is gone after the block."""
    made = Port()
    try:
        yield made
    finally:
        made.unplug()
