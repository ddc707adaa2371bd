"""Switchboards of every kind for the drivers' tests, each with the board behind it."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from drivers.boards.library_switchboards import GpioSwitchboard
from drivers.boards.modbus_switchboard import ModbusSwitchboard
from drivers.boards.switchboard import Channels, RouteSwitchboard, TextSwitchboard
from drivers.serial_wire import open_serial
from drivers.session import Session
from harness.bench_file import AS_THE_PROFILE, SwitchboardFile
from tests.drivers.own_profiles import profile
from tests.drivers.peers import Connection, peer
from tests.drivers.serial_boards import ModbusBoard, Port, TextBoard, port
from tests.drivers.strict_instruments import Switch


def board_file(address: str) -> SwitchboardFile:
    """A board of this address, which acts at once."""
    return SwitchboardFile(address=address, profile="own", settle_s=0.0)


def serial_session(address: str, kind: str, timeout_s: float = 0.3) -> Session:
    """A session in the dialect of a shipped profile."""
    return Session(
        address,
        instrument="switchboard",
        timeout_s=timeout_s,
        dialect=profile(kind).dialect(AS_THE_PROFILE),
        connect=lambda: open_serial(address),
    )


@dataclass
class Rig:
    """A driver, what the board behind it really has closed, and a way to make channel 7 fail to close."""

    driver: Channels
    closed: Callable[[], set[int]]
    kill_seven: Callable[[], None]


@contextmanager
def route_rig() -> Iterator[Rig]:
    board = Switch()
    with peer(board.script) as served:
        session = Session(served.address, instrument="switchboard", timeout_s=0.3)
        session.start()
        driver = RouteSwitchboard(session, profile("route-switchboard"), board_file(session.address))
        yield Rig(driver, lambda: board.closed, lambda: board.dead.add(7))
        session.close()


@contextmanager
def text_board(
    address: Callable[[str], str] = str,
) -> Iterator[tuple[Port, TextBoard, TextSwitchboard]]:
    """A board on a line, and its driver."""
    with port() as line:
        board = TextBoard(line.say)
        line.run(board.hear)
        session = serial_session(address(line.path), "text-switchboard")
        yield (
            line,
            board,
            TextSwitchboard(session, profile("text-switchboard"), board_file(session.address)),
        )
        session.close()


@contextmanager
def text_rig(address: Callable[[str], str] = str) -> Iterator[Rig]:
    with text_board(address) as (_, board, driver):
        yield Rig(driver, lambda: board.closed, lambda: board.dead.add(7))


@contextmanager
def text_by_tcp() -> Iterator[Rig]:
    boards: list[TextBoard] = []

    def script(connection: Connection) -> None:
        boards.append(TextBoard(connection.send))
        while True:
            boards[-1].hear(connection.line() + b"\r\n")

    with peer(script) as served:
        session = serial_session(f"socket://127.0.0.1:{served.port}", "text-switchboard")
        driver = TextSwitchboard(session, profile("text-switchboard"), board_file(session.address))
        yield Rig(driver, lambda: boards[-1].closed, lambda: boards[-1].dead.add(7))
        session.close()


@contextmanager
def modbus_rig() -> Iterator[Rig]:
    with port() as line:
        board = ModbusBoard(line.say)
        line.run(board.hear)
        driver = ModbusSwitchboard(
            profile("modbus-switchboard", {"baud_rate = 9600": "baud_rate = 115200"}),
            board_file(f"ASRL{line.path}::INSTR"),
        )
        yield Rig(
            driver, lambda: {n + 1 for n, on in enumerate(board.coils) if on}, lambda: board.dead.add(6)
        )
        driver.close()


def modbus_script(boards: list[ModbusBoard]) -> Callable[[Connection], None]:
    def script(connection: Connection) -> None:
        boards.append(ModbusBoard(connection.send))
        while data := connection.link.recv(4096):
            boards[-1].hear(data)

    return script


@contextmanager
def modbus_by_tcp() -> Iterator[Rig]:
    boards: list[ModbusBoard] = []
    with peer(modbus_script(boards)) as served:
        driver = ModbusSwitchboard(
            profile("modbus-switchboard"), board_file(f"socket://127.0.0.1:{served.port}")
        )
        yield Rig(
            driver,
            lambda: {n + 1 for n, on in enumerate(boards[-1].coils) if on},
            lambda: boards[-1].dead.add(6),
        )
        driver.close()


class FakeGpio:
    """Stands in for the gpiod module: a chip of 32 lines, one process at a time, released lines fall back."""

    class line:
        class Direction:
            OUTPUT = "output"

        class Value:
            ACTIVE, INACTIVE = "active", "inactive"

    @dataclass(frozen=True)
    class LineSettings:
        direction: str
        active_low: bool
        output_value: str

    def __init__(self) -> None:
        self.levels = dict.fromkeys(range(32), "low")
        self.taken: set[int] = set()
        self.dead: set[int] = set()
        self.gone = False

    def request_lines(
        self, chip: str, consumer: str, config: dict[tuple[int, ...], LineSettings]
    ) -> "FakeRequest":
        ((offsets, settings),) = config.items()
        if chip != "/dev/gpiochip0":
            raise FileNotFoundError(2, "No such file or directory", chip)
        if self.taken & set(offsets):
            raise OSError(16, "Device or resource busy")
        self.taken |= set(offsets)
        request = FakeRequest(self, settings.active_low)
        request.set_values(dict.fromkeys(offsets, settings.output_value))
        return request


class FakeRequest:
    def __init__(self, chip: FakeGpio, active_low: bool) -> None:
        self._chip, self._active_low = chip, active_low

    def set_values(self, values: dict[int, str]) -> None:
        if self._chip.gone:
            raise OSError(19, "No such device")
        for offset, value in values.items():
            high = (value == "active") != self._active_low
            self._chip.levels[offset] = "high" if high and offset not in self._chip.dead else "low"

    def get_values(self, offsets: list[int]) -> list[str]:
        if self._chip.gone:
            raise OSError(19, "No such device")
        return [
            "active" if (self._chip.levels[offset] == "high") != self._active_low else "inactive"
            for offset in offsets
        ]

    def release(self) -> None:
        self._chip.taken.clear()


@contextmanager
def gpio_rig() -> Iterator[Rig]:
    chip = FakeGpio()
    driver = GpioSwitchboard(profile("gpio-switchboard"), board_file("/dev/gpiochip0"), module=chip)
    yield Rig(
        driver,
        lambda: {n + 1 for n in range(8) if chip.levels[n] == "high"},
        lambda: chip.dead.add(6),
    )
    driver.close()
