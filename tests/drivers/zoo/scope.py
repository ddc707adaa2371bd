"""What the zoo's scopes have in common: inputs with a known signal, records that take their time, habits.

Written from IEEE 488.2 (blocks: 8.7.9, numbers: 8.7.2 to 8.7.4) and SCPI-1999 (error queue: volume 2, 21.8).
Each dialect lists its own commands; a scope knows nothing else. It imports neither drivers nor simulator.
"""

import re
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.drivers.peers import Connection

Answer = str | bytes | None
Action = Callable[..., Answer]
NUMBER = r"([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)"


def sine(n: int, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """What input n shows: 0.6 V peak at n kHz about 50 mV, times n."""
    return n * (0.05 + 0.6 * np.sin(2.0 * np.pi * 1e3 * n * time_s))


@dataclass
class Channel:
    """How one input is set."""

    shown: bool = True
    scale_v: float = 1.0
    offset_v: float = 0.0
    probe: float = 1.0


@dataclass
class Habits:
    """How a scope answers: after a while, in its own spelling, and of its mistakes or not."""

    late_s: float = 0.0
    spell: Callable[[str], str] = lambda text: text
    ending: bytes = b"\n"
    silent: bool = False  # a command that it does not know is not mentioned again


@dataclass
class Record:
    """What was recorded: volts by input, as they were at the scope."""

    interval_s: float
    volts: dict[int, NDArray[np.float64]]


class Scope:
    """A scope of some dialect; `commands` maps a pattern (see `_pattern`) to what is done."""

    identity = "Shed Works,Zoo,1,1.0"
    inputs = 4
    divisions = 8
    time_divisions = 10
    codes_per_division = 25
    memory = 1000

    def __init__(self, habits: Habits | None = None) -> None:
        self.habits = habits or Habits()
        self.channels = {n: Channel() for n in range(1, self.inputs + 1)}
        self.s_per_div = 1e-3
        self.points = self.memory
        self.source = 1
        self.window = (1, self.memory)
        self.errors: list[str] = []
        self.unknown: list[str] = []
        self.heard: list[str] = []
        self.signal: Callable[[int, NDArray[np.float64]], NDArray[np.float64]] = sine
        self.clock: Callable[[], float] = lambda: 0.0  # at the first sample
        self.noise_v = 1e-3  # no two records of a real input are alike
        self.record: Record | None = None
        self.done_at = 0.0
        self.waits = False  # for a trigger that a computer gives
        self.finer, self.averages = "plain", 8
        self._random = np.random.default_rng(4)
        self._table = [(_pattern(text), act) for text, act in (self.common() | self.commands()).items()]

    def commands(self) -> dict[str, Action]:
        """The commands of this dialect."""
        raise NotImplementedError

    def common(self) -> dict[str, Action]:
        """What nearly all have."""
        return {
            "*IDN?": lambda: self.identity,
            "*CLS": self.errors.clear,
            "SYSTem:ERRor?": lambda: self.errors.pop(0) if self.errors else '+0,"No error"',
        }

    def script(self, connection: Connection) -> None:
        """One connection: a line in, perhaps an answer out."""
        while True:
            answer = self.obey(connection.line().decode("ascii").strip())
            if answer is None:
                continue
            time.sleep(self.habits.late_s)
            if isinstance(answer, str):
                answer = self.habits.spell(answer).encode("ascii")
            connection.send(answer + self.habits.ending)

    def obey(self, command: str) -> Answer:
        self.heard.append(command)
        for pattern, act in self._table:
            if match := pattern.fullmatch(command):
                return act(*match.groups())
        self.unknown.append(command)
        if not self.habits.silent:
            self.errors.append('-113,"Undefined header"')
        return None

    # -- what a scope does ---------------------------------------------------------------------------------

    def put(self, what: str, n: str, value: float | bool) -> None:
        """Set something of an input."""
        setattr(self.channels[int(n) if n.isdigit() else ord(n) - ord("A") + 1], what, value)

    def have(self, what: str, value: object) -> None:
        """Set something of the scope."""
        setattr(self, what, value)

    def single(self) -> None:
        """Record; it takes as long as the record is."""
        length_s = self.s_per_div * self.time_divisions
        interval_s = length_s / self.points
        time_s = self.clock() + interval_s * np.arange(self.points, dtype=np.float64)
        shown = [n for n, channel in self.channels.items() if channel.shown]
        averages = self.averages if self.finer == "average" else 1
        volts = {n: np.asarray(self.signal(n, time_s), dtype=np.float64) for n in shown}
        if averages > 1 and all(np.ptp(row) < 50 * self.noise_v for row in volts.values()):
            # Nothing triggers, and records that begin anywhere are averaged.
            starts_s = self._random.uniform(0.0, 1.0, averages)
            volts = {n: np.mean([self.signal(n, time_s + at_s) for at_s in starts_s], axis=0) for n in shown}
            length_s *= averages
        quieter = 1.0 / np.sqrt(averages) * (0.25 if self.finer == "high resolution" else 1.0)
        self.record = Record(
            interval_s=interval_s,
            volts={n: row + quieter * self._noise(self.points) for n, row in volts.items()},
        )
        self.done_at = float("inf") if self.waits else time.monotonic() + length_s

    def force(self) -> None:
        """Trigger in the middle of the record."""
        self.done_at = time.monotonic() + self.s_per_div * self.time_divisions / 2

    def _noise(self, points: int) -> NDArray[np.float64]:
        return np.asarray(self.noise_v * self._random.standard_normal(points), dtype=np.float64)

    @property
    def is_done(self) -> bool:
        return time.monotonic() >= self.done_at

    def wait(self) -> str:
        """What *OPC? does: it answers when the record is complete."""
        time.sleep(max(0.0, self.done_at - time.monotonic()))
        return "1"

    def taken(self) -> Record:
        """The record, if it is complete. An empty one otherwise, as a scope that is asked too early sends."""
        if self.record is None or not self.is_done:
            return Record(interval_s=1.0, volts={n: np.zeros(0) for n in self.channels})
        return self.record

    def step_v(self, n: int, *, codes: int = 256) -> float:
        """Volts per code of input n: `codes_per_division` of 8 bits, finer with more."""
        return self.channels[n].scale_v / self.codes_per_division * 256.0 / codes

    def codes(self, n: int, *, low: int, high: int) -> NDArray[np.int64]:
        """What the converter makes of input n: the middle code is the middle of the screen."""
        record = self.taken()
        volts = record.volts[n] - self.channels[n].offset_v
        step_v = self.step_v(n, codes=high - low + 1)
        middle = (low + high + 1) // 2
        return np.clip(np.round(volts / step_v) + middle, low, high).astype(np.int64)

    def windowed(self, samples: NDArray[np.int64]) -> NDArray[np.int64]:
        """The samples from the first to the last of the window, which count from 1."""
        return samples[self.window[0] - 1 : self.window[1]]


def block(data: bytes, digits: int = 8) -> bytes:
    """A definite-length block, IEEE 488.2, 8.7.9."""
    return b"#%d%0*d" % (digits, digits, len(data)) + data


def _pattern(text: str) -> re.Pattern[str]:
    """`CHANnel#:SCALe $`: capitals are the short form, # an input, & its letter, $ a number, @ any."""
    pattern = ""
    for part in re.split(r"([A-Z]{2,}[a-z]+|[#&$@])", text):
        if part in ("#", "&", "$", "@"):
            pattern += {"#": r"(\d+)", "&": "([A-Z])", "$": NUMBER, "@": r"(\S+)"}[part]
        elif re.fullmatch(r"[A-Z]{2,}[a-z]+", part):
            pattern += f"(?:{part}|{re.sub('[a-z]', '', part)})"
        else:
            pattern += re.escape(part)
    return re.compile(pattern, re.IGNORECASE)
