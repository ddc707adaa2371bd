"""A four-input, 8-bit oscilloscope, as the commands of `preamble-oscilloscope` see it."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from simulator.acquisition import (
    CODES,
    DIVISIONS,
    EXTERNAL,
    MIDDLE,
    POLL_S,
    RANGES_V,
    WORD_FACTOR,
    Acquisition,
    Arm,
    Frontend,
    InputSetting,
    Record,
)
from simulator.device import Device
from simulator.imperfections import USUAL, Imperfections
from simulator.scpi import Command, ScpiError, block, boolean, choice, digit, integer, number, numbered, real
from simulator.sources import generator_for
from simulator.world import Clock, World

POINTS = (100, 2_000_000)
AVERAGES = (2, 1024)
SCALE_MAX_S = 5.0  # the world remembers a minute: the longest record has to fit
INTERVAL_MIN_S = 1e-9
AVERAGE_TYPE = 2  # NORMal is 0, in the second field of the preamble
RESET_INPUT = InputSetting(on=False, coupling="DC", probe=1.0, scale_v=1.0, offset_v=0.0)


FAINT = 10 ** (-3 / 20)


class Oscilloscope(Device):
    """Settings, one acquisition at a time, and the transfer of its record."""

    def __init__(
        self,
        clock: Clock,
        world: World,
        *,
        serial: str,
        seed: int,
        imperfections: Imperfections = USUAL,
    ) -> None:
        self._world = world
        self._frontend = Frontend(
            inputs=world.inputs, probe=world.probe, seed=seed, imperfections=imperfections
        )
        self._rng = generator_for("noise", seed)
        self._strength: dict[int | None, float] = {}  # of an input that is not as it should be
        self._returns_last_record = False  # once
        self._last: Record | None = None
        self.reset()
        super().__init__(clock, model="OSC4", serial=serial)

    def reset(self) -> None:
        """Input 1 on, 1 V and 100 us a division, automatic trigger, stopped."""
        self._inputs = [replace(RESET_INPUT, on=i == 0) for i in range(self._world.inputs)]
        self._scale_s, self._position_s, self._points = 1e-4, 0.0, 1000
        self._source, self._level_v, self._slope, self._sweep = 1, 0.0, "POS", "AUTO"
        self._type, self._count = "NORM", 8
        self._wave_source, self._wave_format, self._wave_points = 1, "BYTE", POINTS[1]
        self._acquisition: Acquisition | None = None
        self._record: Record | None = None
        self._ahead: tuple[int, Record] | None = None  # the world's version, and the record in it
        self._running_since_s: float | None = None

    def upset(self, kind: str, value: int | None) -> None:
        """Let an input or the memory go wrong; kinds as in `Trouble`."""
        if kind == "stale":
            self._returns_last_record = True
        elif kind == "turned":
            self._turn_knobs()
        else:
            self._strength[value] = {"dead": 0.0, "inverted": -1.0, "faint": FAINT}[kind]

    def _turn_knobs(self) -> None:
        """Another coupling, probe factor and position at every input, another trigger, averaged records."""
        self._inputs = [
            replace(each, coupling="AC", probe=10.0, scale_v=10.0 * each.scale_v, offset_v=each.scale_v)
            for each in self._inputs
        ]
        self._level_v, self._slope, self._sweep = 3 * self._inputs[0].scale_v, "NEG", "NORM"
        self._type, self._count, self._position_s = "AVER", 4, self._scale_s

    def mend(self) -> None:
        """End what `upset` began."""
        self._strength.clear()
        self._returns_last_record = False

    def busy(self) -> float | None:
        """Wall seconds until the armed acquisition may be complete; None when none is armed."""
        if self._acquisition is None:
            return None
        now_s = self.clock.now()
        done_s = self._acquisition.advance(now_s)
        if done_s is None:
            return POLL_S
        if not self._acquisition.triggered:  # of several to average, some are still to come
            return max(self.clock.wall_until(done_s), POLL_S)
        if self._ahead is None or self._ahead[0] != self._world.version:
            # Worked out while it is still being taken; again if anything has changed meanwhile.
            self._ahead = (self._world.version, self._acquisition.record())
        if done_s > now_s:
            return max(self.clock.wall_until(done_s), 1e-5)
        self._record, self._ahead, self._acquisition = self._ahead[1], None, None
        if self._returns_last_record and self._last is not None:
            self._record, self._returns_last_record = self._last, False
        self._last = self._record
        return None

    def commands(self) -> Sequence[Command]:
        """The commands of an oscilloscope."""
        return [
            self._input("DISPlay", "on", boolean, digit),
            self._input("COUPling", "coupling", choice("DC", "AC"), str),
            self._input("PROBe", "probe", number(0.1, 1000), real),
            self._input("SCALe", "scale_v", number(1e-6, 1e6), real),
            self._input("OFFSet", "offset_v", number(-1e6, 1e6), real),
            self._setting("TIMebase:SCALe", "_scale_s", number(1e-9, SCALE_MAX_S), real),
            self._setting("TIMebase:POSition", "_position_s", number(-500, 500), real),
            self._setting("TRIGger:EDGE:SOURce", "_source", self._trigger_source, _name_source),
            self._setting("TRIGger:EDGE:LEVel", "_level_v", number(-1000, 1000), real),
            self._setting("TRIGger:EDGE:SLOPe", "_slope", choice("POSitive", "NEGative"), str),
            self._setting("TRIGger:SWEep", "_sweep", choice("AUTO", "NORMal"), str),
            self._setting("ACQuire:TYPE", "_type", choice("NORMal", "AVERage"), str),
            self._setting("ACQuire:COUNt", "_count", integer(*AVERAGES), str),
            self._setting("ACQuire:POINts", "_points", integer(*POINTS), str),
            self._setting("WAVeform:SOURce", "_wave_source", self._channel, _name_channel),
            self._setting("WAVeform:FORMat", "_wave_format", choice("BYTE", "WORD"), str),
            self._setting("WAVeform:POINts", "_wave_points", integer(1, POINTS[1]), str),
            Command(pattern="SINGle", do=self._single),
            Command(pattern="RUN", do=self._run),
            Command(pattern="STOP", do=self._stop),
            Command(pattern="TRIGger:FORCe", do=self._force),
            Command(pattern="WAVeform:PREamble", ask=self._preamble),
            Command(pattern="WAVeform:DATA", ask=self._data),
        ]

    def _trigger_source(self, text: str) -> int:
        return EXTERNAL if text.upper() in ("EXT", "EXTERNAL") else self._channel(text)

    def _channel(self, text: str) -> int:
        return numbered("CHANnel", self._world.inputs)(text)

    def _input(
        self, word: str, field: str, reads: Callable[[str], object], writes: Callable[[Any], str]
    ) -> Command:
        def do(n: int, value: Any) -> None:
            before = self._inputs[n - 1]
            after = replace(before, **{field: value})
            if field == "probe":  # the attenuator stays; what the screen says of it changes
                ratio = after.probe / before.probe
                after = replace(after, scale_v=before.scale_v * ratio, offset_v=before.offset_v * ratio)
            _check_input(after)
            self._inputs[n - 1] = after

        return Command(
            pattern=f"CHANnel{{n}}:{word}",
            do=do,
            takes=reads,
            ask=lambda n: writes(getattr(self._inputs[n - 1], field)),
            suffix_max=self._world.inputs,
        )

    def _setting(
        self, pattern: str, field: str, reads: Callable[[str], object], writes: Callable[[Any], str]
    ) -> Command:
        return Command(
            pattern=pattern,
            do=lambda value: setattr(self, field, value),
            takes=reads,
            ask=lambda: writes(getattr(self, field)),
        )

    # --- acquiring ---
    def _arm(self, at_s: float) -> Acquisition:
        arm = Arm(
            inputs=tuple(self._inputs),
            scale_s=self._scale_s,
            position_s=self._position_s,
            points=self._points,
            source=self._source,
            level_v=self._level_v,
            rising=self._slope == "POS",
            auto=self._sweep == "AUTO",
            averages=self._count if self._type == "AVER" else 1,
        )
        if arm.interval_s < INTERVAL_MIN_S * (1 - 1e-9):
            raise ScpiError(-221, "more points than the sampling rate allows")
        return Acquisition(self._world, self._frontend, arm, at_s=at_s, rng=self._rng)

    def _single(self) -> None:
        self._acquisition = self._arm(self.clock.now())
        self._record, self._ahead, self._running_since_s = None, None, None

    def _run(self) -> None:
        self._acquisition, self._record, self._ahead = None, None, None
        self._running_since_s = self.clock.now()

    def _stop(self) -> None:
        """End; what ran freely leaves its last whole record, what waited for a trigger leaves none."""
        since_s, self._running_since_s = self._running_since_s, None
        self._acquisition, self._ahead = None, None
        if since_s is None:
            return
        now_s = self.clock.now()
        averages = self._count if self._type == "AVER" else 1
        whole_s = 10 * self._scale_s * (averages + 1) + 0.05
        running = self._arm(max(since_s, now_s - whole_s))
        done_s = running.advance(now_s)
        if done_s is not None and done_s <= now_s:
            self._record = running.record()

    def _force(self) -> None:
        if self._acquisition is not None:
            self._acquisition.force(self.clock.now())

    # --- the record ---
    def _selected(self) -> tuple[Record, int]:
        """The record, and the stride of the samples that are sent."""
        self.busy()
        if self._record is None:
            raise ScpiError(-230, "no record")
        if self._wave_source not in self._record.codes:
            raise ScpiError(-221, f"CHANnel{self._wave_source} is not in the record")
        return self._record, -(-self._record.arm.points // self._wave_points)

    def _preamble(self) -> str:
        record, stride = self._selected()
        arm, setting = record.arm, record.arm.inputs[self._wave_source - 1]
        word = self._wave_format == "WORD"
        factor = WORD_FACTOR if word else 1
        return ",".join(
            (
                str(int(word)),
                str(AVERAGE_TYPE if arm.averages > 1 else 0),
                str(-(-arm.points // stride)),
                str(arm.averages),
                real(arm.interval_s * stride),
                real(arm.origin_s),
                "0",
                real(DIVISIONS * setting.scale_v / CODES / factor),
                real(setting.offset_v),
                str(MIDDLE * factor),
            )
        )

    def _data(self) -> bytes:
        record, stride = self._selected()
        codes = record.codes[self._wave_source][::stride]
        if self._wave_source in self._strength:
            middle = MIDDLE * WORD_FACTOR
            shown = middle + np.round((codes - float(middle)) * self._strength[self._wave_source])
            codes = shown.clip(0, np.iinfo(np.uint16).max).astype(np.uint16)
        if self._wave_format == "WORD":
            return block(codes.astype(">u2").tobytes())
        return block((codes >> 8).astype(np.uint8).tobytes())


def _check_input(setting: InputSetting) -> None:
    """Scale and offset have to suit the attenuator behind the probe."""
    scale_v = setting.scale_v / setting.probe
    if not RANGES_V[0] * (1 - 1e-9) <= scale_v <= RANGES_V[-1] * (1 + 1e-9):
        raise ScpiError(-222, f"{setting.scale_v:g} V/div")
    offset_max_v = 1.0 if scale_v < 0.1 else 100.0
    if abs(setting.offset_v / setting.probe) > offset_max_v:
        raise ScpiError(-222, f"offset {setting.offset_v:g} V")


def _name_source(number_: int) -> str:
    return "EXT" if number_ == EXTERNAL else _name_channel(number_)


def _name_channel(number_: int) -> str:
    return f"CHAN{number_}"
