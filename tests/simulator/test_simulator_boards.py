"""The simulated switchboards, by a real pty and by sockets; what they did shows in the supply current."""

import os
import select
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from simulator.boards import checksum
from tests.simulator.conftest import Bench, Line

COIL_A = 12 / 1028  # amperes of one coil at 12 V
QUIESCENT_A = 0.005
needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="there is no pty on Windows")


def coils(bench: Bench) -> int:
    """How many coils the supply feeds."""
    current_a = float(bench.supply.query("MEAS:CURR?"))
    return round((current_a - QUIESCENT_A) / COIL_A)


def settled(bench: Bench, ask: int) -> int:
    """Ask until the board has read what it was sent: an answer-less board gives no other sign."""
    for _ in range(200):
        if (result := coils(bench)) == ask:
            return result
        select.select([], [], [], 0.005)
    return coils(bench)


class Tty:
    """The far end of a pty, as plain bytes."""

    def __init__(self, path: str) -> None:
        self.descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)

    def send(self, data: bytes) -> None:
        os.write(self.descriptor, data)

    def read(self, count: int) -> bytes:
        data = b""
        while len(data) < count and select.select([self.descriptor], [], [], 2.0)[0]:
            data += os.read(self.descriptor, count - len(data))
        return data


@pytest.fixture
def tty() -> Iterator[Callable[..., Any]]:
    opened = []

    def open_(path: str) -> Tty:
        opened.append(Tty(path))
        return opened[-1]

    yield open_
    for one in opened:
        os.close(one.descriptor)


@needs_pty
def test_frames_on_a_pty_energise_and_release(start: Callable[..., Any], tty: Callable[..., Any]) -> None:
    """The four bytes of common relay boards: A0, channel, state, sum (common practice, no source)."""
    bench = start(switchboard="frame")
    bench.power()
    port = tty(bench.addresses.switchboard)
    port.send(b"\xa0\x01\x01\xa2")
    assert settled(bench, 2) == 2
    port.send(b"\xa0\x02\x01\xa3")
    assert settled(bench, 4) == 4
    port.send(b"\xa0\x01\x00\xa1\xa0\x02\x00\xa2")
    assert settled(bench, 0) == 0
    assert port.read(0) == b""
    assert not select.select([port.descriptor], [], [], 0.05)[0]  # it never answers


@needs_pty
def test_a_frame_with_a_wrong_sum_does_nothing_and_the_next_is_read(
    start: Callable[..., Any], tty: Callable[..., Any]
) -> None:
    bench = start(switchboard="frame")
    bench.power()
    port = tty(bench.addresses.switchboard)
    port.send(b"\x00\xa0\x01\x01\xa3" + b"\xa0\x02\x01\xa3")
    assert settled(bench, 2) == 2


def test_frames_come_over_tcp_as_well_in_pieces(start: Callable[..., Any]) -> None:
    bench = start(switchboard="frame")
    bench.power()
    for byte in b"\xa0\x01\x01\xa2":
        bench.board.socket.sendall(bytes((byte,)))
    assert settled(bench, 2) == 2


@needs_pty
def test_lines_of_text_are_answered(start: Callable[..., Any], tty: Callable[..., Any]) -> None:
    bench = start(switchboard="text")
    bench.power()
    port = tty(bench.addresses.switchboard)
    for command, answer in (
        (b"ON 1", b"OK"),
        (b"ON 10", b"OK"),
        (b"STATE?", b"0201"),
        (b"OFF 1", b"OK"),
        (b"STATE?", b"0200"),
        (b"ON 17", b"ERROR"),
        (b"on 1", b"ERROR"),
        (b"ALL OFF", b"OK"),
        (b"STATE?", b"0000"),
    ):
        port.send(command + b"\r\n")
        assert port.read(len(answer) + 2) == answer + b"\r\n"


@pytest.mark.parametrize(
    ("request_", "sum_"),
    [  # worked examples that Modbus tutorials share; from memory
        ("1105 00AC FF00", "4E8B"),
        ("1101 0013 0025", "0E84"),
    ],
)
def test_the_checksum_is_that_of_modbus(request_: str, sum_: str) -> None:
    assert checksum(bytes.fromhex(request_)) == bytes.fromhex(sum_)


def ask(line: Line, request: bytes, length: int) -> bytes:
    line.socket.sendall(request + checksum(request))
    answer = line.raw(length + 2)
    assert checksum(answer[:-2]) == answer[-2:]
    return answer[:-2]


def test_modbus_coils_are_written_and_read(start: Callable[..., Any]) -> None:
    """Modbus application protocol 1.1b3: 6.1 read coils, 6.5 write single, 6.11 write multiple coils."""
    bench = start(switchboard="modbus")
    bench.power()
    board = bench.board
    write = bytes.fromhex("01 05 0000 FF00")
    assert ask(board, write, 6) == write
    assert coils(bench) == 2
    assert ask(board, bytes.fromhex("01 0F 0001 0009 02 01 01"), 6) == bytes.fromhex("01 0F 0001 0009")
    assert ask(board, bytes.fromhex("01 01 0000 0010"), 5) == bytes.fromhex("01 01 02 03 02")
    assert coils(bench) == 4


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        ("01 03 0000 0001", "01 83 01"),  # illegal function
        ("01 05 0010 FF00", "01 85 02"),  # illegal data address
        ("01 05 0000 1234", "01 85 03"),  # illegal data value
        ("01 01 0000 0011", "01 81 02"),
    ],
)
def test_modbus_exceptions(start: Callable[..., Any], request_: str, answer: str) -> None:
    bench = start(switchboard="modbus")
    assert ask(bench.board, bytes.fromhex(request_), 3) == bytes.fromhex(answer)


def test_modbus_to_another_unit_or_with_a_wrong_sum_is_not_answered(start: Callable[..., Any]) -> None:
    bench = start(switchboard="modbus")
    other = bytes.fromhex("02 05 0000 FF00")
    bench.board.socket.sendall(other + checksum(other) + bytes.fromhex("01 05 0000 FF00 FFFF"))
    mine = bytes.fromhex("01 01 0000 0010")
    assert ask(bench.board, mine, 5) == bytes.fromhex("01 01 02 00 00")


@needs_pty
def test_the_address_of_a_board_that_is_unplugged_goes_to_no_other_while_its_bench_stands(start: Any) -> None:
    """Whoever has the address next would else find what the run before it left on record."""
    bench = start(switchboard="text")
    path = bench.addresses.switchboard
    bench.hand(trouble="switchboard refuse")
    deadline = time.monotonic() + 10
    while os.path.exists(path) and time.monotonic() < deadline:
        time.sleep(0.01)
    assert not os.path.exists(path)
    others = [os.openpty() for _ in range(4)]
    names = [os.ttyname(theirs) for _, theirs in others]
    for pair in others:
        for descriptor in pair:
            os.close(descriptor)
    assert path not in names
