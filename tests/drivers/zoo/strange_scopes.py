"""Two more scopes of the zoo with awkward habits, and the profiles that their manuals lead to.

Blocks of indefinite length: IEEE 488.2, 8.7.9.
"""

import numpy as np

from tests.drivers.zoo.scope import Action, Answer, Scope


class NextPieces(Scope):
    """Its codes fall as volts rise, as its polarity field says; the same question brings piece after piece.

    Pieces are blocks of indefinite length (`#0`), words with the less significant byte first. The choice of
    an input begins with its first piece.
    """

    memory = 10_000
    piece = 3000

    def __init__(self) -> None:
        self.next = 0
        super().__init__()

    def commands(self) -> dict[str, Action]:
        return {
            "INP # ON": lambda n: self.put("shown", n, True),
            "INP # OFF": lambda n: self.put("shown", n, False),
            "SENS #,$": lambda n, x: self.put("scale_v", n, float(x)),
            "MID #,$": lambda n, x: self.put("offset_v", n, float(x)),
            "SWEEP $": lambda x: self.have("s_per_div", float(x)),
            "ARM": self.single,
            "*OPC?": self.wait,
            "SEND #": self.begin,
            "HEAD?": self.head,
            "PIECE?": self.piece_of,
        }

    def begin(self, n: str) -> None:
        self.source, self.next = int(n), 0

    def head(self) -> str:
        return (
            f"POL=NEG;N={self.points};DT={1e6 * self.taken().interval_s:.6f} us;"
            f"V={self.step_v(self.source, codes=1 << 16):.9E} V;ZERO=-1;"
            f"MID={1e3 * self.channels[self.source].offset_v:.4f}mV"
        )

    def piece_of(self) -> bytes:
        fallen = -1 - self.codes(self.source, low=-32768, high=32767)
        codes = fallen[self.next : self.next + self.piece]
        self.next += codes.size
        return b"#0" + codes.astype("<i2").tobytes()


NEXT_PIECES = """
kind = "oscilloscope"
description = "Oscilloscope, pieces one after the other"
inputs = 4
divisions = 8
time_divisions = 10
input_impedance_ohm = 1e6
input_capacitance_f = 18e-12
volts_per_division_v = [0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0]
record_length_max = 10000
record_lengths = [10000]
sample_bits = 16
sample_signed = true
byte_order = "little"
points_per_read = 3000
expects = { "label POL" = "NEG" }

[scaling]
formula = "(reference - raw) * scale + origin"
scale = "label V"
reference = "label ZERO"
origin = "label MID"
points = "label N"
interval_s = "label DT"

[commands]
display_on = "INP {n} ON"
display_off = "INP {n} OFF"
scale = "SENS {n},{v_per_div}"
offset = "MID {n},{v}"
timebase_scale = "SWEEP {s_per_div}"
single = "ARM"
complete_query = "*OPC?"
waveform_source = "SEND {n}"
preamble_query = "HEAD?"
data_query = "PIECE?"
"""


class DecimalCommas(Scope):
    """Numbers with a decimal comma both ways; a list of volts in a block, all inputs in one answer.

    Its record is as long as its timebase has it: 4000 samples, and 1000 below 2 ms a division.
    """

    memory = 4000
    inputs = 2

    def commands(self) -> dict[str, Action]:
        return {
            "Y#=@": lambda n, x: self.put("scale_v", n, comma(x)),
            "M#=@": lambda n, x: self.put("offset_v", n, -comma(x)),
            "T=@": lambda x: self.sweep(comma(x)),
            "GO": self.single,
            "DONE?": lambda: f"status {4 if self.is_done else 0}",
            "DT?": lambda: f"{1e6 * self.taken().interval_s:.4f} us".replace(".", ","),
            "N?": lambda: str(self.points),
            "ALL?": self.every,
        }

    def sweep(self, s_per_div: float) -> None:
        self.s_per_div, self.points = s_per_div, 1000 if s_per_div < 2e-3 else 4000

    def every(self) -> Answer:
        rows = [
            (self.codes(n, low=0, high=4095) - 2048) * self.step_v(n, codes=4096) + self.channels[n].offset_v
            for n in self.taken().volts
        ]
        text = ";".join(f"{value:.5e}" for value in np.array(rows).T.reshape(-1)).replace(".", ",")
        return b"#6%06d" % len(text) + text.encode("ascii")


DECIMAL_COMMAS = """
kind = "oscilloscope"
description = "Oscilloscope, numbers with a decimal comma"
decimal_comma = true
inputs = 2
divisions = 8
time_divisions = 10
input_impedance_ohm = 1e6
input_capacitance_f = 18e-12
volts_per_division_v = [0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0]
seconds_per_division_s = [5e-4, 1e-3, 2e-3, 5e-3, 0.01, 0.02, 0.05, 0.1]
record_length_max = 4000
samples = "text_volts"
text_in_block = true
answer_holds = "inputs_interleaved"
complete_answer = "bit 2 is 1"

[scaling]
interval_s = "DT?"
points = "N?"

[commands]
scale = "Y{n}={v_per_div:.4f,}"
offset = "M{n}={minus_v:.4f,}"
timebase_scale = "T={s_per_div:.5f,}"
single = "GO"
complete_query = "DONE?"
data_query = "ALL?"
"""


def comma(text: str) -> float:
    """A number with a decimal comma; one with a point is refused, as such an instrument does."""
    if "." in text:
        raise ValueError(f"a point in {text}")
    return float(text.replace(",", "."))
