"""A whole run with instruments in other dialects.

A generator of RMS volts that reads back with units, a supply on a line that sends everything back, and the
relays on two boards of Modbus, one with coils and one with registers.

None of them shares code with drivers or simulator; the module's circuit is from its drawing (box.py).
"""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from math import sqrt
from pathlib import Path
from typing import Any

import pytest

from tests.cli.commands import switchwalk
from tests.drivers.board_zoo.generators import RmsGenerator
from tests.drivers.board_zoo.modbus import Table, tcp_board
from tests.drivers.board_zoo.supplies import LetteredSupply
from tests.drivers.own_profiles import profile_text
from tests.drivers.peers import peer
from tests.drivers.serial_boards import port
from tests.foreign.box import Unit
from tests.foreign.instruments import Oscilloscope
from tests.foreign.test_foreign_bench import Ran, expect_hand_made_gains
from tests.foreign.world import World
from tests.jobs import RELAY_CURRENT, check_of, job_in

JOB = Path(__file__).parent / "insert_box"


class WorldGenerator(RmsGenerator):
    """The generator of the zoo with its outputs on the world's leads."""

    def __init__(self, world: World) -> None:
        super().__init__()
        self.world = world

    def obey(self, line: str) -> str | None:
        answer = super().obey(line)
        for n in (1, 2):
            self.world.drive(n, on=self.on[n], frequency_hz=self.hertz[n], peak_v=sqrt(2.0) * self.vrms[n])
        return answer


class WorldSupply(LetteredSupply):
    """The supply of the zoo, feeding the world's module."""

    def __init__(self, say: Callable[[bytes], None], world: World) -> None:
        super().__init__(say)
        self.world = world

    @property
    def volts(self) -> float:
        return self.world.voltage(self.world.now())

    @property
    def amperes(self) -> float:
        return min(self.world.current(self.world.now()), self.limit_a)

    def hear(self, data: bytes) -> None:
        super().hear(data)
        self.world.power(self.set_v if self.on else 0.0)


class Relays(Table):
    """A board's table whose relays are the world's channels from `channel` on."""

    def __init__(self, boards: list["Relays"], world: World, channel: int, **board: Any) -> None:
        super().__init__(8, **board)
        self._boards, self._world, self._channel = boards, world, channel
        boards.append(self)

    @property
    def held(self) -> set[int]:
        return {self._channel + n for n, value in enumerate(self.values.values()) if value}

    def answer(self, pdu: bytes) -> bytes:
        answer = super().answer(pdu)
        self._world.close(frozenset().union(*(board.held for board in self._boards)))
        return answer


BENCH = """\
[bench]
name = "Bench of strangers"

[generator]
address = "{generator}"
profile = "rms-generator"
identity = "^Shed Works,Rms 2"

[oscilloscope]
address = "{scope}"
profile = "preamble-oscilloscope"
probe = "1x"
gain_accuracy = "2 %"

[supply]
address = "{supply}"
profile = "lettered-supply"
wire = {{ baud_rate = 9600, data_bits = 8, parity = "none", stop_bits = 1, timeout = "3 s" }}

[[switchboard]]
address = "{coils}"
profile = "eight-coils"
settle = "5 ms"

[[switchboard]]
address = "{registers}"
profile = "eight-registers"
settle = "5 ms"
"""


@contextmanager
def strangers(unit: Unit, folder: Path) -> Iterator[tuple[Path, Callable[[], bool]]]:
    """A bench file that leads to them, and whether they are all off."""
    world = World(unit, seed=1, speed=20.0)
    scope, generator = Oscilloscope(world), WorldGenerator(world)
    boards: list[Relays] = []
    coils = Relays(boards, world, 1, first=0, functions={1, 5, 15})
    registers = Relays(boards, world, 9, first=100, functions={3, 6}, reads=lambda value: int(value == 256))
    texts = {
        "eight-coils": profile_text("modbus-tcp-switchboard", {"channels = 16": "channels = 8"}),
        "eight-registers": profile_text(
            "modbus-register-switchboard", {"first_register = 1": 'first_register = 100\nframing = "TCP"'}
        ),
    }
    for name, text in texts.items():
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    with (
        port() as line,
        peer(generator.script) as at_generator,
        tcp_board(coils) as first,
        tcp_board(registers) as second,
    ):
        supply = WorldSupply(line.say, world)
        line.run(supply.hear)
        scope.start()
        file = folder / "bench.toml"
        text = BENCH.format(
            generator=at_generator.address,
            scope=scope.address,
            supply=line.path,
            coils=first.address,
            registers=second.address,
        )
        file.write_text(text, encoding="utf-8")
        try:
            yield file, lambda: not (any(generator.on.values()) or supply.on or coils.held or registers.held)
        finally:
            scope.close()
    assert generator.unknown == []


@pytest.mark.parametrize(
    ("unit", "code"), [(Unit(), 0), (Unit(stuck={"K4": "operated"}), 1)], ids=["good", "K4 stuck"]
)
def test_the_verdict_and_the_gains_are_those_of_the_circuit(
    unit: Unit, code: int, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    job = job_in(
        tmp_path / "job",
        check_of("gain", within="0.2 dB", silent_ports_below="-60 dB"),
        check_of("polarity"),
        check_of("crosstalk", frequency="10 kHz", below="-70 dB"),
        RELAY_CURRENT,
        of=JOB,
        states=["idle", "insert", "reverse+pad"],
        settle="10 ms",
    )
    with strangers(unit, tmp_path) as (file, is_safe):
        printed = switchwalk(capsys, "run", str(job), "--serial", "S-1", "--bench", str(file))
        assert printed.code == code, printed.out + printed.err
        assert is_safe()
    record = json.loads(switchwalk(capsys, "show", "1", "--json").out)
    if code == 0:
        ran = Ran(printed=printed, readings=record["readings"], safe=True, errors=[])
        expect_hand_made_gains(ran, unit)
    roles = [each["role"] for each in record["instruments"]]
    assert roles == ["generator", "oscilloscope", "supply", "switchboard 1", "switchboard 2"]
