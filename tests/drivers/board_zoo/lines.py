"""Relay boards for tests that take lines or frames in other dialects than the shipped simple ones."""

from collections.abc import Callable


class LineBoard:
    """Eight relays numbered from 0; lines end in CR, every line is sent back, and answers end in CR LF.

    It clears its screen with spaces and writes in capitals, as old terminals liked it.
    """

    def __init__(self, say: Callable[[bytes], None], *, echoes: bool = True) -> None:
        self.closed = {5}
        self.heard: list[str] = []
        self._say, self._echoes, self._left = say, echoes, b""

    def hear(self, data: bytes) -> None:
        self._left += data
        while b"\r" in self._left:
            line, _, self._left = self._left.partition(b"\r")
            self.heard.append(line.decode("ascii"))
            if self._echoes:
                self._say(line + b"\r\n")
            word, _, number = self.heard[-1].rpartition(" ")
            if word == "relay on":
                self.closed.add(int(number))
            elif word == "relay off":
                self.closed.discard(int(number))
            elif self.heard[-1] == "relay read all":
                states = " ".join("1" if n in self.closed else "0" for n in range(8))
                self._say(f"  {states}  \r\n".encode())


class MaskBoard:
    """Sixteen relays in one number; `W` writes it and is not answered, `R` reads it, in lower case."""

    def __init__(self, say: Callable[[bytes], None]) -> None:
        self.mask, self.lines = 0x0101, 0
        self._say, self._left = say, b""

    @property
    def closed(self) -> set[int]:
        return {bit + 1 for bit in range(16) if self.mask >> bit & 1}

    def hear(self, data: bytes) -> None:
        self._left += data
        while b"\n" in self._left:
            line, _, self._left = self._left.partition(b"\n")
            self.lines += 1
            if line.startswith(b"W") and len(line) == 5:
                self.mask = int(line[1:], 16)
            elif line == b"R":
                self._say(f"{self.mask:x}\n".encode())


class EchoFrameBoard:
    """Four-byte frames, each sent back if its sum is right; hunts for the next start otherwise."""

    def __init__(self, say: Callable[[bytes], None]) -> None:
        self.closed = {2}
        self.deaf = False
        self._say, self._left = say, b""

    def hear(self, data: bytes) -> None:
        self._left += data
        while len(self._left) >= 4:
            frame = self._left[:4]
            if frame[0] != 0xA0 or sum(frame[:3]) & 0xFF != frame[3]:
                self._left = self._left[1:]
                continue
            self._left = self._left[4:]
            if not self.deaf:
                (self.closed.add if frame[2] else self.closed.discard)(frame[1])
                self._say(frame)
