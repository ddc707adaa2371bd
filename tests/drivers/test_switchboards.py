"""Every kind of switchboard: the same promises, kept over real sockets and real pseudo-terminals."""

import socket
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

import pytest

from drivers.boards.library_switchboards import GpioSwitchboard
from drivers.boards.modbus_switchboard import ModbusSwitchboard
from drivers.boards.switchboard import FrameSwitchboard, RouteSwitchboard, TextSwitchboard, frame
from drivers.serial_wire import SerialWire, serial_port
from drivers.session import Session
from harness.errors import BadReply, BenchError, BenchTimeout, Desynchronised, InstrumentError, LinkLost
from tests.drivers.board_rigs import (
    FakeGpio,
    Rig,
    board_file,
    gpio_rig,
    modbus_by_tcp,
    modbus_rig,
    modbus_script,
    route_rig,
    serial_session,
    text_board,
    text_by_tcp,
    text_rig,
)
from tests.drivers.own_profiles import profile
from tests.drivers.peers import peer
from tests.drivers.serial_boards import FrameBoard, ModbusBoard, Port, TextBoard, port
from tests.drivers.strict_instruments import Switch

RIGS = [route_rig, text_rig, text_by_tcp, modbus_rig, modbus_by_tcp, gpio_rig]


@pytest.mark.parametrize("rig", RIGS)
def test_opening_a_board_opens_every_channel(rig: Callable[[], AbstractContextManager[Rig]]) -> None:
    with rig() as board:
        assert board.closed() == set()
        assert board.driver.reads_back


@pytest.mark.parametrize("rig", RIGS)
def test_exactly_the_channels_asked_for_are_closed(rig: Callable[[], AbstractContextManager[Rig]]) -> None:
    with rig() as board:
        for wanted in ({1}, {1, 3, 8}, {2, 3}, set(), {8}):
            board.driver.set(frozenset(wanted))
            assert board.closed() == wanted
        board.driver.off()
        assert board.closed() == set()


@pytest.mark.parametrize("rig", RIGS)
def test_a_channel_that_does_not_close_is_named_and_the_next_change_starts_from_all_open(
    rig: Callable[[], AbstractContextManager[Rig]],
) -> None:
    with rig() as board:
        board.driver.set(frozenset({1}))
        board.kill_seven()
        with pytest.raises(BenchError, match=r"channels 2, 7 were to be closed.*it reads back 2 as closed"):
            board.driver.set(frozenset({2, 7}))
        board.driver.set(frozenset({3}))
        assert board.closed() == {3}


@pytest.mark.parametrize("rig", RIGS)
@pytest.mark.parametrize("channel", [0, -1, 17, 99])
def test_a_channel_that_is_not_there_is_refused_before_anything_moves(
    rig: Callable[[], AbstractContextManager[Rig]], channel: int
) -> None:
    with rig() as board:
        board.driver.set(frozenset({1}))
        with pytest.raises(BenchError, match=r"has channels 1 to \d+"):
            board.driver.set(frozenset({2, channel}))
        assert board.closed() == {1}


def test_channels_open_before_others_close() -> None:
    board = Switch()
    with peer(board.script) as served:
        session = Session(served.address, instrument="switchboard")
        session.start()
        driver = RouteSwitchboard(session, profile("route-switchboard"), board_file(session.address))
        driver.set(frozenset({1, 2}))
        driver.set(frozenset({2, 3, 4}))
        assert board.moves == ["close 1,2", "open 1", "close 3,4"]
        assert b"ROUTe:CLOSe? (@1,2,3,4)" in served.heard
        session.close()


def test_a_welded_channel_is_named_when_all_are_switched_off() -> None:
    board = Switch()
    with peer(board.script) as served:
        session = Session(served.address, instrument="switchboard")
        session.start()
        driver = RouteSwitchboard(session, profile("route-switchboard"), board_file(session.address))
        driver.set(frozenset({4}))
        board.welded.add(4)
        with pytest.raises(BenchError, match=r"channels none were to be closed .* it reads back 4 as closed"):
            driver.off()
        session.close()


def test_a_channel_that_the_profile_has_and_the_switch_has_not_is_the_switchs_own_error() -> None:
    with route_rig() as board, pytest.raises(InstrumentError, match="-222"):
        board.driver.set(frozenset({13}))  # it has twelve


@pytest.mark.parametrize(
    "address",
    [str, lambda path: f"ASRL{path}::INSTR", lambda path: f"alt://{path}"],
    ids=["path", "ASRL", "URL"],
)
def test_a_serial_line_is_found_by_every_kind_of_address(address: Callable[[str], str]) -> None:
    with text_rig(address) as board:
        board.driver.set(frozenset({5}))
        assert board.closed() == {5}


@pytest.mark.parametrize(
    ("address", "place"),
    [
        ("ASRL/dev/ttyUSB0::INSTR", "/dev/ttyUSB0"),
        ("asrl/dev/serial/by-id/usb-x::instr", "/dev/serial/by-id/usb-x"),
        ("/dev/ttyACM0", "/dev/ttyACM0"),
        ("COM3", "COM3"),
        ("socket://192.0.2.5:4001", "socket://192.0.2.5:4001"),
        ("TCPIP::192.0.2.5::4001::SOCKET", "socket://192.0.2.5:4001"),
        ("TCPIP0::board.example::4001::SOCKET", "socket://board.example:4001"),
        ("rfc2217://192.0.2.5:4001", "rfc2217://192.0.2.5:4001"),
    ],
)
def test_addresses_of_serial_lines(address: str, place: str) -> None:
    assert serial_port(address) == place


@contextmanager
def frame_rig(
    address: Callable[[Port], str] = lambda line: line.path,
) -> Iterator[tuple[FrameSwitchboard, FrameBoard]]:
    with port() as line:
        board = FrameBoard()
        board.hear(b"\xa0\x05")  # cut off in the middle of a frame by whoever was here before
        line.run(board.hear)
        session = serial_session(address(line), "frame-switchboard")
        driver = FrameSwitchboard(session, profile("frame-switchboard"), board_file(session.address))
        yield driver, board
        session.close()


def test_a_frame_board_is_told_to_release_every_channel_by_name() -> None:
    with frame_rig() as (driver, board):
        board.wait_for(16)
        assert board.frames == [(n, 0) for n in range(1, 17)]
        assert board.closed == set()
        assert not driver.reads_back
        assert "not verified" in driver.identity.text


def test_a_frame_board_gets_only_what_changes() -> None:
    with frame_rig() as (driver, board):
        driver.set(frozenset({1, 2}))
        driver.set(frozenset({2, 3}))
        board.wait_for(20)
        assert board.frames[16:] == [(1, 1), (2, 1), (1, 0), (3, 1)]


@pytest.mark.parametrize(
    ("channel", "state", "bytes_"),
    [(1, 1, "A0 01 01 A2"), (1, 0, "A0 01 00 A1"), (96, 1, "A0 60 01 01")],
)
def test_a_frame_is_start_channel_state_and_sum(channel: int, state: int, bytes_: str) -> None:
    # The first two rows are common practice, no source; the third has a sum above 255.
    assert frame(0xA0, channel, state) == bytes.fromhex(bytes_)


class SlowLine:
    """A serial port whose buffer empties byte by byte, as a pseudo-terminal's never does."""

    def __init__(self, looks_until_empty: float) -> None:
        self.left, self.sent, self.write_timeout = looks_until_empty, b"", 0.0

    def write(self, data: bytes) -> None:
        self.sent += data

    @property
    def out_waiting(self) -> int:
        self.left -= 1
        return int(self.left > 0)


def test_what_is_sent_on_a_serial_line_has_left_before_anything_is_timed_from_it() -> None:
    line = SlowLine(5)
    SerialWire(line).send(b"\xa0\x01\x01\xa2", time.monotonic() + 5.0)
    assert line.sent == b"\xa0\x01\x01\xa2"
    assert line.left <= 0
    with pytest.raises(TimeoutError):
        SerialWire(SlowLine(float("inf"))).send(b"\xa0", time.monotonic() + 0.05)


def test_an_unplugged_frame_board_is_noticed_at_the_next_frame() -> None:
    with port() as line:
        board = FrameBoard()
        line.run(board.hear)
        session = serial_session(line.path, "frame-switchboard")
        driver = FrameSwitchboard(session, profile("frame-switchboard"), board_file(session.address))
        board.wait_for(16)
        line.unplug()
        with pytest.raises(LinkLost):
            driver.set(frozenset({1}))
        with pytest.raises(LinkLost, match="no connection"):
            driver.off()
        session.close()


def test_an_unplugged_text_board_is_noticed_in_time() -> None:
    with text_board() as (line, _, driver):
        line.unplug()
        with pytest.raises(LinkLost):
            driver.set(frozenset({1}))


def test_a_silent_text_board_times_out_and_off_works_when_it_is_back() -> None:
    with text_board() as (_, board, driver):
        board.silent = True
        with pytest.raises(BenchTimeout, match="nothing arrived"):
            driver.set(frozenset({1}))
        with pytest.raises(Desynchronised):
            driver.set(frozenset({2}))
        board.silent = False
        driver.off()
        assert board.closed == set()


def test_an_echoing_board_is_told_from_a_working_one() -> None:
    with text_board() as (_, board, driver):
        board.echo = True
        with pytest.raises(BadReply, match="not an echo"):
            driver.set(frozenset({1}))
        board.echo = False
        driver.off()
        assert board.closed == set()


def test_a_garbage_byte_before_an_answer_is_refused_and_off_still_works() -> None:
    with text_board() as (line, board, driver):
        line.say(b"\xf0")
        with pytest.raises((Desynchronised, BadReply)):
            driver.set(frozenset({1}))
        driver.off()
        driver.set(frozenset({2}))
        assert board.closed == {2}


def test_a_boot_banner_is_let_pass() -> None:
    with port() as line:
        board = TextBoard(line.say)
        banners = [b"RELAY BOARD 16\r\nboot 1.2\r\n", b"rea"]

        def hear(data: bytes) -> None:
            # It resets as its port is opened: the first words reach it while it still talks of itself.
            if banners:
                line.say(banners.pop(0))
                if not banners:
                    line.say(b"dy\r\n")
                return
            board.hear(data)

        line.run(hear)
        session = serial_session(line.path, "text-switchboard")
        driver = TextSwitchboard(session, profile("text-switchboard"), board_file(session.address))
        driver.set(frozenset({9}))
        assert board.closed == {9}
        session.close()


def test_a_text_board_without_a_state_query_says_that_it_is_not_read_back() -> None:
    own = profile("text-switchboard", {"state_query": "# state_query"})
    with port() as line:
        board = TextBoard(line.say)
        line.run(board.hear)
        session = serial_session(line.path, "text-switchboard")
        driver = TextSwitchboard(session, own, board_file(session.address))
        driver.set(frozenset({2}))
        assert not driver.reads_back
        assert board.closed == {2}
        assert "STATE?" not in board.heard
        session.close()


def test_a_second_program_cannot_open_the_same_serial_line() -> None:
    with port() as line:
        board = FrameBoard()
        line.run(board.hear)
        first = serial_session(line.path, "frame-switchboard")
        with pytest.raises(LinkLost, match=r"(?i)lock|busy|resource"):
            serial_session(line.path, "frame-switchboard")
        first.close()


def test_modbus_uses_functions_1_5_and_15() -> None:
    with port() as line:
        board = ModbusBoard(line.say)
        line.run(board.hear)
        driver = ModbusSwitchboard(profile("modbus-switchboard"), board_file(line.path))
        driver.set(frozenset({2}))
        assert board.functions == [15, 1, 5, 1]
        driver.close()


def test_a_silent_modbus_board_times_out_once_and_off_works_when_it_is_back() -> None:
    boards: list[ModbusBoard] = []
    with peer(modbus_script(boards)) as served:
        own = profile("modbus-switchboard", {"baud_rate = 9600": "timeout_s = 0.3"})
        driver = ModbusSwitchboard(own, board_file(f"TCPIP::127.0.0.1::{served.port}::SOCKET"))
        boards[-1].silent = True
        with pytest.raises(BenchTimeout, match=r"no right answer within 0\.3 s"):
            driver.set(frozenset({1}))
        with pytest.raises(Desynchronised):
            driver.set(frozenset({1}))
        driver.off()
        assert served.connections == 2
        driver.set(frozenset({1}))
        assert boards[-1].coils[0]
        driver.close()


def test_the_rest_of_an_answer_to_someone_before_spoils_no_opening() -> None:
    left_over = [bytes.fromhex("0000b9fc")]  # seen in the soak, of a run that ended 2 s before
    with port() as line:
        board = ModbusBoard(lambda answer: line.say(left_over.pop() + answer if left_over else answer))
        board.coils[4] = True
        line.run(board.hear)
        own = profile("modbus-switchboard", {"baud_rate = 9600": "timeout_s = 0.3"})
        driver = ModbusSwitchboard(own, board_file(line.path))
        assert not any(board.coils)
        driver.close()


def test_a_modbus_board_that_refuses_says_why() -> None:
    own = profile("modbus-switchboard", {"channels = 16": "channels = 32"})
    with (
        peer(modbus_script([])) as served,
        pytest.raises(BenchError, match=r"refuses.*exception_code=2"),
    ):
        ModbusSwitchboard(own, board_file(f"socket://127.0.0.1:{served.port}"))


def test_a_modbus_board_that_is_not_there_says_so() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        free = listener.getsockname()[1]
    with pytest.raises(LinkLost, match="no connection"):
        ModbusSwitchboard(profile("modbus-switchboard"), board_file(f"socket://127.0.0.1:{free}"))


def test_active_low_gpio_lines_are_high_when_released() -> None:
    chip = FakeGpio()
    own = profile(
        "gpio-switchboard", {"active_low = false": "active_low = true", "[0, 1, 2, 3": "[20, 21, 22, 3"}
    )

    def switchboard() -> GpioSwitchboard:
        return GpioSwitchboard(own, board_file("/dev/gpiochip0"), module=chip)

    driver = switchboard()
    assert chip.levels[20] == "high"
    driver.set(frozenset({1}))
    assert chip.levels[20] == "low"
    with pytest.raises(LinkLost, match=r"can't be used: .*busy"):
        switchboard()
    chip.gone = True
    with pytest.raises(LinkLost, match="the lines are gone"):
        driver.off()
    driver.close()


def test_real_gpio_lines_say_what_is_missing() -> None:
    with pytest.raises(BenchError, match=r"switchwalk\[gpio\]|can't be used"):
        GpioSwitchboard(profile("gpio-switchboard"), board_file("/dev/no-such-gpiochip"))
