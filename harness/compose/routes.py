"""In which states a signal passes which contacts: a search through the wires, without solving a circuit.

A fault of a contact shows where the signal passes its pole. So of the 2^n states of n control lines those are
worth weighing in which it passes poles that it has passed in no state before.
"""

from collections import defaultdict, deque
from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

import numpy as np

from harness.circuit.expand import is_operated
from harness.job.fixture import Fixture, PortName, channels_of
from harness.job.module import GROUND, LEGS, Module, node_name
from harness.job.state import State, all_states, single_control_states

MOST_STATES = 4096  # that are looked at; of more, those of one, two and three lines and some at random
Throw = tuple[str, str]  # a pole and the throw that it is on


class SignalWays:
    """The wires of a module with its loopback plugs in; which contacts are closed depends on the state."""

    def __init__(self, module: Module, fixture: Fixture, drives: Sequence[PortName]) -> None:
        self._module = module
        self._wires: dict[str, list[str]] = defaultdict(list)
        for part in module.two_ended:
            self._join(part.a, part.b)
        for transformer in module.transformers:
            for one in transformer.primary:
                for other in transformer.secondary:
                    self._join(one, other)
        for amplifier in module.amplifiers:
            for leg in LEGS:
                ends = (
                    node_name(amplifier.channel, net, leg) for net in (amplifier.from_net, amplifier.to_net)
                )
                self._join(*ends)
        for loopback in fixture.loopbacks.values():
            for channel in channels_of(loopback, module):
                for leg in LEGS:
                    self._join(
                        *(node_name(channel, net, leg) for net in (loopback.from_net, loopback.to_net))
                    )
        self._starts = [node_name(drive.channel, drive.net, leg) for drive in drives for leg in LEGS]
        self._goals = {
            node_name(channel, port.net, leg)
            for port in module.ports
            if port.role in ("output", "send")
            for channel in module.channels
            if port.is_in(channel)
            for leg in LEGS
        }

    def _join(self, a: str, b: str) -> None:
        if GROUND not in (a, b):
            self._wires[a].append(b)
            self._wires[b].append(a)

    def passed(self, state: State) -> frozenset[Throw]:
        """The throws that lie on the shortest ways from inputs to outputs and sends."""
        closed: dict[str, list[tuple[str, Throw]]] = defaultdict(list)
        for relay in self._module.relays:
            operated = is_operated(relay, state)
            for pole in relay.poles:
                far, throw = (pole.operated, "operated") if operated else (pole.released, "released")
                if far is not None:
                    closed[pole.common].append((far, (pole.name, throw)))
                    closed[far].append((pole.common, (pole.name, throw)))
        result: set[Throw] = set()
        for start in self._starts:
            result |= self._from(start, closed)
        return frozenset(result)

    def _from(self, start: str, closed: Mapping[str, list[tuple[str, Throw]]]) -> set[Throw]:
        came: dict[str, tuple[str, Throw | None]] = {start: ("", None)}
        waiting = deque([start])
        while waiting:
            node = waiting.popleft()
            steps: list[tuple[str, Throw | None]] = [(far, None) for far in self._wires.get(node, ())]
            for far, throw in (*steps, *closed.get(node, ())):
                if far not in came and far != GROUND:
                    came[far] = (node, throw)
                    waiting.append(far)
        result: set[Throw] = set()
        for goal in self._goals & came.keys():
            node = goal
            while node:
                node, passed = came[node]
                if passed is not None:
                    result.add(passed)
        return result


def states_to_look_at(controls: Sequence[str]) -> Iterator[State]:
    """Every state, those of few lines first; of very many lines only some of those with more than three."""
    if 2 ** len(controls) <= MOST_STATES:
        yield from sorted(all_states(controls), key=lambda state: len(state.on))
        return
    yield from single_control_states(controls)
    yield from (State(on=some) for count in (2, 3) for some in combinations(controls, count))
    draws = np.random.default_rng(1).random((MOST_STATES // 4, len(controls))) < 0.5
    yield from (State(on=tuple(np.array(controls)[draw].tolist())) for draw in draws)
