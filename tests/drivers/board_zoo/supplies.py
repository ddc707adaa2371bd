"""Relay supplies with the habits of inexpensive ones, on a line of bytes.

Each keeps what was set and whether its output is on; its terminals show the set voltage while that is on.
"""

import re
from collections.abc import Callable


class Supply:
    """What is common: settings, output, and the current that the unit draws."""

    def __init__(self, say: Callable[[bytes], None]) -> None:
        self.set_v, self.limit_a, self.on = 3.0, 0.1, True  # somebody left it on
        self.drawn_a = 0.123
        self.heard: list[str] = []
        self._say, self._left = say, b""

    @property
    def volts(self) -> float:
        return self.set_v if self.on else 0.0

    @property
    def amperes(self) -> float:
        return min(self.drawn_a, self.limit_a) if self.on else 0.0

    def hear(self, data: bytes) -> None:
        """Take what comes on the line, and answer."""
        raise NotImplementedError


class FixedSupply(Supply):
    """Lines without an end, told apart by their fixed widths; nothing ends its answers either."""

    WORDS = re.compile(rb"\*IDN\?|VSET1:(\d\d\.\d\d)|ISET1:(\d\.\d{3})|OUT([01])|([VI])OUT1\?")

    def hear(self, data: bytes) -> None:
        self._left += data
        while match := self.WORDS.match(self._left):
            self._left = self._left[match.end() :]
            self.heard.append(match[0].decode())
            volts, limit, output, asked = match.groups()
            if volts:
                self.set_v = float(volts)
            elif limit:
                self.limit_a = float(limit)
            elif output:
                self.on = output == b"1"
            elif asked:
                self._say((f"{self.volts:05.2f}" if asked == b"V" else f"{self.amperes:.3f}").encode())
            else:
                self._say(b"SHEDWORKS PSU V1.0")


class TenthsSupply(Supply):
    """Whole numbers, CR, and OK behind everything; one answer has voltage, current and mode."""

    def hear(self, data: bytes) -> None:
        self._left += data
        while b"\r" in self._left:
            raw, _, self._left = self._left.partition(b"\r")
            line = raw.decode()
            self.heard.append(line)
            if match := re.fullmatch(r"VOLT(\d{3})", line):
                self.set_v = int(match[1]) / 10
            elif match := re.fullmatch(r"CURR(\d{3})", line):
                self.limit_a = int(match[1]) / 100
            elif match := re.fullmatch(r"SOUT([01])", line):
                self.on = match[1] == "0"
            elif line == "GETD":
                limited = int(self.on and self.drawn_a >= self.limit_a)
                self._say(
                    f"{round(100 * self.volts):04d}{round(1000 * self.amperes):04d}{limited}\r".encode()
                )
            else:
                continue  # it says nothing to what it does not understand
            self._say(b"OK\r")


class LetteredSupply(Supply):
    """Every line is sent back; numbers have spaces before them and units behind, in lower case."""

    def hear(self, data: bytes) -> None:
        self._left += data
        while b"\r\n" in self._left:
            raw, _, self._left = self._left.partition(b"\r\n")
            line = raw.decode()
            self.heard.append(line)
            self._say(raw + b"\r\n")
            if match := re.fullmatch(r"SET U ([\d.]+)", line):
                self.set_v = float(match[1])
            elif match := re.fullmatch(r"SET I (\d+)", line):
                self.limit_a = int(match[1]) / 1000
            elif match := re.fullmatch(r"SWITCH ([01])", line):
                self.on = match[1] == "1"
            elif line == "SWITCH?":
                self._say(b" on\r\n" if self.on else b" off\r\n")
            elif line == "READ U?":
                self._say(f"  +{self.volts:.3f} v\r\n".encode())
            elif line == "READ I?":
                self._say(f"  + {1000 * self.amperes:.1f} ma\r\n".encode())
            elif line == "*IDN?":
                self._say(b"Shed Works, PSU 30, 1.0\r\n")
