"""The scope's inputs, what they make of the volts at the probe's tip; and one acquisition with its record."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simulator.circuit import Complex, Floats
from simulator.dynamics import GONE
from simulator.imperfections import USUAL, Imperfections
from simulator.parts.amplifiers import Noise
from simulator.sources import SYNC_HIGH_V, SYNC_JITTER_S, generator_for
from simulator.world import Stretch, World

RANGES_V = (*(m * 10.0**e for e in range(-3, 1) for m in (1, 2, 5)), 10.0)  # volts per division
GAIN_INPUT, GAIN_RANGE = 0.010, 0.005  # greatest error: together 1.5 %
OFFSET_DIVISIONS, OFFSET_V = 0.05, 1e-4
NOISE_DIVISIONS = (0.03, 0.06)  # rms
CUBIC = 5e-4  # greatest: what an input shows of a signal at the edge of its screen is off by this part of it
JITTER = (2e-5, 1e-4)  # rms: what the gain of an input differs by from record to record, as parts of it
SKEW_S = 2e-9
BANDWIDTH_HZ = (18e6, 22e6)
COUPLING_HZ = 5.0  # corner of AC coupling
BLOCK = 256
DIVISIONS, TIME_DIVISIONS = 8, 10
CODES, MIDDLE = 256, 128
WORD_FACTOR = 256  # a 16-bit code per 8-bit code
HYSTERESIS_DIVISIONS = 0.2
EXTERNAL = 0
AUTO_WAIT_S = 20e-3
POLL_S = 1e-3  # wall seconds between two looks for a trigger
SEARCH_STEPS = 40  # instants per period of the fastest tone
SEARCH_CHUNK = 16_384
SEARCH_MAX = 200_000
CHUNK = 65_536  # samples worked out at once


@dataclass(frozen=True, kw_only=True)
class InputSetting:
    """One input as it is set; scale and offset are volts at the probe's tip."""

    on: bool
    coupling: str  # DC or AC
    probe: float
    scale_v: float
    offset_v: float

    @property
    def range_v(self) -> float:
        """The attenuator's step behind the probe, volts per division."""
        wanted_v = self.scale_v / self.probe
        return next((step for step in RANGES_V if step >= wanted_v * (1 - 1e-9)), RANGES_V[-1])


class Frontend:
    """The fixed errors of every input, drawn for one bench."""

    def __init__(self, *, inputs: int, probe: float, seed: int, imperfections: Imperfections = USUAL) -> None:
        rng = generator_for("frontend", seed)
        self._probe = probe  # the one that is really there
        gain = imperfections.input_gain
        self._gain = 1 + gain * GAIN_INPUT * rng.uniform(-1, 1, inputs)
        self._range_gain = 1 + gain * GAIN_RANGE * rng.uniform(-1, 1, (inputs, len(RANGES_V)))
        self._offset = imperfections.input_zero * rng.uniform(-1, 1, (inputs, len(RANGES_V)))
        self._noise = imperfections.input_noise * rng.uniform(*NOISE_DIVISIONS, inputs)
        self._skew_s = SKEW_S * rng.uniform(-1, 1, inputs)
        self._bandwidth_hz = rng.uniform(*BANDWIDTH_HZ, inputs)
        cubic = generator_for("cubic", seed)
        self._cubic = imperfections.input_cubic * CUBIC * cubic.uniform(-1, 1, inputs)
        self.sync_jitter_s = imperfections.sync * SYNC_JITTER_S
        jitter = generator_for("jitter", seed)
        self._jitter = imperfections.input_jitter * np.exp(
            jitter.uniform(math.log(JITTER[0]), math.log(JITTER[1]), inputs)
        )

    def gains_of_record(self, rng: np.random.Generator) -> Floats:
        """Gain of each input in the next record over its usual gain, shape (inputs,)."""
        return np.asarray(1 + self._jitter * rng.standard_normal(self._jitter.size))

    def bent(self, number: int, setting: InputSetting, volts: Floats) -> Floats:
        """What an input shows of the volts of a whole record: a small cubic is added to them."""
        edge_v = setting.scale_v * DIVISIONS / 2
        bent_v = volts * volts  # volts**3 takes ten times as long
        bent_v *= volts
        bent_v *= self._cubic[number - 1] / edge_v**2
        bent_v += volts
        return bent_v

    def noise_v(self, number: int, setting: InputSetting) -> float:
        """Noise of an input, volts rms at the tip as the scope shows it."""
        return float(self._noise[number - 1]) * setting.scale_v

    def response(self, number: int, setting: InputSetting, tones_hz: Floats) -> Complex:
        """Shown volts per volt at the tip, at each of some frequencies."""
        index = number - 1
        gain = self._gain[index] * self._range_gain[index, RANGES_V.index(setting.range_v)]
        low_pass = 1 / (1 + 1j * tones_hz / self._bandwidth_hz[index])
        high_pass = 1j * tones_hz / (COUPLING_HZ + 1j * tones_hz) if setting.coupling == "AC" else 1.0
        delay = np.exp(-2j * np.pi * tones_hz * self._skew_s[index])
        return np.asarray(gain * low_pass * high_pass * delay * setting.probe / self._probe)

    def offset_v(self, number: int, setting: InputSetting) -> float:
        """What an input shows with nothing on it."""
        step_v = setting.range_v
        share = self._offset[number - 1, RANGES_V.index(step_v)]
        return float(share * (OFFSET_DIVISIONS * step_v + OFFSET_V) * setting.probe)


@dataclass(frozen=True, kw_only=True, eq=False)
class InputStretch:
    """What one input shows of a stretch, ready to be added up in time. decays: rate, amplitude of each."""

    start_s: float
    constant_v: float
    tones_hz: tuple[float, ...]
    phasors: Complex  # shape (tones,)
    decays: tuple[tuple[complex, complex], ...]
    noise_gains: tuple[float, ...]  # per amplifier


def input_signal(
    frontend: Frontend, number: int, setting: InputSetting, stretches: list[Stretch]
) -> list[InputStretch]:
    """Pass what stands at an input through its front end."""
    offset_v = frontend.offset_v(number, setting)
    still = float(frontend.response(number, setting, np.zeros(1))[0].real)
    responses = {
        tones_hz: frontend.response(number, setting, np.array(tones_hz))
        for tones_hz in {stretch.tones_hz for stretch in stretches}
    }
    return [
        InputStretch(
            start_s=stretch.start_s,
            constant_v=float(stretch.constant_v[number - 1]) * still + offset_v,
            tones_hz=stretch.tones_hz,
            phasors=stretch.phasors[number - 1] * responses[stretch.tones_hz],
            decays=_input_decays(frontend, number, setting, stretch),
            noise_gains=tuple(float(gain) * still for gain in stretch.noise_gains[number - 1]),
        )
        for stretch in stretches
    ]


def _input_decays(
    frontend: Frontend, number: int, setting: InputSetting, stretch: Stretch
) -> tuple[tuple[complex, complex], ...]:
    if not stretch.decays:
        return ()
    rates_hz = np.array([abs(decay.rate_per_s) for decay in stretch.decays]) / (2 * np.pi)
    gains = frontend.response(number, setting, rates_hz).real
    return tuple(
        (decay.rate_per_s, complex(decay.amplitudes_v[number - 1] * gain))
        for decay, gain in zip(stretch.decays, gains, strict=True)
    )


class Grid:
    """Equally spaced instants; the cosines and sines of the tones on it are worked out once."""

    def __init__(self, start_s: float, interval_s: float, count: int) -> None:
        self.start_s = start_s
        self.interval_s = interval_s
        self.count = count
        self._waves: dict[tuple[float, ...], Floats] = {}

    def waves(self, tones_hz: tuple[float, ...]) -> Floats:
        """Cosine and sine of each tone at every instant, shape (2 tones, count).

        By two short tables and the sums of their angles instead of `count` sines for each.
        """
        result = self._waves.get(tones_hz)
        if result is None:
            hz = np.array(tones_hz)[:, None]
            blocks = -(-self.count // BLOCK)
            turn = 2j * np.pi * hz * self.interval_s
            coarse = np.exp(turn * BLOCK * np.arange(blocks))
            fine = np.exp(turn * np.arange(BLOCK) + 2j * np.pi * ((hz * self.start_s) % 1.0))
            cosine = np.stack([fine.real, -fine.imag], axis=1)
            sine = np.stack([fine.imag, fine.real], axis=1)
            rows = np.stack([coarse.real, coarse.imag], axis=-1)[:, None] @ np.stack([cosine, sine], axis=1)
            result = rows.reshape(2 * len(tones_hz), blocks * BLOCK)
            self._waves[tones_hz] = result
        return result

    def volts(self, signal: list[InputStretch], noises: Sequence[Floats] = ()) -> Floats:
        """Add a signal up at every instant; noises: of each amplifier, volts at every instant."""
        volts = np.empty(self.count)
        starts = [0, *(self._index(stretch.start_s) for stretch in signal[1:]), self.count]
        for stretch, (first, last) in zip(signal, pairwise(starts), strict=True):
            if last <= first:
                continue
            shares = np.column_stack([stretch.phasors.real, -stretch.phasors.imag]).ravel()
            piece = volts[first:last]
            np.matmul(shares, self.waves(stretch.tones_hz)[:, first:last], out=piece)
            piece += stretch.constant_v
            for gain, noise in zip(stretch.noise_gains, noises, strict=False):
                piece += gain * noise[first:last]
            for rate, amplitude in stretch.decays:
                self._add_decay(piece, rate, amplitude, first, stretch.start_s)
        return volts

    def _add_decay(
        self, piece: Floats, rate: complex, amplitude: complex, first: int, start_s: float
    ) -> None:
        """Add an exponential that began at `start_s`, while anything is left of it."""
        since_s = self.start_s + first * self.interval_s - start_s
        left = piece.size
        if rate.real > 0:
            left = min(left, int(max(GONE / rate.real - since_s, 0.0) / self.interval_s) + 1)
        at_s = since_s + self.interval_s * np.arange(left)
        piece[:left] += (amplitude * np.exp(-rate * at_s)).real

    def _index(self, instant_s: float) -> int:
        """First instant of the grid that is not before `instant_s`."""
        return min(max(math.ceil((instant_s - self.start_s) / self.interval_s), 0), self.count)


@dataclass(frozen=True, kw_only=True)
class Arm:
    """All settings of an acquisition, as they were when it was armed."""

    inputs: tuple[InputSetting, ...]
    scale_s: float
    position_s: float
    points: int
    source: int  # EXTERNAL: the generator's sync
    level_v: float
    rising: bool
    auto: bool
    averages: int  # 1 in NORMal

    @property
    def duration_s(self) -> float:
        """From the first sample to the end of the last."""
        return TIME_DIVISIONS * self.scale_s

    @property
    def interval_s(self) -> float:
        """Between samples."""
        return self.duration_s / self.points

    @property
    def origin_s(self) -> float:
        """First sample's time from the trigger."""
        return self.position_s - self.duration_s / 2


@dataclass(frozen=True, kw_only=True)
class Record:
    """What was acquired: 16-bit codes (8-bit ones times 256, unless averaged) of every input that was on."""

    arm: Arm
    codes: dict[int, NDArray[np.uint16]]


class Acquisition:
    """Looks for its triggers in simulated time, and makes the record when the last one is past."""

    def __init__(
        self, world: World, frontend: Frontend, arm: Arm, *, at_s: float, rng: np.random.Generator
    ) -> None:
        self._world, self._frontend, self._arm, self._rng = world, frontend, arm, rng
        self._triggers_s: list[float] = []
        self._forced_s: float | None = None
        self._begin(at_s)

    @property
    def triggered(self) -> bool:
        """Whether the last trigger has come, so that the record's place in time is known."""
        return not self._waiting and len(self._triggers_s) == self._arm.averages

    def force(self, now_s: float) -> None:
        """Trigger now, or as soon as the record's beginning is full."""
        if self._forced_s is None:
            self._forced_s = now_s

    def advance(self, now_s: float) -> float | None:
        """Go on up to `now_s`: simulated instant when it will be complete, None while that is unknown."""
        while True:
            if self._waiting and not self._look(now_s):
                return None
            done_s = self._triggers_s[-1] + max(self._arm.origin_s + self._arm.duration_s, 0.0)
            if len(self._triggers_s) == self._arm.averages or done_s > now_s:
                return done_s + (self._arm.averages - len(self._triggers_s)) * self._arm.duration_s
            self._begin(done_s)

    def record(self) -> Record:
        """Work the record out, for a world that does not change before its end; `triggered` must be true."""
        arm = self._arm
        start_s = [trigger_s + arm.origin_s for trigger_s in self._triggers_s]
        owns = self._world.own_signals()
        noises = [Noise(own, interval_s=arm.interval_s, rng=self._rng) for own in owns]
        gains = self._frontend.gains_of_record(self._rng)
        codes = {
            number: np.empty(arm.points, dtype=np.uint16)
            for number, setting in enumerate(arm.inputs, start=1)
            if setting.on
        }
        for first in range(0, arm.points, CHUNK):
            count = min(CHUNK, arm.points - first)
            own_noises = [noise.next(count) / np.sqrt(arm.averages) for noise in noises]
            starts_s = [s + first * arm.interval_s for s in start_s]
            for number, piece in self._piece(starts_s, count, own_noises, gains):
                codes[number][first : first + count] = piece
        return Record(arm=arm, codes=codes)

    # --- trigger ---
    def _begin(self, at_s: float) -> None:
        self._ready_s = at_s + max(0.0, -self._arm.origin_s)
        self._searched_s = self._ready_s
        self._waiting = True
        self._below = False

    def _look(self, now_s: float) -> bool:
        deadline_s = self._ready_s + AUTO_WAIT_S
        if now_s <= self._ready_s:
            return False
        until_s = min(now_s, deadline_s) if self._arm.auto else now_s
        if self._forced_s is not None:
            until_s = min(until_s, max(self._forced_s, self._ready_s))
        crossing_s = self._search(until_s)
        if crossing_s is not None:
            return self._trigger(crossing_s)
        if self._forced_s is not None:
            return self._trigger(max(self._forced_s, self._ready_s))
        return self._arm.auto and now_s >= deadline_s and self._trigger(deadline_s)

    def _trigger(self, at_s: float) -> bool:
        self._triggers_s.append(at_s)
        self._waiting, self._forced_s = False, None
        return True

    def _search(self, end_s: float) -> float | None:
        """First crossing of the level between what has been searched and `end_s`."""
        if self._arm.source == EXTERNAL:
            return self._sync_edge(end_s)
        setting = self._arm.inputs[self._arm.source - 1]
        if end_s <= self._searched_s or not setting.on:
            return None
        stretches = self._world.stretches(self._searched_s, end_s)
        signal = input_signal(self._frontend, self._arm.source, setting, stretches)
        fastest_hz = max(tone_hz for stretch in signal for tone_hz in stretch.tones_hz)
        # Fine enough for the tones and for a contact's edges, and never more than a fifth of a million steps.
        step_s = min(1 / (SEARCH_STEPS * fastest_hz), self._arm.interval_s)
        step_s = max(step_s, (end_s - self._searched_s) / SEARCH_MAX)
        while self._searched_s < end_s:
            count = min(SEARCH_CHUNK, int((end_s - self._searched_s) / step_s) + 2)
            grid = Grid(self._searched_s, step_s, count)
            crossing_s = self._crossing(grid, signal, HYSTERESIS_DIVISIONS * setting.scale_v)
            if crossing_s is not None and crossing_s <= end_s:
                return crossing_s
            self._searched_s = min(end_s, grid.start_s + (count - 1) * step_s)
        return None

    def _sync_edge(self, end_s: float) -> float | None:
        """First edge of the sync, which stands between nothing and a logic level; seen with its jitter."""
        if end_s <= self._searched_s or not 0.0 < self._arm.level_v < SYNC_HIGH_V:
            return None
        edge_s = self._world.sync_edge(self._searched_s, end_s, rising=self._arm.rising)
        self._searched_s = end_s
        return (
            None
            if edge_s is None
            else edge_s + float(self._frontend.sync_jitter_s * self._rng.standard_normal())
        )

    def _crossing(self, grid: Grid, signal: list[InputStretch], hysteresis_v: float) -> float | None:
        """First passage through the level after having been clearly on its other side."""
        sign = 1.0 if self._arm.rising else -1.0
        height_v = sign * (grid.volts(signal) - self._arm.level_v)
        armed = np.maximum.accumulate(np.where(height_v < -hysteresis_v, 1, 0)).astype(bool) | self._below
        self._below = bool(armed[-1])
        above = np.flatnonzero(armed & (height_v >= 0))
        if not above.size or (above[0] == 0 and not self._below):
            return None
        at = int(above[0])
        if at == 0:
            return grid.start_s
        share = -height_v[at - 1] / (height_v[at] - height_v[at - 1])
        return float(grid.start_s + (at - 1 + share) * grid.interval_s)

    # --- record ---
    def _piece(
        self, starts_s: list[float], count: int, own_noises: Sequence[Floats], gains: Floats
    ) -> Iterator[tuple[int, NDArray[np.uint16]]]:
        """Codes of one piece of the record, input by input."""
        arm = self._arm
        stretches = self._world.stretches(starts_s[-1], starts_s[-1] + count * arm.interval_s)
        grid = Grid(starts_s[-1], arm.interval_s, count)
        for number, setting in enumerate(arm.inputs, start=1):
            if not setting.on:
                continue
            signal = input_signal(self._frontend, number, setting, stretches)
            if len(starts_s) > 1:
                signal = _averaged(signal, starts_s)
            volts = self._frontend.bent(number, setting, grid.volts(signal, own_noises))
            volts *= gains[number - 1]
            noise_v = self._frontend.noise_v(number, setting) / np.sqrt(arm.averages)
            volts += noise_v * self._rng.standard_normal(count, dtype=np.float32)
            yield number, _convert(volts, setting, averaged=arm.averages > 1)


def _averaged(signal: list[InputStretch], starts_s: list[float]) -> list[InputStretch]:
    """The mean of what several triggers saw: each tone keeps what its phases have in common."""
    lags_s = np.array(starts_s) - starts_s[-1]
    common = (np.exp(2j * np.pi * np.outer(stretch.tones_hz, lags_s)).mean(axis=1) for stretch in signal)
    return [replace(stretch, phasors=stretch.phasors * c) for stretch, c in zip(signal, common, strict=True)]


def _convert(volts: Floats, setting: InputSetting, *, averaged: bool) -> NDArray[np.uint16]:
    """Quantise to 8 bits, to 16 after averaging; beyond the screen is the first or the last code."""
    factor = WORD_FACTOR if averaged else 1
    step_v = DIVISIONS * setting.scale_v / CODES / factor
    volts -= setting.offset_v
    volts /= step_v
    volts += MIDDLE * factor
    np.rint(volts, out=volts)
    np.clip(volts, 0, CODES * factor - 1, out=volts)
    codes = volts.astype(np.uint16)
    return codes if averaged else codes * np.uint16(WORD_FACTOR)
