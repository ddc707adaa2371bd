"""A generator and a supply as pages of a manual describe them, written before any profile of them;
and the profiles that were.
"""

import re

from tests.drivers.board_zoo.strangers import Line, Say
from tests.drivers.peers import Connection


class PlainKilohertz:
    """One answer has all that an output is set to, in kilohertz and in millivolts peak, without units.

    Fn=x   frequency of output n, of 1 and 2, x kHz with six digits behind the point.
    An=x   amplitude, x mV peak without a load, whole, 5 to 5000.
    Sn=ON, Sn=OFF  switches it.
    ST?n   answers F=1.000000 A=500 S=ON.
    ID?    answers PLAIN KILOHERTZ. Lines end in LF; nothing is said to a command.
    """

    def __init__(self) -> None:
        self.khz, self.peak_mv, self.on = {1: 5.0, 2: 5.0}, {1: 1000, 2: 1000}, {1: True, 2: True}
        self.unknown: list[str] = []

    @property
    def hertz(self) -> dict[int, float]:
        return {n: 1e3 * khz for n, khz in self.khz.items()}

    @property
    def open_vpp(self) -> dict[int, float]:
        return {n: 2e-3 * peak_mv for n, peak_mv in self.peak_mv.items()}

    def script(self, connection: Connection) -> None:
        while True:
            answer = self.obey(connection.line().decode("ascii"))
            if answer is not None:
                connection.send(answer.encode("ascii") + b"\n")

    def obey(self, line: str) -> str | None:
        if line == "ID?":
            return "PLAIN KILOHERTZ"
        if match := re.fullmatch(r"ST\?([12])", line):
            n = int(match[1])
            return f"F={self.khz[n]:.6f} A={self.peak_mv[n]} S={'ON' if self.on[n] else 'OFF'}"
        if match := re.fullmatch(r"F([12])=(\d+\.\d{6})", line):
            self.khz[int(match[1])] = float(match[2])
        elif (match := re.fullmatch(r"A([12])=(\d+)", line)) and 5 <= int(match[2]) <= 5000:
            self.peak_mv[int(match[1])] = int(match[2])
        elif match := re.fullmatch(r"S([12])=(ON|OFF)", line):
            self.on[int(match[1])] = match[2] == "ON"
        else:
            self.unknown.append(line)
        return None


class OneLineSupply(Line):
    """Everything is in one answer, the state of the output last; lines end in CR alone.

    Vx    voltage, x in hundredths of a volt, four digits, to 3000. Ix  limit, x mA, four digits, to 3000.
    O1, O0  switches the output. Every command is answered by OK, or NO.
    R?    answers 12.00V;0.003A;CV;ON: volts and amperes at the terminals, what limits, and the output.
    """

    def __init__(self, say: Say) -> None:
        super().__init__(say)
        self.set_v, self.limit_a, self.on = 5.0, 1.0, True
        self.drawn_a = 0.001

    @property
    def volts(self) -> float:
        return self.set_v if self.on else 0.0

    @property
    def amperes(self) -> float:
        return min(self.drawn_a, self.limit_a) if self.on else 0.0

    def answer(self, line: str) -> str:
        if line == "R?":
            return f"{self.volts:.2f}V;{self.amperes:.3f}A;CV;{'ON' if self.on else 'OFF'}\r"
        if (match := re.fullmatch(r"([VI])(\d{4})", line)) and int(match[2]) <= 3000:
            if match[1] == "V":
                self.set_v = int(match[2]) / 100
            else:
                self.limit_a = int(match[2]) / 1000
        elif line in ("O1", "O0"):
            self.on = line == "O1"
        else:
            return "NO\r"
        return "OK\r"


PLAIN_KILOHERTZ = """
kind = "generator"
description = "Generator, plain kilohertz"
echoes = false
pause_s = 0
identity_fields = 0
error_query = ""
decimal_comma = false
outputs = 2
output_impedance_ohm = 50
output_impedance_tolerance = 0.01
amplitude_min_vpp = 0.01
amplitude_max_vpp = 10
frequency_min_hz = 0.001
frequency_max_hz = 1000000.0
independent_frequencies = true
matched_load = false
output_state = "S=(ON|OFF)$"
frequency_digits = "F=([0-9.]+)"
amplitude_digits = "A=([0-9.]+)"

[commands]
output_off = "S{n}=OFF"
output_query = "ST?{n}"
frequency = "F{n}={hz:kilo .6f}"
frequency_query = "ST?{n}"
amplitude = "A{n}={vpk:milli d}"
amplitude_query = "ST?{n}"
output_on = "S{n}=ON"
"""

ONE_LINE = """
kind = "supply"
description = "Supply, all in one answer"
baud_rate = 9600
data_bits = 8
parity = "none"
stop_bits = 1
flow_control = "none"
dtr = false
rts = false
terminator = "CR"
echoes = false
answer = "OK"
answer_after_questions = false
pause_s = 0
identity_fields = 0
error_query = ""
decimal_comma = false
voltage_max_v = 30
current_max_a = 3
off_below_v = 1
off_within_s = 2
output_state = ";(ON|OFF)$"
voltage_digits = "^([0-9.]+)V"
voltage_unit_v = 1
current_digits = ";([0-9.]+)A"
current_unit_a = 1

[commands]
output_off = "O0"
output_query = "R?"
voltage = "V{v_hundredths:04d}"
current = "I{ma:04d}"
measure_voltage = "R?"
measure_current = "R?"
output_on = "O1"
"""
"""Both as `profile new` wrote them at these instruments."""
