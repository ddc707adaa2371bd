"""The foreign bench's SCPI instruments, to the letter of the shipped profiles."""

import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.foreign.scpi import Action, Answer, Instrument, Refused, number, switched, wait_until, word
from tests.foreign.world import World


class Generator(Instrument):
    """Two outputs that share no start phase, each off by its own amount; 10 mV peak to peak at least."""

    identity = "Foreign Works,TG-2,0815,2.1"
    gain = (1.008, 0.989)
    offset_v = (0.0015, -0.0008)

    def __init__(self, world: World) -> None:
        self.world = world
        self.infinite = [False, False]
        self.vpp = [0.1, 0.1]
        self.offset = [0.0, 0.0]
        super().__init__()

    def commands(self) -> dict[str, Action]:
        """List what the profile uses."""
        return {
            "SOURce#:FUNCtion": lambda n, p: self._function(p[0]),
            "SOURce#:FREQuency": lambda n, p: self._frequency(self._which(n), p[0]),
            "SOURce#:VOLTage": lambda n, p: self._volts(self._which(n), p[0]),
            "SOURce#:VOLTage?": lambda n, p: f"{self.vpp[self._which(n)]:.4f}",
            "SOURce#:VOLTage:OFFSet": lambda n, p: self._offset(self._which(n), p[0]),
            "SOURce#:PHASe": lambda n, p: self._phase(self._which(n), p[0]),
            "OUTPut#:LOAD": lambda n, p: self._load(self._which(n), p[0]),
            "OUTPut#": lambda n, p: self._switch(self._which(n), p[0]),
            "OUTPut#?": lambda n, p: str(int(self.world.output(self._which(n) + 1).on)),
        }

    def reset(self) -> None:
        """Outputs off, 100 mV peak to peak into 50 ohm."""
        for n in (0, 1):
            self.infinite[n], self.vpp[n], self.offset[n] = False, 0.1, 0.0
            self.world.drive(n + 1, on=False, frequency_hz=1000.0)
            self._apply(n)

    def _which(self, n: int) -> int:
        if n not in (1, 2):
            raise Refused(-113)
        return n - 1

    def _function(self, text: str) -> None:
        word(text, "SINusoid", "SQUare")

    def _frequency(self, n: int, text: str) -> None:
        self.world.drive(n + 1, frequency_hz=number(text, 1e-3, 25e6))

    def _volts(self, n: int, text: str) -> None:
        share = 1.0 if self.infinite[n] else 0.5
        self.vpp[n] = number(text, 0.01 * share, 20.0 * share)
        self._apply(n)

    def _offset(self, n: int, text: str) -> None:
        self.offset[n] = number(text, -5.0, 5.0)
        self._apply(n)

    def _phase(self, n: int, text: str) -> None:
        turn = np.deg2rad(number(text, -360.0, 360.0))
        self.world.drive(n + 1, phase_rad=turn + float(self.world.random.uniform(0, 2 * np.pi)))

    def _load(self, n: int, text: str) -> None:
        """Another set load leaves the e.m.f. as it is, and changes the number that stands for it."""
        if not re.fullmatch("(?i)INF(inity)?", text):
            number(text, 50.0, 50.0)
        infinite = text.upper().startswith("INF")
        if infinite != self.infinite[n]:
            factor = 2.0 if infinite else 0.5
            self.vpp[n] *= factor
            self.offset[n] *= factor
        self.infinite[n] = infinite

    def _apply(self, n: int) -> None:
        factor = 1.0 if self.infinite[n] else 2.0
        self.world.drive(
            n + 1,
            peak_v=self.vpp[n] * factor / 2 * self.gain[n],
            offset_v=self.offset[n] * factor + self.offset_v[n],
        )

    def _switch(self, n: int, text: str) -> None:
        on = switched(text)
        start = float(self.world.random.uniform(0, 2 * np.pi))
        self.world.drive(n + 1, on=on, phase_rad=start)


class Supply(Instrument):
    """One output, so INSTrument:NSELect is no header of it; ramps slowly and measures with noise."""

    identity = "Foreign Works,PS-1,77,1.0"

    def __init__(self, world: World) -> None:
        self.world = world
        self.volts, self.limit, self.on = 0.0, 1.0, False
        super().__init__()

    def commands(self) -> dict[str, Action]:
        """List what the profile uses."""
        return {
            "VOLTage": lambda n, p: self._volts(p[0]),
            "CURRent": lambda n, p: self._current(p[0]),
            "OUTPut": lambda n, p: self._switch(p[0]),
            "MEASure:VOLTage?": lambda n, p: f"{self.world.voltage(self.world.now()):.3f}",
            "MEASure:CURRent?": lambda n, p: f"{self._ampere():.5f}",
        }

    def reset(self) -> None:
        """Off, 0 V."""
        self.volts, self.limit, self.on = 0.0, 1.0, False
        self.world.power(0.0)

    def _volts(self, text: str) -> None:
        self.volts = number(text, 0.0, 32.0)
        self._apply()

    def _current(self, text: str) -> None:
        self.limit = number(text, 0.0, 3.0)

    def _switch(self, text: str) -> None:
        self.on = switched(text)
        self._apply()

    def _apply(self) -> None:
        self.world.power(self.volts if self.on else 0.0)

    def _ampere(self) -> float:
        true = min(self.world.current(self.world.now()), self.limit)
        return true * 1.003 + float(self.world.random.normal(0, 5e-5))


class RouteSwitchboard(Instrument):
    """Sixteen relays by channel list, with read-back."""

    identity = "Foreign Works,RS-16,5,0.9"

    def __init__(self, world: World) -> None:
        self.world = world
        self.held: frozenset[int] = frozenset()
        super().__init__()

    def commands(self) -> dict[str, Action]:
        """List what the profile uses."""
        return {
            "ROUTe:CLOSe": lambda n, p: self._hold(self.held | self._list(p)),
            "ROUTe:OPEN": lambda n, p: self._hold(self.held - self._list(p)),
            "ROUTe:OPEN:ALL": lambda n, p: self._hold(frozenset()),
            "ROUTe:CLOSe?": lambda n, p: ",".join(str(int(c in self.held)) for c in self._ordered(p)),
        }

    def reset(self) -> None:
        """All open."""
        self._hold(frozenset())

    def _ordered(self, parameters: list[str]) -> list[int]:
        if len(parameters) != 1 or not re.fullmatch(r"\(@\d+(,\d+)*\)", parameters[0]):
            raise Refused(-224 if parameters else -109)
        channels = [int(digits) for digits in re.findall(r"\d+", parameters[0])]
        if not all(1 <= channel <= 16 for channel in channels):
            raise Refused(-222)
        return channels

    def _list(self, parameters: list[str]) -> frozenset[int]:
        return frozenset(self._ordered(parameters))

    def _hold(self, channels: frozenset[int]) -> None:
        self.held = channels
        self.world.close(channels)


@dataclass
class Input:
    """How one scope input is set."""

    shown: bool = False
    ac: bool = False
    probe: float = 1.0
    scale: float = 1.0
    offset: float = 0.0


@dataclass
class Record:
    """One finished acquisition: codes of each displayed input, and the preamble's numbers."""

    codes: dict[int, NDArray[np.uint8]]
    settings: dict[int, Input]
    interval_s: float
    origin_s: float
    count: int


@dataclass
class Setup:
    """The rest of the scope's settings, as after *RST."""

    s_per_div: float = 1e-3
    position: float = 0.0
    trigger_input: int = 1
    level: float = 0.0
    falling: bool = False
    normal: bool = False
    average: bool = False
    count: int = 2
    points: int = 10000
    source: int = 1
    wide: bool = False
    transfer: int = 1000
    inputs: list[Input] = field(default_factory=lambda: [Input() for _ in range(4)])


class Oscilloscope(Instrument):
    """Four inputs, 8 bits over 8 divisions and no more; centre code 127; 2 mV to 10 V a division."""

    identity = "Foreign Works,OS-4,31415,7.0"
    gain = (1.017, 0.986, 0.994, 1.019)
    offset_div = (0.03, -0.05, 0.02, 0.04)
    centre = 127
    per_div = 25
    memory = 50000

    def __init__(self, world: World) -> None:
        self.world = world
        self.set = Setup()
        self.armed: float | None = None
        self.forced = False
        self.record: Record | None = None
        super().__init__()

    def commands(self) -> dict[str, Action]:
        """List what the profile uses."""
        low, high = 2e-3, 10.0
        return {
            ":CHANnel#:DISPlay": lambda n, p: self._put(n, "shown", switched(p[0])),
            ":CHANnel#:COUPling": lambda n, p: self._put(n, "ac", word(p[0], "DC", "AC") == "AC"),
            ":CHANnel#:PROBe": lambda n, p: self._put(n, "probe", number(p[0], 0.1, 1000.0)),
            ":CHANnel#:SCALe": lambda n, p: self._put(
                n, "scale", number(p[0], low * self._in(n).probe, high * self._in(n).probe)
            ),
            ":CHANnel#:OFFSet": lambda n, p: self._put(n, "offset", number(p[0], -40.0, 40.0)),
            ":TIMebase:SCALe": lambda n, p: self._have("s_per_div", number(p[0], 1e-8, 10.0)),
            ":TIMebase:POSition": lambda n, p: self._have("position", number(p[0], -100.0, 100.0)),
            ":TRIGger:EDGE:SOURce": lambda n, p: self._have("trigger_input", self._source(p[0])),
            ":TRIGger:EDGE:LEVel": lambda n, p: self._have("level", number(p[0], -50.0, 50.0)),
            ":TRIGger:EDGE:SLOPe": lambda n, p: self._have(
                "falling", word(p[0], "POSitive", "NEGative") == "NEG"
            ),
            ":TRIGger:SWEep": lambda n, p: self._have("normal", word(p[0], "AUTO", "NORMal") == "NORM"),
            ":TRIGger:FORCe": lambda n, p: self._force(),
            ":ACQuire:TYPE": lambda n, p: self._have("average", word(p[0], "NORMal", "AVERage") == "AVER"),
            ":ACQuire:COUNt": lambda n, p: self._have("count", int(number(p[0], 2, 1024))),
            ":ACQuire:POINts": lambda n, p: self._have("points", int(number(p[0], 100, self.memory))),
            ":SINGle": lambda n, p: self._arm(),
            ":RUN": lambda n, p: self._halt(),
            ":STOP": lambda n, p: self._halt(),
            ":WAVeform:SOURce": lambda n, p: self._have("source", self._source(p[0])),
            ":WAVeform:FORMat": lambda n, p: self._have("wide", word(p[0], "BYTE", "WORD") == "WORD"),
            ":WAVeform:POINts": lambda n, p: self._have("transfer", int(number(p[0], 100, self.memory))),
            ":WAVeform:PREamble?": lambda n, p: self._preamble(),
            ":WAVeform:DATA?": lambda n, p: self._data(),
        }

    def reset(self) -> None:
        """Forget everything."""
        self.set, self.armed, self.record = Setup(), None, None

    def _in(self, n: int) -> Input:
        if not 1 <= n <= 4:
            raise Refused(-113)
        return self.set.inputs[n - 1]

    def _put(self, n: int, what: str, value: float | bool) -> None:
        setattr(self._in(n), what, value)

    def _have(self, what: str, value: float | bool) -> None:
        setattr(self.set, what, value)

    def _source(self, text: str) -> int:
        match = re.fullmatch(r"(?i)CHAN(?:nel)?([1-4])", text)
        if not match:
            raise Refused(-224)
        return int(match[1])

    def _arm(self) -> None:
        self.record, self.armed, self.forced = None, self.world.now(), False

    def _halt(self) -> None:
        self.armed = None

    def _force(self) -> None:
        if self.armed is None:
            raise Refused(-221)
        self.forced = True

    def settle(self) -> None:
        """Wait for the record, which takes as long as it is, and for its trigger before that."""
        if self.armed is None:
            return
        now, speed, duration = self.world.now, self.world.speed, 10 * self.set.s_per_div
        before = duration / 2 - self.set.position
        ready = self.armed + max(before, 0.0)
        wait_until(ready + 0.03, now, self.interrupted, speed)
        moment = self._crossing(ready)
        while moment is None and self.set.normal and not self.forced:
            ready = now()
            wait_until(ready + 0.03, now, self.interrupted, speed)
            if self.interrupted():
                return
            moment = self._crossing(ready)
        if moment is None:
            moment = ready + 0.03
        repeats = self.set.count if self.set.average else 1
        wait_until(moment - before + repeats * duration, now, self.interrupted, speed)
        if not self.interrupted():
            self._digitise(moment - before, duration, repeats)

    def _crossing(self, since: float) -> float | None:
        times = since + np.arange(0, 0.03, 2e-6)
        seen = self._fronted(self.set.trigger_input, self.world.seen(times))
        beyond = seen < self.set.level if self.set.falling else seen > self.set.level
        hits = np.flatnonzero(~beyond[:-1] & beyond[1:])
        return float(times[hits[0] + 1]) if hits.size else None

    def _fronted(self, n: int, volts: NDArray[np.float64]) -> NDArray[np.float64]:
        """What the input's amplifier makes of the true volts: its gain is off, on each range differently."""
        setting = self._in(n)
        ripple = 1 + 0.002 * np.sin(7 * n + 3 * np.log(setting.scale))
        scale = setting.scale / setting.probe
        noise = np.hypot(60e-6, 0.02 * scale)
        seen = volts[n - 1] * self.gain[n - 1] * ripple + self.offset_div[n - 1] * scale + 3e-4
        if setting.ac:
            seen = seen - seen.mean()
        made: NDArray[np.float64] = (seen + self.world.random.normal(0, noise, seen.size)) * setting.probe
        return made

    def _digitise(self, start: float, duration: float, repeats: int) -> None:
        points = self.set.points
        interval = duration / points
        times = start + interval * np.arange(points, dtype=np.float64)
        true = self.world.seen(times)
        codes, settings = {}, {}
        for n, setting in enumerate(self.set.inputs, start=1):
            if not setting.shown:
                continue
            volts = self._fronted(n, true)
            if repeats > 1:
                volts = np.mean([self._fronted(n, true) for _ in range(min(repeats, 16))], axis=0)
            step = setting.scale / self.per_div
            edge = 4 * self.per_div
            code = np.clip(np.round((volts - setting.offset) / step), -edge, min(edge, 255 - self.centre))
            code += self.centre
            codes[n] = code.astype(np.uint8)
            settings[n] = Input(**vars(setting))
        self.record = Record(
            codes=codes,
            settings=settings,
            interval_s=interval,
            origin_s=self.set.position - duration / 2,
            count=repeats,
        )
        self.armed = None

    def _taken(self) -> tuple[Record, NDArray[np.uint8], int]:
        if self.record is None:
            raise Refused(-230)
        if self.set.source not in self.record.codes:
            raise Refused(-221)
        codes = self.record.codes[self.set.source]
        stride = -(-codes.size // self.set.transfer)
        return self.record, codes[::stride], stride

    def _preamble(self) -> Answer:
        record, codes, stride = self._taken()
        setting = record.settings[self.set.source]
        words = 256 if self.set.wide else 1
        return ",".join([
            str(int(self.set.wide)),
            "2" if self.set.average else "0",
            str(codes.size),
            str(record.count),
            f"{record.interval_s * stride:.4E}",
            f"{record.origin_s:.4E}",
            "0",
            f"{setting.scale / self.per_div / words:.7E}",
            self._origin(setting),
            str(self.centre * words),
        ])  # fmt: skip

    def _origin(self, setting: Input) -> str:
        return f"{setting.offset:.5E}"

    def _data(self) -> Answer:
        _, codes, _ = self._taken()
        raw = (codes.astype(">u2") * 256).tobytes() if self.set.wide else codes.tobytes()
        return b"#8" + f"{len(raw):08d}".encode() + raw


class OtherOscilloscope(Oscilloscope):
    """256 codes over 8 divisions about 128, y origin in counts, and other words for the vertical settings."""

    identity = "Elsewhere Instruments,SC-1,9,1.0"
    centre = 128
    per_div = 32

    def commands(self) -> dict[str, Action]:
        """List what its own profile uses."""
        other = {":CHANnel#:SCALe": ":INPut#:RANGe", ":CHANnel#:OFFSet": ":INPut#:CENTre"}
        return {other.get(header, header): action for header, action in super().commands().items()}

    def _origin(self, setting: Input) -> str:
        return f"{-setting.offset / (setting.scale / self.per_div):.5E}"


class Stranger(Instrument):
    """Another instrument at somebody's address: it knows nothing but who it is."""

    identity = "Foreign Works,DMM-1,4,1.0"

    def commands(self) -> dict[str, Action]:
        """List nothing."""
        return {}
