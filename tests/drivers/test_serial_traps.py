"""What goes wrong on a serial line, for the boards and the SCPI instruments on it.

A line that echoes, an instrument that talks of itself after it was opened, a byte of noise before an answer,
an adapter that is unplugged: the error that belongs to it, in time, and then the right answer.
"""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import pytest

from drivers.boards.modbus_switchboard import ModbusSwitchboard
from drivers.session import Session
from harness.errors import BadReply, BenchError, BenchTimeout, Desynchronised, LinkLost
from tests.drivers.board_rigs import board_file
from tests.drivers.own_profiles import profile
from tests.drivers.serial_boards import ModbusBoard, Port, port
from tests.drivers.strict_instruments import Supply

SLACK_S = 1.0


@dataclass
class Line:
    """A serial line; `hear` is what is at its other end, and can be changed."""

    port: Port
    hear: Callable[[bytes], None]


@contextmanager
def line_to(hear: Callable[[bytes], None] | None = None) -> Iterator[Line]:
    with port() as made:
        line = Line(made, hear or made.say)
        made.run(lambda data: line.hear(data))
        yield line


@contextmanager
def modbus() -> Iterator[tuple[Line, ModbusBoard, ModbusSwitchboard]]:
    with line_to() as line:
        board = ModbusBoard(line.port.say)
        line.hear = board.hear
        fast = profile("modbus-switchboard", {"baud_rate = 9600": "baud_rate = 115200\ntimeout_s = 0.3"})
        driver = ModbusSwitchboard(fast, board_file(line.port.path))
        yield line, board, driver
        driver.close()


def closed(board: ModbusBoard) -> set[int]:
    return {n + 1 for n, on in enumerate(board.coils) if on}


def test_an_echo_of_a_frame_is_not_taken_for_a_modbus_boards_answer() -> None:
    """Function 5 is answered by the very frame that was sent: only reading back tells them apart."""
    with modbus() as (line, board, driver):
        line.hear = line.port.say  # the board is dead, and its adapter hears itself
        begun = time.monotonic()
        with pytest.raises(BenchTimeout, match=r"no right answer within 0\.3 s"):
            driver.set(frozenset({1}))
        assert time.monotonic() - begun < 2 * 0.3 + SLACK_S
        with pytest.raises(Desynchronised):
            driver.set(frozenset({1}))
        line.hear = board.hear
        driver.off()
        driver.set(frozenset({2}))
        assert closed(board) == {2}


def test_a_byte_of_noise_before_a_modbus_answer_never_makes_another_state() -> None:
    with modbus() as (line, board, driver):
        line.port.say(b"\xf0")
        try:
            driver.set(frozenset({1}))
        except BenchError:
            driver.off()
            driver.set(frozenset({1}))
        assert closed(board) == {1}
        driver.set(frozenset({2}))
        assert closed(board) == {2}


def test_an_unplugged_modbus_board_is_noticed_in_time() -> None:
    with modbus() as (line, _, driver):
        line.port.unplug()
        begun = time.monotonic()
        with pytest.raises(LinkLost):
            driver.set(frozenset({1}))
        with pytest.raises(LinkLost, match="no connection"):
            driver.off()
        assert time.monotonic() - begun < 1.0 + SLACK_S


def scpi(line: Line) -> Callable[[bytes], None]:
    """A supply at the other end."""
    supply = Supply()

    def hear(data: bytes) -> None:
        for command in data.decode("ascii").splitlines():
            answer = supply.obey(command)
            if isinstance(answer, str):
                line.port.say(answer.encode() + b"\r\n")

    return hear


def on(line: Line) -> Session:
    return Session(f"ASRL{line.port.path}::INSTR", instrument="supply", timeout_s=0.3)


def test_an_instrument_that_echoes_is_told_from_one_that_answers() -> None:
    with line_to() as line:
        obey = scpi(line)

        def echo(data: bytes) -> None:
            line.port.say(data)
            obey(data)

        line.hear = echo
        session = on(line)
        with pytest.raises(BadReply, match=r"not an echo \(switch its echo off, or write `echoes = true`"):
            session.start()
        line.hear = obey
        session.resync()
        assert session.start().startswith("Shed Works,")
        session.close()


def test_what_an_instrument_says_of_itself_first_is_no_answer() -> None:
    with line_to() as line:
        line.hear = scpi(line)
        session = on(line)
        line.port.say(b"PSU boot 1.2\r\nready\r\n")
        assert session.start().startswith("Shed Works,")
        assert session.drain_errors() == ()
        session.close()


def test_a_byte_of_noise_before_an_answer_is_refused_and_the_next_answer_is_right() -> None:
    with line_to() as line:
        obey = scpi(line)
        line.hear = obey
        session = on(line)
        session.start()
        voltage_v = session.query_number("MEASure:VOLTage?")

        def noise(data: bytes) -> None:
            line.port.say(b"\xf0")
            obey(data)

        line.hear = noise
        with pytest.raises(BadReply, match="plain ASCII"):
            session.query_number("MEASure:VOLTage?")
        line.hear = obey
        session.resync()
        assert session.query_number("MEASure:VOLTage?") == voltage_v
        session.close()


def test_an_instrument_whose_adapter_is_unplugged_is_lost_in_time() -> None:
    with line_to() as line:
        line.hear = scpi(line)
        session = on(line)
        session.start()
        line.port.unplug()
        begun = time.monotonic()
        with pytest.raises(LinkLost, match="unplugged"):
            session.query("MEASure:VOLTage?")
        with pytest.raises(LinkLost, match="no connection"):
            session.resync()
        assert time.monotonic() - begun < 1.0 + SLACK_S


def test_a_late_answer_on_a_serial_line_is_thrown_away() -> None:
    """It comes when the line is open already, in front of the first answer."""
    answers = {
        b"*IDN?": b"Shed Works,Supply,1,1.0\n",
        b"SYSTem:ERRor?": b'0,"No error"\n',
        b"MEASure:VOLTage?": b"7.5\n",
    }
    late = [b"9.5\n"]
    with port() as line:

        def hear(data: bytes) -> None:
            for command in data.splitlines():
                line.say(b"".join([*late, answers.get(command, b"")]))
                late.clear()

        line.run(hear)
        session = Session(line.path, instrument="supply", timeout_s=0.4)
        assert session.start() == "Shed Works,Supply,1,1.0"
        assert session.query_number("MEASure:VOLTage?") == 7.5
        session.close()
