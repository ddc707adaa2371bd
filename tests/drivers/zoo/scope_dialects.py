"""The dialects of the zoo's scopes, and what a profile has to say of each."""

import numpy as np

from tests.drivers.zoo.scope import Action, Answer, Habits, Scope, block


class TenFields(Scope):
    """A list of ten numbers scales a block of 8 or 16 bits, unsigned; 16 bits in either order."""

    memory = 20_000

    def __init__(self, habits: Habits | None = None) -> None:
        self.bits, self.order = 8, ">"
        super().__init__(habits)

    def commands(self) -> dict[str, Action]:
        return {
            ":CHANnel#:DISPlay ON": lambda n: self.put("shown", n, True),
            ":CHANnel#:DISPlay OFF": lambda n: self.put("shown", n, False),
            ":CHANnel#:COUPling DC": lambda n: None,
            ":CHANnel#:PROBe $": lambda n, x: self.put("probe", n, float(x)),
            ":CHANnel#:SCALe $": lambda n, x: self.put("scale_v", n, float(x)),
            ":CHANnel#:OFFSet $": lambda n, x: self.put("offset_v", n, float(x)),
            ":TIMebase:SCALe $": lambda x: self.have("s_per_div", float(x)),
            ":TIMebase:POSition $": lambda x: None,
            ":TRIGger:EDGE:SOURce CHANnel#": lambda n: None,
            ":TRIGger:EDGE:LEVel $": lambda x: None,
            ":TRIGger:EDGE:SLOPe POSitive": lambda: None,
            ":TRIGger:SWEep AUTO": lambda: None,
            ":ACQuire:TYPE NORMal": lambda: self.have("finer", "plain"),
            ":ACQuire:TYPE HRESolution": lambda: self.have("finer", "high resolution"),
            ":ACQuire:TYPE AVERage": lambda: self.have("finer", "average"),
            ":ACQuire:COUNt $": lambda x: self.have("averages", int(x)),
            ":ACQuire:POINts $": lambda x: self.have("points", int(x)),
            ":SINGle": self.single,
            ":STOP": lambda: None,
            "*OPC?": self.wait,
            ":WAVeform:SOURce CHANnel#": lambda n: self.have("source", int(n)),
            ":WAVeform:FORMat BYTE": lambda: self.have("bits", 8),
            ":WAVeform:FORMat WORD": lambda: self.have("bits", 16),
            ":WAVeform:BYTeorder MSBFirst": lambda: self.have("order", ">"),
            ":WAVeform:BYTeorder LSBFirst": lambda: self.have("order", "<"),
            ":WAVeform:POINts $": lambda x: None,
            ":WAVeform:PREamble?": self.preamble,
            ":WAVeform:DATA?": self.data,
            ":WAVeform:DATA? $,$": self.part,
            ":WAVeform:DATA:ALL?": self.every,
        }

    def preamble(self) -> str:
        record, codes = self.taken(), 1 << self.bits
        return ",".join(
            (
                str(self.bits // 8 - 1), "0", str(self.points), "1",
                f"{record.interval_s:+.9E}", f"{-self.s_per_div * 5:+.6E}", "0",
                f"{self.step_v(self.source, codes=codes):+.9E}",
                f"{self.channels[self.source].offset_v:+.6E}", str(codes // 2),
            )
        )  # fmt: skip

    def data(self) -> bytes:
        return block(self._bytes(0, self.points))

    def every(self) -> bytes:
        """A block for each input that is shown."""
        blocks = []
        for n in self.taken().volts:
            self.source = n
            blocks.append(self.data())
        return b",".join(blocks)

    def part(self, offset: str, count: str) -> bytes:
        """A part, as far as the answer's limit of 4096 samples goes."""
        return block(self._bytes(int(offset), min(int(count), 4096)))

    def _bytes(self, start: int, count: int) -> bytes:
        codes = self.codes(self.source, low=0, high=(1 << self.bits) - 1)[start : start + count]
        return codes.astype(f"{self.order}u{self.bits // 8}").tobytes()


class Labelled(Scope):
    """Labels name what scales a curve of signed or unsigned numbers; 2500 points, whatever the timebase.

    It knows no *OPC? and no error queue. The volts in the middle are set by a position, in divisions.
    """

    memory = 2500
    inputs = 2

    def __init__(self, habits: Habits | None = None) -> None:
        self.width, self.form, self.text = 1, "RPBinary", False
        super().__init__(habits)

    def commands(self) -> dict[str, Action]:
        return {
            "HEADer OFF": lambda: None,
            "SELect:CH# ON": lambda n: self.put("shown", n, True),
            "SELect:CH# OFF": lambda n: self.put("shown", n, False),
            "CH#:COUPling DC": lambda n: None,
            "CH#:PRObe $": lambda n, x: self.put("probe", n, float(x)),
            "CH#:SCAle $": lambda n, x: self.place(n, scale_v=float(x)),
            "CH#:POSition $": lambda n, x: self.place(n, divisions=float(x)),
            "HORizontal:SCAle $": lambda x: self.have("s_per_div", float(x)),
            "HORizontal:POSition $": lambda x: None,
            "TRIGger:MAIn:MODe AUTO": lambda: self.have("waits", False),
            "TRIGger:MAIn:MODe NORMal": lambda: self.have("waits", True),
            "TRIGger FORCe": self.force,
            "TRIGger:MAIn:EDGE:SLOpe RISe": lambda: None,
            "TRIGger:MAIn:EDGE:SOUrce CH#": lambda n: None,
            "TRIGger:MAIn:EDGE:SOUrce EXT": lambda: None,
            "TRIGger:MAIn:LEVel $": lambda x: None,
            "ACQuire:MODe SAMple": lambda: None,
            "ACQuire:STOPAfter SEQuence": lambda: None,
            "ACQuire:STATE RUN": self.single,
            "ACQuire:STATE STOP": lambda: None,
            "BUSY?": lambda: "0" if self.is_done else "1",
            "DATa:SOUrce CH#": lambda n: self.have("source", int(n)),
            "DATa:WIDth $": lambda x: self.have("width", int(x)),
            "DATa:ENCdg ASCIi": lambda: self.have("text", True),
            "DATa:ENCdg RPBinary": lambda: self._encode("RPBinary"),
            "DATa:ENCdg RIBinary": lambda: self._encode("RIBinary"),
            "DATa:ENCdg SRIbinary": lambda: self._encode("SRIbinary"),
            "DATa:STARt $": lambda x: self.have("window", (int(x), self.window[1])),
            "DATa:STOP $": lambda x: self.have("window", (self.window[0], int(x))),
            "WFMPre?": self.preamble,
            "CURVe?": self.curve,
        }

    def place(self, n: str, *, scale_v: float | None = None, divisions: float | None = None) -> None:
        """The trace stays where it is on the screen if the scale changes: the volts in the middle do not."""
        channel = self.channels[int(n)]
        position = -channel.offset_v / channel.scale_v if divisions is None else divisions
        channel.scale_v = channel.scale_v if scale_v is None else scale_v
        channel.offset_v = -position * channel.scale_v

    def _encode(self, form: str) -> None:
        self.form, self.text = form, False

    def preamble(self) -> str:
        codes = 1 << 8 * self.width
        return (
            f"BYT_NR {self.width};BIT_NR {8 * self.width};ENCDG {'ASC' if self.text else 'BIN'};"
            f"BN_FMT {'RP' if self.form == 'RPBinary' and not self.text else 'RI'};"
            f"BYT_OR {'LSB' if self.form == 'SRIbinary' else 'MSB'};NR_PT {self.points};"
            f'WFID "Ch{self.source}, DC coupling; 2.5K points";PT_FMT Y;XUNIT "s";'
            f"XINCR {self.taken().interval_s:.9E};XZERO {-self.s_per_div * 5:.6E};PT_OFF 0;"
            f'YUNIT "Volts";YMULT {self.step_v(self.source, codes=codes):.9E};'
            f"YZERO {self.channels[self.source].offset_v:.6E};"
            f"YOFF {codes / 2 if self.form == 'RPBinary' and not self.text else 0:.6E}"
        )

    def curve(self) -> bytes:
        half = 1 << 8 * self.width - 1
        unsigned = self.form == "RPBinary" and not self.text
        low = 0 if unsigned else -half
        codes = self.windowed(self.codes(self.source, low=low, high=low + 2 * half - 1))
        if self.text:
            return ",".join(map(str, codes)).encode("ascii")
        order = "<" if self.form == "SRIbinary" else ">"
        return block(codes.astype(f"{order}{'u' if unsigned else 'i'}{self.width}").tobytes(), digits=4)


class SingleQueries(Scope):
    """No preamble: scale, offset and rate are asked one by one; signed bytes, 14,000 of them, in pieces.

    It answers with a header and units, has an offset of the other sign, and says that it has stopped.
    """

    memory = 14_000

    def commands(self) -> dict[str, Action]:
        return {
            "C#:TRA ON": lambda n: self.put("shown", n, True),
            "C#:TRA OFF": lambda n: self.put("shown", n, False),
            "C#:CPL D1M": lambda n: None,
            "C#:VDIV $": lambda n, x: self.put("scale_v", n, float(x)),
            "C#:OFST $": lambda n, x: self.put("offset_v", n, -float(x)),
            "C#:ATTN $": lambda n, x: self.put("probe", n, float(x)),
            "TDIV $": lambda x: self.have("s_per_div", float(x)),
            "TRDL $": lambda x: None,
            "TRSE EDGE,SR,C#": lambda n: None,
            "TRMD AUTO": lambda: None,
            "TRMD SINGLE": self.single,
            "STOP": lambda: None,
            "C#:VDIV?": lambda n: f"C{n}:VDIV {1e3 * self.channels[int(n)].scale_v:.2f}mV",
            "C#:OFST?": lambda n: f"C{n}:OFST {-self.channels[int(n)].offset_v:.2E} V",
            "SARA?": lambda: f"SARA {1e-3 / self.taken().interval_s:.4f}kSa/s",
            "SANU? C#": lambda n: f"SANU {1e-3 * self.points:g}kpts",
            "SAST?": lambda: "SAST Stop" if self.is_done else "SAST Trig'd",
            "WFSU SP,1,NP,$,FP,$": self.part,
            "C#:WF? DAT2": self.wave,
        }

    def part(self, count: str, first: str) -> None:
        self.window = (int(first) + 1, int(first) + int(count))

    def wave(self, n: str) -> bytes:
        codes = self.windowed(self.codes(int(n), low=-128, high=127))[:5000]  # no more at once
        return b"DAT2," + block(codes.astype(np.int8).tobytes(), digits=9)


class Lettered(Scope):
    """Inputs A and B, set by the volts of the whole screen and a rate; codes in text that fall as volts rise.

    One preamble has the labels of both inputs, and one answer their codes, sample by sample.
    """

    memory = 1000
    inputs = 2
    rate_hz = 1e3

    def commands(self) -> dict[str, Action]:
        return {
            "MODE:SINGLE": lambda: None,
            "RANGE_&=$": lambda n, x: self.put("scale_v", n, float(x) / self.divisions),
            "CENTRE_&=$": lambda n, x: self.put("offset_v", n, float(x)),
            "RATE=$": lambda x: self.have("rate_hz", float(x)),
            "LENGTH=$": lambda x: self.have("points", int(x)),
            "GO": self.go,
            "STATE?": lambda: "8" if self.is_done else "0",
            "HEADER?": self.header,
            "DATA?$..$": self.both,
        }

    def go(self) -> None:
        self.s_per_div = self.points / self.rate_hz / self.time_divisions
        self.single()

    def header(self) -> str:
        volts = "; ".join(
            f"{letter}:RANGE={1e3 * self.channels[n].scale_v * self.divisions:.3f} mV; "
            f"{letter}:CENTRE={self.channels[n].offset_v:+.4f} V"
            for n, letter in ((1, "A"), (2, "B"))
        )
        return f"LENGTH={self.points}; RATE={1e-3 / self.taken().interval_s:.4f} kHz; {volts}"

    def both(self, first: str, end: str) -> str:
        """Codes of 12 bits: 4096 for the whole screen, 0 at its top."""
        rows = []
        for n in (1, 2):
            channel = self.channels[n]
            volts = (self.taken().volts[n] - channel.offset_v) / (channel.scale_v * self.divisions / 4096)
            rows.append(np.clip(2048 - np.round(volts), 0, 4095).astype(int)[int(first) : int(end)])
        return "CODES " + "; ".join(map(str, np.stack(rows).T.reshape(-1)))


class VoltsInText(Scope):
    """Lists of volts in a block, all inputs in one answer; nothing tells when a record is complete."""

    memory = 4000
    in_turn = True

    def commands(self) -> dict[str, Action]:
        return {
            "*RST": lambda: None,
            "CH#:DISP ON": lambda n: self.put("shown", n, True),
            "CH#:DISP OFF": lambda n: self.put("shown", n, False),
            "CH#:SCAL $": lambda n, x: self.put("scale_v", n, float(x)),
            "HOR:SCAL $": lambda x: self.have("s_per_div", float(x)),
            "ACQ:SING": self.single,
            "ACQ:SRAT?": lambda: f" {1.0 / self.taken().interval_s:.6e} ",
            "DATA:ALL?": self.all_volts,
        }

    def all_volts(self) -> Answer:
        volts = []
        for n in self.taken().volts:
            channel = self.channels[n]
            # The text has the converter's steps in it: 8 bits.
            volts.append((self.codes(n, low=0, high=255) - 128) * channel.scale_v / self.codes_per_division)
        rows = np.array(volts)
        flat = rows.reshape(-1) if self.in_turn else rows.T.reshape(-1)
        return block(", ".join(f"{value:+.4E}" for value in flat).encode("ascii"))
