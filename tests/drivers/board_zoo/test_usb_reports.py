"""Relays that take USB reports: this kernel offers no device of its own, so hidapi's module is stood in for.

The stand-in has what hidapi says of `hid.device`: open(vendor, product, serial) raises OSError, a device that
is not open ValueError. send_feature_report and write return how many bytes were sent, or -1;
get_feature_report returns a list that begins with the report's id.
"""

from collections.abc import Callable
from typing import Any

import pytest

from drivers.boards.library_switchboards import HidSwitchboard
from harness.bench_file import SwitchboardFile
from harness.errors import BenchError, JobError, LinkLost
from tests.drivers.own_profiles import profile

ADDRESS = "hid://16c0:05df/ZOO1"
OUTPUT = {
    'report = "feature"\nreport_length = 8': 'report = "output"\nreport_id = 3\nreport_length = 4',
    "state_report_id = 1\nstate_byte = 7\n": "",
    "channels = 8": "channels = 12",
    'close = "FF {n}"\nopen = "FD {n}"\nopen_all = "FC"': 'set_all = "A5 {mask}"',
}


class Board:
    """Eight relays that take `FF n`, `FD n` and `FC` in feature reports, or twelve by `A5` and two bytes.

    moved: is called when one of them may have moved.
    """

    def __init__(self, moved: Callable[[], None] = lambda: None) -> None:
        self.moved = moved
        self.closed = {5}
        self.reports: list[bytes] = []
        self.dead: set[int] = set()
        self.gone = self.deaf = False
        self.short = False

    def device(self) -> "Handle":
        return Handle(self)


class Handle:
    def __init__(self, board: Board) -> None:
        self._board = board
        self._is_open = False

    def open(self, vendor: int, product: int, serial: str | None) -> None:
        if self._board.gone or (vendor, product, serial) != (0x16C0, 0x05DF, "ZOO1"):
            raise OSError("open failed")
        self._is_open = True

    def close(self) -> None:
        self._is_open = False

    def _there(self) -> None:
        if not self._is_open:
            raise ValueError("not open")
        if self._board.gone:
            raise OSError("send feature report error")

    def send_feature_report(self, data: bytes) -> int:
        self._there()
        self._board.reports.append(data)
        if self._board.deaf:
            return -1
        assert data[0] == 0
        assert len(data) == 9
        if data[1] == 0xFF:
            self._board.closed |= {data[2]} - self._board.dead
        elif data[1] == 0xFD:
            self._board.closed.discard(data[2])
        elif data[1] == 0xFC:
            self._board.closed.clear()
        self._board.moved()
        return len(data)

    def write(self, data: bytes) -> int:
        self._there()
        self._board.reports.append(data)
        mask = int.from_bytes(data[2:4], "little")
        self._board.closed = {n for n in range(1, 13) if mask >> n - 1 & 1}
        return len(data)

    def get_feature_report(self, number: int, most: int) -> list[int]:
        self._there()
        assert (number, most) == (1, 9)
        mask = sum(1 << n - 1 for n in self._board.closed)
        return [1, *b"ZOO1\0\0\0", mask][: 4 if self._board.short else 9]


def opened(board: Board, changes: dict[str, str] | None = None, address: str = ADDRESS) -> HidSwitchboard:
    module: Any = board
    file = SwitchboardFile(address=address, profile="own", settle_s=0.0)
    return HidSwitchboard(profile("hid-switchboard", changes), file, module=module)


def test_exactly_the_channels_asked_for_are_closed_and_read_back() -> None:
    board = Board()
    driver = opened(board)
    assert board.closed == set()
    for wanted in ({1}, {1, 3, 8}, {2, 3}, set[int]()):
        driver.set(frozenset(wanted))
        assert board.closed == wanted
    assert driver.reads_back


def test_a_board_without_feature_reports_takes_a_bit_for_each_relay() -> None:
    board = Board()
    driver = opened(board, OUTPUT)
    assert board.reports == [bytes([3, 0xA5, 0, 0, 0])]
    driver.set(frozenset({1, 12}))
    assert board.closed == {1, 12}
    assert board.reports[-1] == bytes([3, 0xA5, 0x01, 0x08, 0])
    driver.set(frozenset({12}))
    assert board.closed == {12}
    assert not driver.reads_back


def test_a_relay_that_stays_open_is_named() -> None:
    board = Board()
    board.dead = {7}
    with pytest.raises(BenchError, match=r"channels 2, 7 were to be closed.*it reads back 2 as closed"):
        opened(board).set(frozenset({2, 7}))


def test_an_unplugged_board_is_noticed_and_off_works_when_it_is_back() -> None:
    board = Board()
    driver = opened(board)
    driver.set(frozenset({1}))
    board.gone = True
    with pytest.raises(LinkLost, match="switchboard at hid://16c0:05df/ZOO1: the board is gone"):
        driver.set(frozenset({2}))
    with pytest.raises(LinkLost, match="cannot be opened: open failed"):
        driver.off()
    board.gone = False
    driver.off()
    assert board.closed == set()
    driver.close()
    with pytest.raises(LinkLost, match="it is not open"):
        driver.set(frozenset({1}))


@pytest.mark.parametrize(("trouble", "message"), [("deaf", "it takes no report"), ("short", "has 4 bytes")])
def test_a_report_that_fails_is_told(trouble: str, message: str) -> None:
    board = Board()
    setattr(board, trouble, True)
    with pytest.raises(LinkLost, match=message):
        opened(board)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({'"FF {n}"': '"FF"'}, r"commands.close: expected bytes such as FF 01 in hexadecimal with \{n\}"),
        ({'"FC"': '"FCA"'}, "commands.open_all: expected bytes such as FF 01"),
        ({'open = "FD {n}"\n': ""}, "expected the commands close and open, or set_all"),
        ({"report_length = 8": "report_length = 1"}, "commands.close: found 2 bytes; report_length is 1"),
        ({"state_byte = 7": "state_byte = 8"}, "state_byte: found 8; report_length is 8"),
    ],
)
def test_reports_that_cannot_be_are_mistakes_of_the_profile(changes: dict[str, str], message: str) -> None:
    with pytest.raises(JobError, match=message):
        profile("hid-switchboard", changes)


def test_another_address_is_refused_in_words() -> None:
    with pytest.raises(LinkLost, match="expected an address such as hid://16c0:05df"):
        opened(Board(), address="/dev/hidraw0")
