"""Four strangers with awkward habits, on a line of bytes, and the profiles that their manuals lead to.

Written from IEEE 488.2 where they answer numbers, apart from drivers and simulator.
"""

import re
from collections.abc import Callable

from tests.drivers.peers import Connection

Say = Callable[[bytes], None]


class OneAnswerGenerator:
    """Every setting of an output comes in one answer, with units; its output is on or off in words."""

    def __init__(self) -> None:
        self.hertz, self.vrms, self.on = {1: 5e3, 2: 5e3}, {1: 1.0, 2: 1.0}, {1: True, 2: True}
        self.unknown: list[str] = []

    def script(self, connection: Connection) -> None:
        while True:
            answer = self.obey(connection.line().decode("ascii"))
            if answer is not None:
                connection.send(answer.encode("ascii") + b"\r\n")

    def obey(self, line: str) -> str | None:
        if line == "*IDN?":
            return "*IDN Shed Works,One Answer,7,2"
        if match := re.fullmatch(r"CH([12]):SET\?", line):
            n = int(match[1])
            return f"CH{n}:SET WAVE,SINE,FRQ,{self.hertz[n] / 1e3:.6f}KHZ,LEVEL,{self.vrms[n]:.5f}VRMS"
        if match := re.fullmatch(r"CH([12]):OUT\?", line):
            return f"CH{match[1]}:OUT {'ON' if self.on[int(match[1])] else 'OFF'},LOAD,HZ"
        if match := re.fullmatch(r"CH([12]):OUT (ON|OFF)", line):
            self.on[int(match[1])] = match[2] == "ON"
        elif match := re.fullmatch(r"CH([12]):SET FRQ,(\S+)", line):
            self.hertz[int(match[1])] = float(match[2])
        elif match := re.fullmatch(r"CH([12]):SET LEVEL,(\S+)", line):
            self.vrms[int(match[1])] = float(match[2])
        else:
            self.unknown.append(line)
        return None


ONE_ANSWER = """
kind = "generator"
description = "Generator, all settings in one answer"
error_query = ""
on_answer = "ON,LOAD,HZ"
off_answer = "OFF,LOAD,HZ"
outputs = 2
output_impedance_ohm = 50
amplitude_min_vpp = 0.02
amplitude_max_vpp = 20
frequency_min_hz = 0.001
frequency_max_hz = 1e6
independent_frequencies = true
frequency_digits = "FRQ,([0-9.]+KHZ)"
amplitude_digits = "LEVEL,([0-9.]+VRMS)"

[commands]
output_on = "CH{n}:OUT ON"
output_off = "CH{n}:OUT OFF"
output_query = "CH{n}:OUT?"
frequency = "CH{n}:SET FRQ,{hz}"
frequency_query = "CH{n}:SET?"
amplitude = "CH{n}:SET LEVEL,{vrms}"
amplitude_query = "CH{n}:SET?"
"""


class Line:
    """A line of bytes whose lines end in CR."""

    def __init__(self, say: Say) -> None:
        self.heard: list[str] = []
        self._say, self._left = say, b""

    def hear(self, data: bytes) -> None:
        self._left += data
        while b"\r" in self._left:
            line, _, self._left = self._left.partition(b"\r")
            self.heard.append(line.decode("ascii"))
            self._say(self.answer(self.heard[-1]).encode("ascii"))

    def answer(self, line: str) -> str:
        raise NotImplementedError


class CommaSupply(Line):
    """Numbers with a decimal comma both ways; a status byte; a prompt when it takes the next line."""

    def __init__(self, say: Say) -> None:
        super().__init__(say)
        self.set_v, self.limit_a, self.on = 3.0, 0.1, True

    @property
    def volts(self) -> float:
        return self.set_v if self.on else 0.0

    @property
    def amperes(self) -> float:
        return 0.001

    def answer(self, line: str) -> str:
        text = ""
        if line == "ID":
            text = "shed works psu"
        elif line == "U?":
            text = f" U={self.volts:07.3f}V".replace(".", ",")
        elif line == "I?":
            text = f" I=  {self.amperes:.4f}A".replace(".", ",")
        elif line == "S?":
            text = f"S {0x41 if self.on else 0x01}"
        elif match := re.fullmatch(r"([UI])=(\d+,\d+)", line):
            value = float(match[2].replace(",", "."))
            self.set_v, self.limit_a = (value, self.limit_a) if match[1] == "U" else (self.set_v, value)
        elif line in ("RUN", "HALT"):
            self.on = line == "RUN"
        else:
            text = "?"
        return f"{text}\r\n> " if text else "\r\n> "


COMMA = """
kind = "supply"
description = "DC supply, numbers with a decimal comma"
identity_fields = 0
error_query = ""
terminator = "CR"
answer_terminator = "LF"
prompt = "> "
decimal_comma = true
on_answer = "bit 6 is 1"
voltage_max_v = 30
current_max_a = 3
off_below_v = 1
off_within_s = 2
voltage_digits = "U=([0-9.]+)V"
current_digits = "I= *([0-9.]+)A"

[commands]
output_on = "RUN"
output_off = "HALT"
output_query = "S?"
voltage = "U={v:.3f,}"
current = "I={a:.3f,}"
measure_voltage = "U?"
measure_current = "I?"
"""


class PromptBoard(Line):
    """It sends every line back, then a prompt. Relays count from 0; a 1 in its masks is a released relay."""

    def __init__(self, say: Say) -> None:
        super().__init__(say)
        self.closed = {3}
        self.dead: set[int] = set()

    def answer(self, line: str) -> str:
        text = ""
        if line == "relay readall":
            text = f"{0xFF ^ sum(1 << n for n in self.closed):02x}\n\r"
        elif match := re.fullmatch(r"relay writeall ([0-9a-f]{2})", line):
            self.closed = {n for n in range(8) if not int(match[1], 16) >> n & 1 and n not in self.dead}
        return f"{line}\n\r{text}>"


PROMPT = """
kind = "text-switchboard"
description = "Relay board with a prompt, a 1 for a released relay"
channels = 8
terminator = "CR"
answer_terminator = "LF"
echoes = true
prompt = ">"
active_low = true

[commands]
set_all = "relay writeall {mask:02x}"
state_query = "relay readall"
"""

INVERTED_COILS = """
kind = "modbus-switchboard"
description = "Relay board, Modbus TCP, a coil that is on is a released relay"
channels = 8
framing = "TCP"
device = 1
first_coil = 0
write_functions = [15]
active_low = true
"""
