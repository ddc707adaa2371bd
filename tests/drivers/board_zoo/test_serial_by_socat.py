"""Relay boards on a serial port that another program makes: socat, between a pseudo-terminal and TCP.

Its terminal is not this project's: it is opened raw by socat's own hand, and vanishes with the connection.
"""

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from drivers.boards.modbus_switchboard import ModbusSwitchboard
from drivers.boards.switchboard import TextSwitchboard
from harness.errors import BenchError
from tests.drivers.board_rigs import board_file, modbus_script, serial_session
from tests.drivers.own_profiles import profile
from tests.drivers.peers import Connection, Peer, Script, peer
from tests.drivers.serial_boards import ModbusBoard, TextBoard


def socat() -> str:
    """Where socat is; without it the test is skipped, but not in CI."""
    program = shutil.which("socat")
    if program is None:
        if os.environ.get("CI"):
            pytest.fail("socat is not installed, and CI must not go without it")
        pytest.skip("socat is not installed (Debian: apt-get install socat)")
    return program


@contextmanager
def serial_port(folder: Path, script: Script) -> Iterator[tuple[Path, Peer]]:
    """The device that socat makes of the board at the peer; both are gone after the block."""
    program, device = socat(), folder / "board"
    with peer(script) as served:
        ends = (f"PTY,link={device},raw,echo=0", f"TCP:127.0.0.1:{served.port},nodelay")
        with subprocess.Popen([program, *ends], stderr=subprocess.PIPE) as process:
            try:
                ends_at = time.monotonic() + 10.0
                while not device.exists():
                    assert process.poll() is None, process.communicate()[1]
                    assert time.monotonic() < ends_at
                    time.sleep(0.01)  # until another program has made a file
                yield device, served
            finally:
                process.terminate()


def test_a_board_of_text_is_set_and_its_loss_is_named(tmp_path: Path) -> None:
    boards: list[TextBoard] = []

    def script(connection: Connection) -> None:
        boards.append(TextBoard(connection.send))
        while True:
            boards[-1].hear(connection.line() + b"\r\n")

    with serial_port(tmp_path, script) as (device, served):
        session = serial_session(str(device), "text-switchboard", timeout_s=1.0)
        board = TextSwitchboard(session, profile("text-switchboard"), board_file(str(device)))
        for wanted in ({1}, {1, 16}, {8}, set[int]()):
            board.set(frozenset(wanted))
            assert boards[0].closed == wanted
        served.drop()
        with pytest.raises(BenchError, match=rf"switchboard at {device}"):
            board.set(frozenset({2}))
        session.close()


def test_a_board_of_modbus_rtu_is_set(tmp_path: Path) -> None:
    boards: list[ModbusBoard] = []
    with serial_port(tmp_path, modbus_script(boards)) as (device, _):
        board = ModbusSwitchboard(
            profile("modbus-switchboard", {"baud_rate = 9600": "baud_rate = 115200"}), board_file(str(device))
        )
        for wanted in ({1}, {1, 16}, {8}, set[int]()):
            board.set(frozenset(wanted))
            assert {n + 1 for n, on in enumerate(boards[0].coils) if on} == wanted
        board.close()
