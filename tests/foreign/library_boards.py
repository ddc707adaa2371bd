"""Relay boards that a library of the computer drives, each standing at that library's own seam.

Pins: pyftdi and pyusb as they are, with a chip in place of libusb. Reports: a board in place of hidapi's
module, as few kernels let a program be such a device (uhid). Lines: gpiod as it is, with a chip in place of
its `request_lines`, as few kernels have gpio-sim.
"""

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import gpiod
import pytest
from gpiod.line import Direction, Value
from pyftdi.usbtools import UsbTools

from tests.drivers.board_zoo import usb_chip
from tests.drivers.board_zoo.test_usb_reports import Board

Moved = Callable[[], None]


@dataclass(frozen=True)
class OnComputer:
    """A board at its library. closed: the numbers of its relays that are closed."""

    profile: str
    address: str
    closed: Callable[[], set[int]]


class LineChip:
    """Eight lines of a chip; a released line falls back to low, a line in use is refused."""

    def __init__(self, moved: Moved) -> None:
        self.high: set[int] = set()
        self._taken: set[int] = set()
        self._moved = moved

    def request_lines(
        self, path: str, *, consumer: str, config: Mapping[tuple[int, ...], gpiod.LineSettings]
    ) -> "LineRequest":
        ((offsets, settings),) = config.items()
        if path != "/dev/gpiochip7" or not set(offsets) <= set(range(8)):
            raise FileNotFoundError(2, "No such file or directory", path)
        if self._taken & set(offsets) or settings.direction is not Direction.OUTPUT:
            raise OSError(16, "Device or resource busy")
        self._taken |= set(offsets)
        request = LineRequest(self, offsets, settings.active_low)
        request.set_values(dict.fromkeys(offsets, settings.output_value))
        return request

    def put(self, offset: int, *, high: bool) -> None:
        (self.high.add if high else self.high.discard)(offset)

    def let_go(self, offsets: Sequence[int]) -> None:
        self._taken -= set(offsets)
        self.high -= set(offsets)
        self._moved()

    def moved(self) -> None:
        self._moved()


class LineRequest:
    """What gpiod returns for lines that are held."""

    def __init__(self, chip: LineChip, offsets: Sequence[int], active_low: bool) -> None:
        self._chip, self._offsets, self._active_low = chip, offsets, active_low

    def set_values(self, values: Mapping[int, Value]) -> None:
        for offset, value in values.items():
            self._chip.put(offset, high=(value is Value.ACTIVE) != self._active_low)
        self._chip.moved()

    def get_values(self, offsets: Sequence[int]) -> list[Value]:
        highs = [(offset in self._chip.high) != self._active_low for offset in offsets]
        return [Value.ACTIVE if high else Value.INACTIVE for high in highs]

    def release(self) -> None:
        self._chip.let_go(self._offsets)


@contextmanager
def lines(monkeypatch: pytest.MonkeyPatch, moved: Moved) -> Iterator[OnComputer]:
    chip = LineChip(moved)
    monkeypatch.setattr(gpiod, "request_lines", chip.request_lines)
    yield OnComputer("gpio-switchboard", "/dev/gpiochip7", lambda: {n + 1 for n in chip.high})


@contextmanager
def pins(monkeypatch: pytest.MonkeyPatch, moved: Moved) -> Iterator[OnComputer]:
    chip = usb_chip.Chip(moved)
    monkeypatch.setattr(usb_chip, "THE_CHIP", [chip])
    monkeypatch.setattr(UsbTools, "BACKENDS", (usb_chip.__name__,))
    UsbTools.flush_cache()

    def closed() -> set[int]:
        driven = chip.levels & chip.direction  # the inputs' pull-ups hold no relay
        return {n + 1 for n in range(8) if driven >> n & 1}

    try:
        yield OnComputer("ftdi-switchboard", "ftdi://ftdi:232r:ZOO1/1", closed)
    finally:
        UsbTools.flush_cache()


@contextmanager
def reports(monkeypatch: pytest.MonkeyPatch, moved: Moved) -> Iterator[OnComputer]:
    board: Any = Board(moved)
    monkeypatch.setitem(sys.modules, "hid", board)
    yield OnComputer("hid-switchboard", "hid://16c0:05df/ZOO1", lambda: set(board.closed))
