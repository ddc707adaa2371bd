"""Generators of other dialects; `open_vpp` is what their open terminals show, peak to peak, by output."""

import math
import re
from collections.abc import Callable

from tests.drivers.peers import Connection


class RmsGenerator:
    """RMS volts at an open output; reads settings back with units, one space too many, in lower case."""

    def __init__(self) -> None:
        self.hertz, self.vrms = {1: 5e3, 2: 5e3}, {1: 1.0, 2: 1.0}
        self.on = {1: True, 2: True}
        self.unknown: list[str] = []
        self.deaf_above_vrms = math.inf  # it clamps silently

    @property
    def open_vpp(self) -> dict[int, float]:
        return {n: 2.0 * math.sqrt(2.0) * volts for n, volts in self.vrms.items()}

    def script(self, connection: Connection) -> None:
        while True:
            answer = self.obey(connection.line().decode())
            if answer is not None:
                connection.send(answer.encode() + b"\r\n")

    def obey(self, line: str) -> str | None:
        if line == "*IDN?":
            return "Shed Works,Rms 2,9,1.0"
        match = re.fullmatch(r"C([12]):(FREQ|AMPL|OFFS|PHAS|LOAD|OUTP|WAVE)(\?| \S+)", line)
        if match is None:
            self.unknown.append(line)
            return None
        n, what, value = int(match[1]), match[2], match[3].strip()
        if value == "?":
            texts = {
                "FREQ": f" {self.hertz[n]:.6f} hz",
                "AMPL": f" {1000 * self.vrms[n]:.3f} mvrms",
                "OUTP": " on" if self.on[n] else " off",
            }
            return texts[what]
        if what == "FREQ":
            self.hertz[n] = float(value)
        elif what == "AMPL":
            self.vrms[n] = min(float(value), self.deaf_above_vrms)
        elif what == "OUTP":
            self.on[n] = value == "ON"
        return None


class DbmGenerator:
    """Levels in dBm at 50 ohm: 0 dBm is 0.2236 V RMS there, and twice as much open."""

    def __init__(self) -> None:
        self.hertz, self.dbm, self.on = {1: 1e3, 2: 1e3}, {1: 0.0, 2: 0.0}, {1: True, 2: True}
        self.unknown: list[str] = []

    @property
    def open_vpp(self) -> dict[int, float]:
        return {n: 4.0 * math.sqrt(2.0) * math.sqrt(0.05 * 10 ** (dbm / 10)) for n, dbm in self.dbm.items()}

    def script(self, connection: Connection) -> None:
        while True:
            answer = self.obey(connection.line().decode())
            if answer is not None:
                connection.send(answer.encode() + b"\n")

    def obey(self, line: str) -> str | None:
        if line == "*IDN?":
            return "Shed Works,Levels,3,1.0"
        if line == "SYSTem:ERRor?":
            return '-113,"Undefined header"' if self.unknown else '0,"No error"'
        if line == "*CLS":
            return None
        if match := re.fullmatch(r"SOURce([12]):FREQuency (\S+)", line):
            self.hertz[int(match[1])] = float(match[2])
        elif match := re.fullmatch(r"SOURce([12]):POWer (-?\d+\.\d\d)", line):
            self.dbm[int(match[1])] = float(match[2])
        elif match := re.fullmatch(r"SOURce([12]):POWer\?", line):
            return f"{self.dbm[int(match[1])]:+.2E}dBm"
        elif match := re.fullmatch(r"OUTPut([12]) (ON|OFF)", line):
            self.on[int(match[1])] = match[2] == "ON"
        elif match := re.fullmatch(r"OUTPut([12])\?", line):
            return str(int(self.on[int(match[1])]))
        else:
            self.unknown.append(line)
        return None


class FixedGenerator:
    """One letter a setting, fixed widths, "ok" behind each; nothing to what it does not understand."""

    def __init__(self, say: Callable[[bytes], None]) -> None:
        self.hertz, self.open_vpp, self.on = {1: 1e3, 2: 1e3}, {1: 1.0, 2: 1.0}, {1: True, 2: True}
        self._say, self._left = say, b""

    def hear(self, data: bytes) -> None:
        self._left += data
        while b"\n" in self._left:
            raw, _, self._left = self._left.partition(b"\n")
            line = raw.decode()
            if match := re.fullmatch(r"F([12])(\d{7}\.\d{4})", line):
                self.hertz[int(match[1])] = float(match[2])
            elif match := re.fullmatch(r"A([12])(\d\d\.\d{4})", line):
                self.open_vpp[int(match[1])] = float(match[2])
            elif match := re.fullmatch(r"S([12])([01])", line):
                self.on[int(match[1])] = match[2] == "1"
            elif not re.fullmatch(r"W[12]0|O[12]\d\d\.\d{3}|P[12]\d{3}\.\d", line):
                continue
            self._say(b"ok\n")
