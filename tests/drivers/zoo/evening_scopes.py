"""Two scopes as pages of a manual describe them, written before any profile of them, and their profiles.

Numbers as IEEE 488.2 has them where the pages say nothing else; blocks by its clause 8.7.9.
"""

from tests.drivers.zoo.scope import Action, Scope, block


class PlainMillivolts(Scope):
    """Every number is whole, in its own unit, which nobody writes: millivolts, microseconds, nanoseconds.

    VOLTS,n,x   sensitivity, x mV a division, of 2 5 10 20 50 100 200 500 1000 2000. VOLTS?,n tells it.
    SHIFT,n,x   x mV is in the middle of the screen. SHIFT?,n tells it.
    TRACE,n,ON or OFF puts input n, of 1 to 4, into the record or takes it out.
    SWEEP,x     x us a division, ten of which are the record. It always has 4096 samples.
    STEP?       time from sample to sample, in ns.
    TAKE        takes a record. TAKEN? answers YES when it is complete, else NO.
    DUMP?,n     the record of input n as a block: 12 bits, left in 16, the high byte first. 32768 is in the
                middle of the screen, and 6400 are a division.
    Lines end in CR LF both ways, behind blocks as well. There is no error queue.
    """

    memory = 4096

    def commands(self) -> dict[str, Action]:
        return {
            "VOLTS,#,$": lambda n, x: self.put("scale_v", n, whole(x) * 1e-3),
            "VOLTS?,#": lambda n: f"{1e3 * self.channels[int(n)].scale_v:.0f}",
            "SHIFT,#,$": lambda n, x: self.put("offset_v", n, whole(x) * 1e-3),
            "SHIFT?,#": lambda n: f"{1e3 * self.channels[int(n)].offset_v:.0f}",
            "TRACE,#,ON": lambda n: self.put("shown", n, True),
            "TRACE,#,OFF": lambda n: self.put("shown", n, False),
            "SWEEP,$": lambda x: self.have("s_per_div", whole(x) * 1e-6),
            "STEP?": lambda: f"{1e9 * self.taken().interval_s:.4f}",
            "TAKE": self.single,
            "TAKEN?": lambda: "YES" if self.is_done else "NO",
            "DUMP?,#": self.dump,
        }

    def common(self) -> dict[str, Action]:
        return {"*IDN?": lambda: self.identity}

    def dump(self, n: str) -> bytes:
        codes = self.codes(int(n), low=0, high=4095) * 16
        return block(codes.astype(">u2").tobytes(), digits=5)


class Words(Scope):
    """Settings and answers are words with their units, as on the knobs.

    :CHn:ON, :CHn:OFF   input n, of 1 and 2, is in the record or not.
    :CHn:SCAL w         w a division: 2mV 5mV 10mV 20mV 50mV 100mV 200mV 500mV 1V 2V. :CHn:SCAL? tells it.
    :CHn:POS x          the trace of 0 V is x divisions above the middle. :CHn:POS? tells it.
    :HOR:SCAL w         w a division, of 500us 1ms 2ms 5ms 10ms 20ms. Ten divisions have 4000 samples.
    :ACQ:RATE?          samples a second, as 200.0kSa/s.
    :RUN:ONE            takes a record; :RUN:STAT? answers 0 before it, 1 during it, 2 after it.
    :DATA? n            CHn: and then the codes of input n as a list, -128 to 127; 25 are a division, and 0 is
                        the middle of the screen.
    *OPC? is not known; what is wrong goes into the queue that SYST:ERR? reads.
    """

    memory = 4000
    inputs = 2
    sensitivities = ("2mV", "5mV", "10mV", "20mV", "50mV", "100mV", "200mV", "500mV", "1V", "2V")
    sweeps = ("500us", "1ms", "2ms", "5ms", "10ms", "20ms")

    def commands(self) -> dict[str, Action]:
        return {
            ":CH#:ON": lambda n: self.put("shown", n, True),
            ":CH#:OFF": lambda n: self.put("shown", n, False),
            ":CH#:SCAL @": self.scale,
            ":CH#:SCAL?": lambda n: word_of(self.channels[int(n)].scale_v, "V"),
            ":CH#:POS $": lambda n, x: self.put("offset_v", n, -float(x) * self.channels[int(n)].scale_v),
            ":CH#:POS?": lambda n: f"{-self.channels[int(n)].offset_v / self.channels[int(n)].scale_v:.3f}",
            ":HOR:SCAL @": self.sweep,
            ":ACQ:RATE?": lambda: f"{1e-3 / self.taken().interval_s:.1f}kSa/s",
            ":RUN:ONE": self.single,
            ":RUN:STAT?": lambda: "0" if self.record is None else "2" if self.is_done else "1",
            ":DATA? #": self.data,
        }

    def scale(self, n: str, word: str) -> None:
        if word not in self.sensitivities:
            self.errors.append('-224,"Illegal parameter value"')
        else:
            self.put("scale_v", n, value_of(word))

    def sweep(self, word: str) -> None:
        if word not in self.sweeps:
            self.errors.append('-224,"Illegal parameter value"')
        else:
            self.s_per_div = value_of(word)

    def data(self, n: str) -> str:
        return f"CH{n}:" + ",".join(map(str, self.codes(int(n), low=-128, high=127)))


PREFIXES = {"u": 1e-6, "m": 1e-3, "": 1.0}


def whole(text: str) -> float:
    """A whole number; an instrument that takes no other refuses the rest."""
    if not text.lstrip("+-").isdigit():
        raise ValueError(f"{text} is not whole")
    return float(text)


def value_of(word: str) -> float:
    """`500mV` as 0.5."""
    digits = word.rstrip("Vsmu")
    return float(digits) * PREFIXES[word.removeprefix(digits).rstrip("Vs")]


def word_of(value: float, unit: str) -> str:
    """0.5 as `500mV`."""
    prefix = next(
        name for name, size in sorted(PREFIXES.items(), key=lambda each: -each[1]) if value >= 0.999 * size
    )
    return f"{value / PREFIXES[prefix]:g}{prefix}{unit}"


PLAIN_MILLIVOLTS = """
kind = "oscilloscope"
description = "Scope, whole millivolts"
terminator = "CR LF"
answer_terminator = "CR LF"
echoes = false
pause_s = 0
identity_fields = 4
error_query = ""
decimal_comma = false
inputs = 4
divisions = 8
time_divisions = 10
input_impedance_ohm = 1000000.0
input_capacitance_f = 1.8e-11
volts_per_division_v = [0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2]
record_lengths = [4096]
record_length_max = 4096
complete_answer = "YES"
samples = "binary"
sample_bits = 16
sample_signed = false
byte_order = "big"
code_max = 65520
block_terminated = true
answer_holds = "one_input"

[scaling]
scale = "VOLTS?,{n} times 0.001"
codes_per_division = 6400
reference = 32768
origin = "SHIFT?,{n} times 0.001"
interval_s = "STEP? times 1e-9"

[commands]
display_on = "TRACE,{n},ON"
display_off = "TRACE,{n},OFF"
scale = "VOLTS,{n},{v_per_div:milli d}"
offset = "SHIFT,{n},{v:milli d}"
timebase_scale = "SWEEP,{s_per_div:micro d}"
single = "TAKE"
complete_query = "TAKEN?"
data_query = "DUMP?,{n}"
"""
"""As `profile new` wrote it at this scope."""

WORDS = """
kind = "oscilloscope"
description = "Scope, words"
echoes = false
pause_s = 0
identity_fields = 4
error_query = "SYST:ERR?"
decimal_comma = false
inputs = 2
divisions = 8
time_divisions = 10
input_impedance_ohm = 1000000.0
input_capacitance_f = 1.8e-11
volts_per_division_v = [0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2]
seconds_per_division_s = [0.0005, 0.001, 0.002, 0.005, 0.01, 0.02]
record_lengths = [4000]
record_length_max = 4000
complete_answer = "2"
samples = "text_codes"
code_min = -128
code_max = 127
text_in_block = false
block_prefix = "CH{n}:"
block_terminated = false
answer_holds = "one_input"

[scaling]
scale = ":CH{n}:SCAL?"
codes_per_division = 25
reference = 0
origin = ":CH{n}:POS? times 25"
formula = "(raw - origin - reference) * scale"
rate_hz = ":ACQ:RATE?"

[commands]
display_on = ":CH{n}:ON"
display_off = ":CH{n}:OFF"
scale = ":CH{n}:SCAL {v_per_div:prefixed}V"
offset = ":CH{n}:POS {minus_div}"
timebase_scale = ":HOR:SCAL {s_per_div:prefixed}s"
single = ":RUN:ONE"
complete_query = ":RUN:STAT?"
data_query = ":DATA? {n}"
"""
"""As `profile new` wrote it, but for `origin` and `formula`, which its check named as wrong."""
