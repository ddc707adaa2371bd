"""What stands between the foreign bench's instruments: relays that take their time, and volts."""

import itertools
import threading
import time
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.foreign.box import COIL_OHM, QUIESCENT_A, RATED_V, RELAYS, Unit, volts, wiring

OPERATE_S, RELEASE_S = 3e-3, 2.5e-3
RAMP_S = 0.1
GENERATOR_CLOCK = 1 + 60e-6
CONTROLS = {"pad": 1, "insert": 3, "reverse": 7}


@dataclass(frozen=True, kw_only=True)
class Output:
    """One generator output as it is: volts of open-circuit e.m.f."""

    on: bool = False
    frequency_hz: float = 1000.0
    peak_v: float = 0.05
    offset_v: float = 0.0
    phase_rad: float = 0.0


class World:
    """One module on one fixture, with its own clock."""

    def __init__(self, unit: Unit, *, seed: int, speed: float) -> None:
        self.unit = unit
        self.speed = speed
        self.random = np.random.default_rng(seed)
        self.clocks = [GENERATOR_CLOCK, GENERATOR_CLOCK]  # of each output, over the scope's
        self._began = time.monotonic()
        self._lock = threading.RLock()
        self._outputs: list[tuple[float, tuple[Output, Output]]] = [(-1.0, (Output(), Output()))]
        self._closed: list[tuple[float, frozenset[int]]] = [(-1.0, frozenset())]
        self._told: frozenset[int] = frozenset()
        self._ramp = (-1.0, 0.0, 0.0)  # since when, from, to
        self._relays = {relay: [(-1.0, "released")] for relay in RELAYS}

    def now(self) -> float:
        """Tell the bench's own time in seconds."""
        return (time.monotonic() - self._began) * self.speed

    def drive(self, output: int, **changes: float) -> None:
        """Change one generator output from now on."""
        with self._lock:
            both = list(self._outputs[-1][1])
            both[output - 1] = replace(both[output - 1], **changes)  # type: ignore[arg-type]
            self._outputs.append((self.now(), (both[0], both[1])))

    def output(self, output: int) -> Output:
        """Tell how a generator output is now."""
        return self._outputs[-1][1][output - 1]

    def close(self, channels: frozenset[int]) -> None:
        """Tell the switchboard which of its relays to hold; they need 3 ms."""
        with self._lock:
            self._told = channels
            self._closed.append((self.now() + OPERATE_S, channels))
            self._move(self.now() + OPERATE_S)

    def power(self, volts_: float) -> None:
        """Let the relay supply go to a voltage, over 0.1 s."""
        with self._lock:
            now = self.now()
            self._ramp = (now, self.voltage(now), volts_)
            self._move(now)

    def voltage(self, at: float) -> float:
        """Tell the supply's voltage."""
        since, start, end = self._ramp
        return start + (end - start) * float(np.clip((at - since) / RAMP_S, 0.0, 1.0))

    def current(self, at: float) -> float:
        """Tell what the relay supply gives."""
        share = self.voltage(at) / RATED_V
        held = sum(
            CONTROLS[line] in self._told for relay, line in RELAYS.items() if relay not in self.unit.coil_open
        )
        return share * (QUIESCENT_A + held * RATED_V / COIL_OHM)

    def _move(self, now: float) -> None:
        since, start, end = self._ramp
        for relay, line in RELAYS.items():
            wanted = CONTROLS[line] in self._told and end >= 0.7 * RATED_V
            last = self._relays[relay][-1][1]
            if relay in self.unit.coil_open or (wanted == (last == "operated")):
                continue
            threshold = (0.7 if wanted else 0.2) * RATED_V
            moment = now
            if abs(end - start) > 1e-9 and (start - threshold) * (end - threshold) < 0:
                moment = max(now, since + RAMP_S * (threshold - start) / (end - start))
            history = self._relays[relay]
            takes = OPERATE_S if wanted else RELEASE_S
            history += [
                (moment + takes / 2, "moving"),
                (moment + takes, "operated" if wanted else "released"),
            ]

    def _position(self, relay: str, at: float) -> str:
        if relay in self.unit.stuck:
            return self.unit.stuck[relay]
        return next(place for moment, place in reversed(self._relays[relay]) if moment <= at)

    def seen(self, times: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give the true volts at the four scope inputs, shape (4, samples)."""
        with self._lock:
            start, end = float(times[0]), float(times[-1])
            moments = [moment for moment, _ in [*self._outputs, *self._closed]]
            moments += [moment for history in self._relays.values() for moment, _ in history]
            edges = [start, *sorted({moment for moment in moments if start < moment <= end}), np.inf]
            result = np.zeros((4, times.size))
            for edge, following in itertools.pairwise(edges):
                inside = (times >= edge) & (times < following)
                if inside.any():
                    result[:, inside] = self._steady(times[inside], edge)
            return result

    def _steady(self, times: NDArray[np.float64], at: float) -> NDArray[np.float64]:
        outputs = next(both for moment, both in reversed(self._outputs) if moment <= at)
        closed = next(held for moment, held in reversed(self._closed) if moment <= at)
        places = {relay: self._position(relay, at) for relay in RELAYS}
        wired = wiring(closed, self.unit)
        on = (outputs[0].on, outputs[1].on)
        still = volts(self.unit, places, wired, on, 0.0).real
        offsets = np.array([outputs[0].offset_v, outputs[1].offset_v, 1.0 if self.unit.dc_on else 0.0])
        result = np.repeat((still @ offsets)[:, None], times.size, axis=1)
        for column, output in enumerate(outputs):
            if output.on:
                transfer = volts(self.unit, places, wired, on, output.frequency_hz)[:, column]
                turn = 2 * np.pi * output.frequency_hz * self.clocks[column] * times + output.phase_rad
                result += (output.peak_v * transfer[:, None] * np.exp(1j * turn)[None, :]).real
        return result
