"""Hostile bytes for the simulator's instruments, relay boards and control port."""

import json
from collections.abc import Callable
from functools import cache
from typing import Any

from simulator import faults as done_faults
from simulator.boards import Board, Coils, FrameBoard, ModbusBoard, TextBoard
from simulator.boards import RouteSwitchboard as SimulatedRoute
from simulator.device import Device
from simulator.generator_and_supply import Generator, Supply
from simulator.oscilloscope import Oscilloscope
from simulator.server import ControlPort
from simulator.troubles import parse_trouble
from simulator.wire import TcpStream
from simulator.world import Clock, World
from tests.hostile.file_targets import shipped_job


@cache
def _world() -> World:
    wrong = done_faults.apply([], shipped_job().module)
    return World(shipped_job(), Clock(1000.0), serial="SIM-1", wrong=wrong, bench_seed=1)


@cache
def _devices() -> tuple[Device, ...]:
    clock, world = Clock(1000.0), _world()
    return (
        Generator(clock, world, serial="SIM0001"),
        Oscilloscope(clock, world, serial="SIM0001", seed=1),
        Supply(clock, world, serial="SIM0001", seed=1, relay_output=1),
        SimulatedRoute(clock, Coils(world, 16), serial="SIM0001"),
    )


def message(data: bytes) -> None:
    """A program message to a simulated instrument: carried out or put into its error queue.

    Nothing is captured: a record takes its time whoever asks for it.
    """
    which, content = (data[0], data[1:]) if data else (0, b"")
    device = _devices()[which % 4]
    if which % 4 == 1 and any(word in content.upper() for word in (b"SING", b"RUN", b"DIG")):
        return
    for line in content.split(b"\n"):
        answered = device.execute(line.rstrip(b"\r"), lambda pending, interruptible: True)
        if not (answered is None or isinstance(answered, bytes)):
            raise AssertionError(f"no answer: {answered!r}")
    device.execute(b"*CLS", lambda pending, interruptible: True)


def board(data: bytes) -> None:
    """Bytes to a simulated relay board; what it holds on to stays small."""
    which, content = (data[0], data[1:]) if data else (0, b"")
    coils = Coils(_world(), 16)
    kinds: tuple[Callable[[Coils], Board], ...] = (FrameBoard, TextBoard, ModbusBoard)
    made = kinds[which % 3](coils)
    for start in range(0, len(content), 7):
        for message in made.feed(content[start : start + 7]):
            if not isinstance(message, bytes):
                raise AssertionError(f"no answer: {message!r}")
    if not coils.closed <= frozenset(range(1, 17)):
        raise AssertionError(f"channels that are not there: {coils.closed}")


class _Nothing(TcpStream):
    """A stream that nobody reads."""

    def __init__(self, data: bytes) -> None:
        self._data = [data, b""]
        self.message: list[bytes] = []

    def read(self) -> bytes:
        return self._data.pop(0) if self._data else b""

    def write(self, data: bytes) -> None:
        self.message.append(data)

    def input_within(self, wall_s: float) -> bool:
        return False

    def ended(self) -> bool:
        return True

    def close(self) -> None:
        pass


def control(data: bytes) -> None:
    """Lines to the simulator's control port: each answered by one line of JSON."""

    def trouble(request: Any) -> None:
        text = request["trouble"]
        if isinstance(text, str):
            parse_trouble(text)

    stream = _Nothing(data)
    ControlPort({"trouble": trouble}, lambda: None).serve(stream)
    for line in stream.message:
        json.loads(line)
