"""Relays: which coils the supply energises, and how contacts move in time: break, travel, make, bounce."""

import bisect
import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from harness.job.module import Module, Relay
from simulator.unit import Built, Timing

OPEN, REST, OPERATED = 0, 1, 2
"""Where a pole's common is: in the air, on its rest throw, on its operated throw."""

PICK_UP = 0.7  # of the nominal coil voltage, signal relays' data sheets
DROP_OUT = 0.1
MEMORY_S = 60.0  # simulated seconds of past positions kept


class Motion:
    """The past and planned positions of one relay's poles."""

    def __init__(
        self,
        timing: Timing,
        *,
        position: int,
        seed: int,
        misses: Mapping[int, Mapping[int, float]] = MappingProxyType({}),
    ) -> None:
        """misses: of a pole, by position, the chance that it arrives there and does not conduct."""
        self._timing = timing
        self._rng = np.random.default_rng(seed)
        self._chances = np.random.default_rng([seed, 1])  # of its own, so that the motion stays what it is
        self._misses = misses
        self._target = position
        self._events: list[list[tuple[float, int]]] = [[(-1e9, position)] for _ in timing.skew_s]

    @property
    def target(self) -> int:
        """Where the armature is, or is going."""
        return self._target

    def command(self, at_s: float, target: int) -> None:
        """Energise or release the coil at `at_s`; what was still to come of an earlier motion is dropped."""
        if target == self._target:
            return
        self._target = target
        timing = self._timing
        nominal_s = timing.operate_s if target == OPERATED else timing.release_s
        make_s = at_s + nominal_s * self._rng.uniform(0.97, 1.03)
        for pole, (events, skew_s) in enumerate(zip(self._events, timing.skew_s, strict=True)):
            _forget(events, at_s)
            missed = self._chances.uniform() < self._misses.get(pole, {}).get(target, 0.0)
            moves = self._move(events[-1][1], target, at_s, make_s - skew_s)
            if missed:  # it leaves the other throw, and that is all that is seen of it
                moves = ((instant_s, OPEN) for instant_s, _ in itertools.islice(moves, 1))
            events.extend(moves)

    def at(self, at_s: float) -> tuple[int, ...]:
        """Every pole's position at an instant."""
        return tuple(events[_last(events, at_s)][1] for events in self._events)

    def changes(self, start_s: float, end_s: float) -> Iterator[tuple[float, int, int]]:
        """Changes after `start_s` and before `end_s`: (instant, pole, position)."""
        for pole, events in enumerate(self._events):
            for instant_s, position in events[_last(events, start_s) + 1 :]:
                if instant_s < end_s:
                    yield instant_s, pole, position

    def _move(self, position: int, target: int, at_s: float, make_s: float) -> Iterator[tuple[float, int]]:
        if position == target:
            return
        if position != OPEN:
            yield max(at_s + 1e-5, make_s - self._timing.gap_s), OPEN
        yield make_s, target
        count = int(self._rng.integers(1, 5))
        edges = np.sort(self._rng.uniform(0, self._timing.bounce_s, 2 * count - 1))
        for opened_s, closed_s in zip(edges[::2], [*edges[1::2], self._timing.bounce_s], strict=True):
            yield make_s + float(opened_s), OPEN
            yield make_s + float(closed_s), target


def _last(events: list[tuple[float, int]], at_s: float) -> int:
    """Index of the last event at or before an instant."""
    return bisect.bisect_right(events, (at_s, math.inf)) - 1


def _forget(events: list[tuple[float, int]], at_s: float) -> None:
    """Drop what is planned after `at_s`, and what is long past."""
    del events[_last(events, at_s) + 1 :]
    old = _last(events, at_s - MEMORY_S)
    if old > 0:
        del events[:old]


@dataclass(frozen=True, kw_only=True)
class SupplySetting:
    """What the relay supply was told."""

    voltage_v: float
    limit_a: float
    on: bool


@dataclass(frozen=True, kw_only=True)
class SupplyState:
    """What the relay supply does."""

    voltage_v: float
    current_a: float
    limiting: bool


def energised(module: Module, built: Built, closed_lines: frozenset[str]) -> frozenset[str]:
    """Lines inside the unit that are connected to the supply, its wiring faults included."""
    return frozenset(line for line in module.line_names if built.line_feeds[line] & closed_lines)


def supply_state(module: Module, built: Built, setting: SupplySetting, lines: frozenset[str]) -> SupplyState:
    """Voltage and current of the supply: constant voltage, or constant current at its limit."""
    if not setting.on:
        return SupplyState(voltage_v=0.0, current_a=0.0, limiting=False)
    conductance_s = sum(
        1 / built.coil_ohm[relay.name]
        for relay in module.relays
        for line in (relay.line, relay.set_line, relay.reset_line)
        if line in lines
    )
    quiescent_a = module.supply.quiescent_a * min(1.0, setting.voltage_v / module.supply.voltage_v)
    quiescent_a *= built.supplied
    wanted_a = quiescent_a + setting.voltage_v * conductance_s
    if wanted_a <= setting.limit_a:
        return SupplyState(voltage_v=setting.voltage_v, current_a=wanted_a, limiting=False)
    resistance_ohm = setting.voltage_v / wanted_a
    return SupplyState(voltage_v=setting.limit_a * resistance_ohm, current_a=setting.limit_a, limiting=True)


def position(
    relay: Relay, built: Built, *, voltage_v: float, nominal_v: float, lines: frozenset[str], now: int
) -> int:
    """Where a relay's armature goes, `now` being where it is."""
    if relay.name in built.held:
        return built.held[relay.name]
    if relay.line is not None:
        coil_v = voltage_v if relay.line in lines else 0.0
        if coil_v >= PICK_UP * nominal_v and _has_coil(relay, built):
            return OPERATED
        return REST if coil_v <= DROP_OUT * nominal_v or not _has_coil(relay, built) else now
    if voltage_v >= PICK_UP * nominal_v and _has_coil(relay, built):
        pulled = (relay.set_line in lines, relay.reset_line in lines)
        if pulled == (True, False):
            return OPERATED
        if pulled == (False, True):
            return REST
    return now


def _has_coil(relay: Relay, built: Built) -> bool:
    """An open coil pulls nothing, and neither does a shorted one: its turns carry no current."""
    return 0.2 < built.coil_ohm[relay.name] / relay.type.coil_ohm < 5
