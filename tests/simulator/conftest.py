"""A small job of its own, and bare sockets: nothing of the drivers stands between a test and the wire."""

import json
import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.job.job import load_job
from simulator.server import Addresses, Simulator, read_faults
from tests.jobs import insert_switch

SPEED = 20.0


class Line:
    """A bare connection: write a message, read an answer up to its line feed."""

    def __init__(self, address: str) -> None:
        port = int(address.split("::")[2] if "::" in address else address.rsplit(":", 1)[1])
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=10)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._file = self.socket.makefile("rb")

    def write(self, text: str) -> None:
        self.socket.sendall(text.encode() + b"\n")

    def read(self) -> str:
        return self._file.readline().decode().rstrip("\r\n")

    def query(self, text: str) -> str:
        self.write(text)
        return self.read()

    def raw(self, count: int) -> bytes:
        return self._file.read(count)

    def block(self, text: str) -> bytes:
        """A definite-length block, taken apart by the rule of IEEE 488.2 8.7.9, and its line feed."""
        self.write(text)
        assert self.raw(1) == b"#"
        digits = int(self.raw(1))
        data = self.raw(int(self.raw(digits)))
        assert self.raw(1) == b"\n"
        return data

    def errors(self) -> list[int]:
        result = []
        while (answer := self.query("SYSTem:ERRor?")) != '0,"No error"':
            result.append(int(answer.split(",")[0]))
        return result

    def close(self) -> None:
        self._file.close()
        self.socket.close()


class Bench:
    """The four instruments by bare sockets, and the few things that most tests do with them."""

    def __init__(self, simulator: Simulator, open_line: Callable[[str], Line]) -> None:
        self.simulator = simulator
        self.addresses: Addresses = simulator.addresses
        self.generator = open_line(self.addresses.generator)
        self.scope = open_line(self.addresses.oscilloscope)
        self.supply = open_line(self.addresses.supply)
        self.board = open_line(self.addresses.switchboard_tcp)
        self.control = open_line(self.addresses.control)

    def hand(self, **request: object) -> dict[str, object]:
        answer: dict[str, object] = json.loads(self.control.query(json.dumps(request)))
        return answer

    def tones(self, hot_hz: float, cold_hz: float, vpp: float = 2.0) -> None:
        for n, hz in ((1, hot_hz), (2, cold_hz)):
            self.generator.write(f"OUTP{n}:LOAD INF;:SOUR{n}:FREQ {hz};VOLT {vpp};:OUTP{n} ON")
        assert self.generator.errors() == []

    def power(self, volts: float = 12.0) -> None:
        self.supply.write(f"VOLT {volts};CURR 0.2;:OUTP ON")
        assert self.supply.errors() == []

    def close_channels(self, *channels: int) -> None:
        """Close exactly these, and let 20 simulated ms go by."""
        listed = ",".join(str(channel) for channel in channels)
        self.board.write("ROUT:OPEN:ALL" + (f";:ROUT:CLOS (@{listed})" if channels else ""))
        assert self.board.errors() == []
        self.pass_time(0.02)

    def pass_time(self, seconds: float) -> None:
        self.capture(1.0, duration_s=seconds, points=100)

    def capture(self, scale_v: float, duration_s: float = 0.02, points: int = 20_000) -> np.ndarray:
        """Volts of the four inputs, shape (4, points), DC coupled."""
        for n in range(1, 5):
            self.scope.write(f":CHAN{n}:DISP ON;COUP DC;PROB 1;OFFS 0;SCAL {scale_v}")
        self.scope.write(f":TIM:SCAL {duration_s / 10:.9g};POS 0;:ACQ:TYPE NORM;POIN {points}")
        self.scope.write(":TRIG:SWE AUTO;:TRIG:EDGE:SOUR CHAN1;LEV 0;SLOP POS")
        self.scope.write(":SINGle")
        assert self.scope.query("*OPC?") == "1"
        volts = []
        for n in range(1, 5):
            self.scope.write(f":WAV:SOUR CHAN{n};FORM BYTE;POIN {points}")
            fields = [float(field) for field in self.scope.query(":WAV:PRE?").split(",")]
            raw = np.frombuffer(self.scope.block(":WAV:DATA?"), dtype=np.uint8).astype(float)
            volts.append((raw - fields[9]) * fields[7] + fields[8])
        assert self.scope.errors() == []
        return np.array(volts)

    def phasors(
        self, tones_hz: tuple[float, ...], scale_v: float, duration_s: float = 0.02
    ) -> NDArray[np.complex128]:
        """Complex peak volts of each input (row) at each tone (column), whole cycles in the record."""
        volts = self.capture(scale_v, duration_s)
        turns = np.arange(volts.shape[1]) * duration_s / volts.shape[1]
        return np.array([[2 * np.mean(v * np.exp(-2j * np.pi * f * turns)) for f in tones_hz] for v in volts])


@pytest.fixture
def open_line() -> Iterator[Callable[[str], Line]]:
    """Opens bare connections and closes them at the end."""
    with ExitStack() as stack:

        def open_(address: str) -> Line:
            line = Line(address)
            stack.callback(line.close)
            return line

        yield open_


@pytest.fixture(scope="session")
def job_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return insert_switch(tmp_path_factory.mktemp("insert_switch"))


@pytest.fixture
def start(job_folder: Path, open_line: Callable[[str], Line]) -> Iterator[Callable[..., Bench]]:
    """Starts simulators of the small job; `faults` by name, other arguments as `serve` takes them."""
    job = load_job(job_folder)
    with ExitStack() as stack:

        def start_(*, faults: tuple[str, ...] = (), **options: object) -> Bench:
            settings: dict[str, object] = {
                "serial": "S1",
                "speed": SPEED,
                "switchboard": "route",
                **options,
            }
            simulator = Simulator(job, faults=read_faults(faults, job), **settings)  # type: ignore[arg-type]
            stack.callback(simulator.close)
            return Bench(simulator, open_line)

        yield start_


@pytest.fixture
def bench(start: Callable[..., Bench]) -> Bench:
    return start()
