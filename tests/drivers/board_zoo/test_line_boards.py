"""Boards of lines and frames with the habits of real ones: echoes, numbers from 0, masks, pauses, endings."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from drivers.boards.switchboard import Channels, FrameSwitchboard, RouteSwitchboard, TextSwitchboard
from drivers.command import Command
from drivers.serial_wire import open_serial
from drivers.session import Session
from harness.bench_file import AS_THE_PROFILE
from harness.errors import BadReply, BenchTimeout, JobError
from tests.drivers.board_rigs import board_file
from tests.drivers.board_zoo.lines import EchoFrameBoard, LineBoard, MaskBoard
from tests.drivers.own_profiles import profile
from tests.drivers.peers import peer
from tests.drivers.serial_boards import Port, port
from tests.drivers.strict_instruments import Switch


def on(line: Port, own: Any) -> Session:
    return Session(
        line.path,
        instrument="switchboard",
        timeout_s=0.5,
        dialect=own.dialect(AS_THE_PROFILE),
        connect=lambda: open_serial(line.path),
    )


@contextmanager
def text_board(own: Any, hear: Callable[[Port], Callable[[bytes], None]]) -> Iterator[TextSwitchboard]:
    with port() as line:
        line.run(hear(line))
        session = on(line, own)
        try:
            yield TextSwitchboard(session, own, board_file(line.path))
        finally:
            session.close()


def test_a_board_that_sends_every_line_back_and_counts_from_0() -> None:
    boards: list[LineBoard] = []

    def hear(line: Port) -> Callable[[bytes], None]:
        boards.append(LineBoard(line.say))
        return boards[0].hear

    with text_board(profile("echo-text-switchboard"), hear) as driver:
        assert boards[0].closed == set()
        driver.set(frozenset({1, 8}))
        assert boards[0].closed == {0, 7}
        driver.set(frozenset({8, 3}))
        assert boards[0].closed == {7, 2}
        driver.off()
        assert boards[0].closed == set()
        assert driver.reads_back


def test_a_board_that_should_send_lines_back_and_does_not_names_the_key() -> None:
    with (
        pytest.raises(BadReply, match=r"expected its echo of 'relay read all' \(`echoes = true`"),
        text_board(profile("echo-text-switchboard"), lambda line: LineBoard(line.say, echoes=False).hear),
    ):
        pass


def test_a_board_that_takes_all_relays_in_one_number_and_needs_a_pause() -> None:
    boards: list[MaskBoard] = []

    def hear(line: Port) -> Callable[[bytes], None]:
        boards.append(MaskBoard(line.say))
        return boards[0].hear

    with text_board(profile("mask-text-switchboard"), hear) as driver:
        assert boards[0].closed == set()
        begun_s, before = time.monotonic(), boards[0].lines
        for wanted in ({1, 16}, {2, 16}, {3}, set()):
            driver.set(frozenset(wanted))
            assert boards[0].closed == wanted
        sent = boards[0].lines - before
        assert sent > 8
        assert time.monotonic() - begun_s >= 0.02 * (sent - 1)  # pause_s of the profile


@contextmanager
def frames() -> Iterator[tuple[EchoFrameBoard, Channels]]:
    own = profile("echo-frame-switchboard")
    with port() as line:
        board = EchoFrameBoard(line.say)
        board.hear(b"\xa0\x05")  # cut off in the middle of a frame
        line.run(board.hear)
        session = on(line, own)
        yield board, FrameSwitchboard(session, own, board_file(line.path))
        session.close()


def test_a_frame_board_may_send_each_frame_back() -> None:
    with frames() as (board, driver):
        assert board.closed == set()
        driver.set(frozenset({1, 8}))
        assert board.closed == {1, 8}
        assert not driver.reads_back


def test_a_frame_that_is_not_sent_back_stops_the_board() -> None:
    with frames() as (board, driver):
        board.deaf = True
        with pytest.raises(BenchTimeout, match=r"0 of 4 bytes of the answer arrived"):
            driver.set(frozenset({1}))
        board.deaf = False
        driver.off()
        assert board.closed == set()


def test_a_switch_may_number_its_channels_from_5() -> None:
    board = Switch()
    with peer(board.script) as served:
        session = Session(served.address, instrument="switchboard", timeout_s=0.3)
        session.start()
        own = profile("route-switchboard", {"channels = 16": "channels = 16\nfirst_number = 5"})
        driver = RouteSwitchboard(session, own, board_file(session.address))
        driver.set(frozenset({1, 2}))
        assert board.closed == {5, 6}
        session.close()


def telling(state: str, answer: str) -> tuple[Any, Callable[[Port], Callable[[bytes], None]]]:
    """A profile, and a board that answers its first two questions so, and then says that all is open."""
    own = profile("text-switchboard", {"channels = 16": f'channels = 16\nstate = "{state}"'})
    none_closed = ",".join(["0"] * 16) if state == "list" else "0"
    said = iter([answer, answer, "OK", none_closed])

    def hear(line: Port) -> Callable[[bytes], None]:
        return lambda _: line.say(next(said).encode() + b"\r\n")

    return own, hear


@pytest.mark.parametrize(
    ("state", "answer", "closed"),
    [
        ("hexadecimal", "0x0005", {1, 3}),
        ("hexadecimal", " 8001 ", {1, 16}),
        ("decimal", "5", {1, 3}),
        ("binary", "0000000000000101", {1, 3}),
        ("list", "1,0,1,0,0,0,0,0,0,0,0,0,0,0,0,0", {1, 3}),
        ("list", "1010000000000000", {1, 3}),
    ],
)
def test_the_state_of_a_board_reads_in_the_form_of_its_profile(
    state: str, answer: str, closed: set[int]
) -> None:
    own, hear = telling(state, answer)
    with port() as line:
        line.run(hear(line))
        session = on(line, own)
        driver = TextSwitchboard(session, own, board_file(line.path), look=True)
        assert set(driver.found_closed or ()) == closed
        session.close()


@pytest.mark.parametrize(
    ("state", "answer", "wanted"),
    [
        ("list", "1010", "0 or 1 for each of its channels"),
        ("list", "1,2,1", "0 or 1 for each of its channels"),
        ("binary", "0102", "a mask of its channels as a binary number"),
        ("decimal", "-1", "a mask of its channels as a decimal number"),
        ("hexadecimal", "OK", "a hexadecimal mask of its channels"),
    ],
)
def test_a_state_in_another_form_is_refused(
    state: str, answer: str, wanted: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("drivers.boards.switchboard.BOOT_WITHIN_S", 0.0)
    own, hear = telling(state, answer)
    with pytest.raises(BadReply, match=f"expected {wanted}, found '{answer}'"), text_board(own, hear):
        pass


@pytest.mark.parametrize(
    ("text", "value", "written"),
    [
        ("V{v:05.2f}", 12.0, "V12.00"),
        ("V{v:06.3f}", 5.0, "V05.000"),
        ("V{v:03d}", 120, "V120"),
        ("W{v:04X}", 0xAB, "W00AB"),
        ("W{v:08b}", 5, "W00000101"),
        ("V{v:.3E}", 0.012, "V1.200E-02"),
        ("V{v:d}", 119.99999, "V120"),
    ],
)
def test_a_number_may_have_a_width_of_its_own(text: str, value: float, written: str) -> None:
    assert Command(text)(v=value) == written


def test_a_number_wider_than_its_place_is_refused() -> None:
    with pytest.raises(ValueError, match=r"100\.00 does not fit into the 5 places of \{:05\.2f\}"):
        Command("V{v:05.2f}")(v=100.0)


def test_a_level_is_not_written_in_hexadecimal() -> None:
    with pytest.raises(JobError, match=r"amplitude: expected a number's format such as \{vpp:05\.2f\}"):
        profile("scpi-generator", {"{vpp}": "{vpp:04X}"})


@pytest.mark.parametrize("how", ["05.2g", "s", "!r", "05.2f:x", "", "100d", "c"])
def test_other_formats_of_numbers_are_refused(how: str) -> None:
    with pytest.raises(JobError, match=r"expected (a number's format|a command with)|braces"):
        profile("mask-text-switchboard", {"{mask:04X}": f"{{mask:{how}}}"})


def test_a_text_board_needs_commands_that_switch() -> None:
    with pytest.raises(JobError, match="expected the commands close and open, or set_all"):
        profile("mask-text-switchboard", {'set_all = "W{mask:04X}"\n': ""})
