"""A whole small run with each shipped dialect that no other run has: the same verdicts, the circuit's gains.

The instruments are those of the zoos, on real lines and sockets, joined by the foreign bench's world.
"""

import json
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.cli.commands import switchwalk
from tests.drivers.board_zoo.generators import DbmGenerator, FixedGenerator, RmsGenerator
from tests.drivers.board_zoo.lines import EchoFrameBoard, LineBoard, MaskBoard
from tests.drivers.board_zoo.modbus import RtuBoard, Table
from tests.drivers.board_zoo.supplies import FixedSupply, LetteredSupply, TenthsSupply
from tests.drivers.own_profiles import profile_text
from tests.drivers.peers import Connection, peer
from tests.drivers.serial_boards import port
from tests.foreign.box import Unit
from tests.foreign.instruments import Oscilloscope
from tests.foreign.test_foreign_bench import Ran, expect_hand_made_gains
from tests.foreign.world import World
from tests.jobs import check_of, job_in

JOB = Path(__file__).parent / "insert_box"
Say = Callable[[bytes], None]
EIGHT_BITS = {
    'parity = "even"': 'parity = "none"',
    "data_bits = 7": "data_bits = 8",
    "stop_bits = 2": "stop_bits = 1",
}


@dataclass(frozen=True)
class OnLine:
    """An instrument on a serial line. held: the channels of the world that it closes, of a relay board."""

    profile: str
    make: Callable[[Say], Any]
    held: Callable[[Any], set[int]] = lambda made: set()
    changes: tuple[tuple[str, str], ...] = ()


def coils_of(rtu: RtuBoard, first: int) -> set[int]:
    return {first + n for n, value in enumerate(rtu.table.values.values()) if value}


FRAMES = OnLine("echo-frame-switchboard", EchoFrameBoard, lambda made: {n + 8 for n in made.closed})
LINES = OnLine("echo-text-switchboard", LineBoard, lambda made: {n + 1 for n in made.closed})
MASK = OnLine("mask-text-switchboard", MaskBoard, lambda made: set(made.closed))
COILS = OnLine(
    "modbus-single-switchboard",
    lambda say: RtuBoard(Table(8, first=0, functions={1, 5}, value=1), say),
    lambda made: coils_of(made, 1),
)
REGISTERS = OnLine(
    "modbus-register-switchboard",
    lambda say: RtuBoard(Table(8, first=1, functions={3, 6}, reads=lambda value: int(value == 256)), say),
    lambda made: coils_of(made, 9),
)


class Stand:
    """The world with one bench's instruments on it."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.generator: Any = None
        self.supply: Any = None
        self.boards: list[tuple[OnLine, Any]] = []

    def sync(self) -> None:
        """Let the world be as the instruments are set."""
        if self.generator is not None:
            for n in (1, 2):
                peak_v = self.generator.open_vpp[n] / 2.0
                self.world.drive(
                    n, on=self.generator.on[n], frequency_hz=self.generator.hertz[n], peak_v=peak_v
                )
        if self.supply is not None:
            self.world.power(self.supply.set_v if self.supply.on else 0.0)
            self.supply.drawn_a = self.world.current(self.world.now())
        self.world.close(frozenset().union(*(kind.held(made) for kind, made in self.boards)))

    def on_line(self, undo: ExitStack, kind: OnLine) -> tuple[str, Any]:
        """Put an instrument on a line of its own; its address, and itself."""
        line = undo.enter_context(port())

        def say(data: bytes) -> None:
            self.sync()
            line.say(data)

        def hear(data: bytes) -> None:
            made.hear(data)
            self.sync()

        made = kind.make(say)
        line.run(hear)
        return line.path, made

    def on_socket(self, undo: ExitStack, generator: Any) -> str:
        """Put a generator on a socket."""

        def script(connection: Connection) -> None:
            while True:
                answer = generator.obey(connection.line().decode())
                self.sync()
                if answer is not None:
                    connection.send(answer.encode() + b"\n")

        return undo.enter_context(peer(script)).address


@contextmanager
def standing(
    unit: Unit, folder: Path, generator: str, supply: OnLine, boards: tuple[OnLine, ...]
) -> Iterator[tuple[Path, Stand]]:
    """A bench file that leads to them."""
    world = World(unit, seed=1, speed=20.0)
    stand, scope = Stand(world), Oscilloscope(world)
    with ExitStack() as undo:
        scope.start()
        undo.callback(scope.close)
        if generator == "fixed-generator":
            address, stand.generator = stand.on_line(undo, OnLine(generator, FixedGenerator))
        else:
            stand.generator = {"dbm-generator": DbmGenerator, "rms-generator": RmsGenerator}[generator]()
            address = stand.on_socket(undo, stand.generator)
        at_supply, stand.supply = stand.on_line(undo, supply)
        tables = [
            f'[bench]\nname = "Dialects"\n\n[generator]\naddress = "{address}"\nprofile = "{generator}"',
            f'[oscilloscope]\naddress = "{scope.address}"\nprofile = "preamble-oscilloscope"\n'
            'gain_accuracy = "2 %"',
            f'[supply]\naddress = "{at_supply}"\nprofile = "{supply.profile}"',
        ]
        if supply.changes:
            text = profile_text(supply.profile, dict(supply.changes))
            (folder / f"{supply.profile}.toml").write_text(text, encoding="utf-8")
        for board in boards:
            path, made = stand.on_line(undo, board)
            stand.boards.append((board, made))
            table = f'[[switchboard]]\naddress = "{path}"\nprofile = "{board.profile}"\nsettle = "5 ms"'
            tables.append(table)
        file = folder / "bench.toml"
        file.write_text("\n\n".join(tables) + "\n", encoding="utf-8")
        yield file, stand


@pytest.mark.parametrize(
    ("generator", "supply", "boards"),
    [
        ("fixed-generator", OnLine("fixed-supply", FixedSupply), (MASK,)),
        ("dbm-generator", OnLine("tenths-supply", TenthsSupply), (LINES, FRAMES)),
        (
            "rms-generator",
            OnLine("lettered-supply", LetteredSupply, changes=tuple(EIGHT_BITS.items())),
            (COILS, REGISTERS),
        ),
    ],
    ids=["fixed widths, a mask", "dBm, tenths, echoes", "RMS, letters, Modbus RTU"],
)
def test_a_good_unit_passes_with_the_circuits_gains_and_a_dead_relay_fails(
    generator: str,
    supply: OnLine,
    boards: tuple[OnLine, ...],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    job = job_in(
        tmp_path / "job",
        check_of("gain", within="0.2 dB", silent_ports_below="-60 dB"),
        check_of("polarity"),
        of=JOB,
        states=["idle", "insert"],
        settle="10 ms",
    )
    for number, (unit, code) in enumerate([(Unit(), 0), (Unit(coil_open=frozenset({"K1"})), 1)], start=1):
        with standing(unit, tmp_path, generator, supply, boards) as (file, stand):
            printed = switchwalk(capsys, "run", str(job), "--serial", f"D-{number}", "--bench", str(file))
            assert printed.code == code, printed.out + printed.err
            assert not any(stand.generator.on.values())
            assert not stand.supply.on
            assert not any(kind.held(made) for kind, made in stand.boards)
        if code == 0:
            readings = json.loads(switchwalk(capsys, "show", "1", "--json").out)["readings"]
            expect_hand_made_gains(Ran(printed=printed, readings=readings, safe=True, errors=[]), unit)
