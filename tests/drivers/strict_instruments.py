"""Small strict instruments for the drivers' tests: they know the commands of the shipped profiles and no
other.

Each keeps a state that a test can look at, queues -113 for a header it doesn't know and -222 for a value
out of range, and answers only what was asked.
"""

import re
from collections.abc import Callable

import numpy as np

from tests.drivers.peers import Connection

Answer = str | bytes | None


class Instrument:
    """A table of patterns; short and long forms, any case, one command a line."""

    identity = "Shed Works,Thing,7,1.0"

    def __init__(self) -> None:
        self.errors: list[str] = []
        self.unknown: list[str] = []
        self.trouble: Callable[[Connection, str], bool] | None = None
        self.table: dict[str, Callable[..., Answer]] = {
            r"*IDN?": lambda: self.identity,
            r"*CLS": self.errors.clear,
            r"*OPC?": lambda: "1",
            r"SYSTem:ERRor?": lambda: self.errors.pop(0) if self.errors else '0,"No error"',
        }

    def script(self, connection: Connection) -> None:
        while True:
            heard = connection.line().decode("ascii")
            if self.trouble is not None and self.trouble(connection, heard):
                continue
            answer = self.obey(heard)
            if answer is not None:
                connection.send((answer.encode() if isinstance(answer, str) else answer) + b"\n")

    def obey(self, command: str) -> Answer:
        for pattern, act in self.table.items():
            match = re.fullmatch(_pattern(pattern), command, re.IGNORECASE)
            if match:
                return act(*match.groups())
        self.errors.append('-113,"Undefined header"')
        self.unknown.append(command)
        return None

    def refuse(self) -> None:
        self.errors.append('-222,"Data out of range"')


def _pattern(text: str) -> str:
    """`SOURce#:FREQuency $`: capitals are the short form, # an output, $ a number, @ a channel list."""
    parts = re.split(r"([A-Z]{2,}[a-z]*|[#$@])", text)
    places = {"#": r"(\d+)", "$": r"([-+0-9.Ee]+)", "@": r"\(@([\d,]+)\)"}
    pattern = ""
    for part in parts:
        if part in places:
            pattern += places[part]
        elif re.fullmatch(r"[A-Z]{2,}[a-z]+", part):
            pattern += f"(?:{part}|{re.sub('[a-z]', '', part)})"
        else:
            pattern += re.escape(part)
    return pattern


class Generator(Instrument):
    identity = "Shed Works,Two Tones,11,1.0"

    def __init__(self) -> None:
        super().__init__()
        self.on = {1: True, 2: True}  # somebody left it running
        self.load = {1: "50", 2: "50"}
        self.function = {1: "SQU", 2: "SQU"}
        self.values: dict[tuple[str, int], float] = {("offset", 1): 1.0, ("offset", 2): 1.0}
        self.stuck_on: int | None = None
        self.table |= {
            r"OUTPut# ON": lambda n: self._switch(int(n), on=True),
            r"OUTPut# OFF": lambda n: self._switch(int(n), on=False),
            r"OUTPut#?": lambda n: "1" if self.on[int(n)] else "0",
            r"OUTPut#:LOAD INFinity": lambda n: self.load.__setitem__(int(n), "INF"),
            r"SOURce#:FUNCtion SINusoid": lambda n: self.function.__setitem__(int(n), "SIN"),
            r"SOURce#:FREQuency $": lambda n, x: self._set("frequency", n, x, 1e-6, 20e6),
            r"SOURce#:VOLTage $": lambda n, x: self._set("amplitude", n, x, 1e-3, 20.0),
            r"SOURce#:VOLTage?": lambda n: (
                f"{self.values.get(('amplitude', int(n)), 0.1):+.3E}"
            ),  # four digits
            r"SOURce#:VOLTage:OFFSet $": lambda n, x: self._set("offset", n, x, -10.0, 10.0),
            r"SOURce#:PHASe $": lambda n, x: self._set("phase", n, x, -360.0, 360.0),
        }

    def _switch(self, n: int, *, on: bool) -> None:
        self.on[n] = on or n == self.stuck_on

    def _set(self, what: str, n: str, value: str, low: float, high: float) -> None:
        if low <= float(value) <= high and int(n) in (1, 2):
            self.values[what, int(n)] = float(value)
        else:
            self.refuse()


class Supply(Instrument):
    identity = "Shed Works,Volts,12,1.0"

    def __init__(self, outputs: int = 1) -> None:
        super().__init__()
        self.selected = outputs  # not the first one, where there are several
        self.on = dict.fromkeys(range(1, outputs + 1), True)
        self.voltage = dict.fromkeys(self.on, 5.0)
        self.limit = dict.fromkeys(self.on, 1.0)
        self.shows_a = "+6.000E-03"
        self.decay = [3.0, 1.5]  # what is read just after switching off
        self.table |= {
            r"VOLTage $": lambda x: self.voltage.__setitem__(self.selected, float(x)),
            r"CURRent $": lambda x: self.limit.__setitem__(self.selected, float(x)),
            r"OUTPut ON": lambda: self.on.__setitem__(self.selected, True),
            r"OUTPut OFF": lambda: self.on.__setitem__(self.selected, False),
            r"MEASure:VOLTage?": self._measure_voltage,
            r"MEASure:CURRent?": lambda: self.shows_a if self.on[self.selected] else "0",
        }
        if outputs > 1:
            self.table[r"INSTrument:NSELect #"] = self._select

    def _select(self, n: str) -> None:
        if int(n) in self.on:
            self.selected = int(n)
        else:
            self.refuse()

    def _measure_voltage(self) -> str:
        if self.on[self.selected]:
            return f"{self.voltage[self.selected]:+.4E}"
        return str(self.decay.pop(0) if self.decay else 0.002)


class Scope(Instrument):
    """Every input shows `signal(n, t)`, in volts; 25 codes a division, as common instruments have it."""

    identity = "Shed Works,Eight Bits,13,1.0"

    def __init__(self) -> None:
        super().__init__()
        self.display: dict[int, bool] = {}
        self.values: dict[tuple[str, int], float] = {("x", n): 1.0 for n in range(1, 5)}
        self.words: dict[str, str] = {}
        self.source = 1
        self.running = True
        self.record: int | None = None
        self.signal: Callable[[int, np.ndarray], np.ndarray] = lambda n, t: np.full_like(t, 0.1 * n)
        self.preamble_points_off = self.block_off = 0
        self.change: Callable[[list[str]], list[str]] = lambda fields: fields
        self.table |= {
            r":CHANnel#:DISPlay ON": lambda n: self.display.__setitem__(int(n), True),
            r":CHANnel#:DISPlay OFF": lambda n: self.display.__setitem__(int(n), False),
            r":CHANnel#:COUPling DC": lambda n: None,
            r":CHANnel#:PROBe $": lambda n, x: self._set("x", n, x, 0.1, 1000.0),
            r":CHANnel#:SCALe $": self._scale,
            r":CHANnel#:OFFSet $": lambda n, x: self._set("offset", n, x, -100.0, 100.0),
            r":TIMebase:SCALe $": lambda x: self._set("time", "0", x, 1e-9, 50.0),
            r":TIMebase:POSition $": lambda x: self._set("position", "0", x, -500.0, 500.0),
            r":TRIGger:EDGE:SOURce CHANnel#": lambda n: self.words.__setitem__("source", n),
            r":TRIGger:EDGE:LEVel $": lambda x: self._set("level", "0", x, -100.0, 100.0),
            r":TRIGger:EDGE:SLOPe POSitive": lambda: self.words.__setitem__("slope", "POS"),
            r":TRIGger:SWEep AUTO": lambda: self.words.__setitem__("sweep", "AUTO"),
            r":ACQuire:TYPE NORMal": lambda: self.words.__setitem__("type", "NORM"),
            r":ACQuire:POINts $": lambda x: self._set("points", "0", x, 100, 1_000_000),
            r":SINGle": self._single,
            r":STOP": lambda: setattr(self, "running", False),
            r":WAVeform:SOURce CHANnel#": lambda n: setattr(self, "source", int(n)),
            r":WAVeform:FORMat BYTE": lambda: self.words.__setitem__("format", "BYTE"),
            r":WAVeform:POINts $": lambda x: self._set("waveform_points", "0", x, 100, 1_000_000),
            r":WAVeform:PREamble?": self._preamble,
            r":WAVeform:DATA?": self._data,
        }

    def _set(self, what: str, n: str, value: str, low: float, high: float) -> None:
        if low <= float(value) <= high:
            self.values[what, int(n)] = float(value)
        else:
            self.refuse()

    def _scale(self, n: str, value: str) -> None:
        factor = self.values["x", int(n)]
        self._set("scale", n, value, 0.001 * factor * 0.999, 5.0 * factor * 1.001)

    def _single(self) -> None:
        self.running = False
        self.record = int(self.values["points", 0])

    def _preamble(self) -> Answer:
        if self.record is None or not self.display.get(self.source):
            self.errors.append('-230,"Data corrupt or stale"')
            return None
        fields = [
            "0",
            "0",
            str(self.record + self.preamble_points_off),
            "1",
            f"{10.0 * self.values['time', 0] / self.record:.9E}",
            f"{-5.0 * self.values['time', 0]:.6E}",
            "0",
            f"{self.values['scale', self.source] / 25.0:.6E}",
            f"{self.values['offset', self.source]:.6E}",
            "128",
        ]
        return ",".join(self.change(fields))

    def _data(self) -> Answer:
        count = self.record or 0
        time_s = np.arange(count) * 10.0 * self.values["time", 0] / count
        volts = self.signal(self.source, time_s) - self.values["offset", self.source]
        codes = np.clip(np.round(volts / (self.values["scale", self.source] / 25.0)) + 128, 0, 255)
        data = codes.astype(np.uint8).tobytes()[: count - self.block_off or None]
        return b"#8%08d" % len(data) + data


class Switch(Instrument):
    """A SCPI switch of twelve channels; `welded` channels never open, `dead` ones never close."""

    identity = "Shed Works,Points,14,1.0"

    def __init__(self) -> None:
        super().__init__()
        self.closed: set[int] = {5}
        self.welded: set[int] = set()
        self.dead: set[int] = set()
        self.moves: list[str] = []
        self.table |= {
            r"ROUTe:CLOSe @": lambda list_: self._move(list_, close=True),
            r"ROUTe:OPEN @": lambda list_: self._move(list_, close=False),
            r"ROUTe:OPEN:ALL": lambda: self.closed.intersection_update(self.welded),
            r"ROUTe:CLOSe? @": lambda list_: ",".join(
                str(int(int(n) in self.closed)) for n in list_.split(",")
            ),
        }

    def _move(self, list_: str, *, close: bool) -> None:
        channels = {int(n) for n in list_.split(",")}
        if max(channels) > 12:
            return self.refuse()
        self.moves.append(f"{'close' if close else 'open'} {list_}")
        if close:
            self.closed |= channels - self.dead
        else:
            self.closed -= channels - self.welded
        return None
