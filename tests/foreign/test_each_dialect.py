"""A whole small run with each shipped dialect that no other run has: the same verdicts, the circuit's gains.

The instruments are those of the zoos, on real lines and sockets, joined by the foreign bench's world. A third
board of each bench is one that a library of the computer drives: it has the relays that put in the plugs and
that operate the module's insert.
"""

import json
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.cli.commands import switchwalk
from tests.drivers.board_zoo.evening_sources import (
    ONE_LINE,
    PLAIN_KILOHERTZ,
    OneLineSupply,
    PlainKilohertz,
)
from tests.drivers.board_zoo.generators import DbmGenerator, FixedGenerator
from tests.drivers.board_zoo.lines import EchoFrameBoard, LineBoard, MaskBoard
from tests.drivers.board_zoo.modbus import RtuBoard, Table
from tests.drivers.board_zoo.supplies import FixedSupply, TenthsSupply
from tests.drivers.peers import Connection, peer
from tests.drivers.serial_boards import port
from tests.drivers.zoo.at_bench import at_bench
from tests.drivers.zoo.evening_scopes import PLAIN_MILLIVOLTS, PlainMillivolts
from tests.drivers.zoo.scope import Habits
from tests.foreign.box import Unit
from tests.foreign.instruments import Oscilloscope
from tests.foreign.library_boards import Moved, OnComputer, lines, pins, reports
from tests.foreign.test_foreign_bench import Ran, expect_hand_made_gains
from tests.foreign.world import World
from tests.jobs import check_of, edit, job_in

JOB = Path(__file__).parent / "insert_box"
Say = Callable[[bytes], None]
Library = Callable[[pytest.MonkeyPatch, Moved], AbstractContextManager[OnComputer]]
THIRD = {3: 3, 6: 14}  # of the third board's relays: the world's channels, instead of those of other boards


@dataclass(frozen=True)
class OnLine:
    """An instrument on a serial line. held: the channels of the world that it closes, of a relay board."""

    profile: str
    make: Callable[[Say], Any]
    held: Callable[[Any], set[int]] = lambda made: set()


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
OWN = {"plain-kilohertz": PLAIN_KILOHERTZ, "one-line": ONE_LINE, "plain-millivolts": PLAIN_MILLIVOLTS}


class Stand:
    """The world with one bench's instruments on it."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.generator: Any = None
        self.supply: Any = None
        self.boards: list[tuple[OnLine, Any]] = []
        self.third: OnComputer | None = None

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
        self.world.close(self.held)

    @property
    def held(self) -> frozenset[int]:
        """The world's channels that are closed."""
        numbered = frozenset().union(*(kind.held(made) for kind, made in self.boards))
        third = self.third.closed() if self.third is not None else set()
        return (numbered - set(THIRD.values())).union(THIRD.get(n, 16 + n) for n in third)

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


@dataclass(frozen=True)
class Kinds:
    """The dialects of one bench: of its generator, supply, boards, the third of them, and scope."""

    generator: str
    supply: OnLine
    boards: tuple[OnLine, ...]
    third: Library
    scope: str = "preamble-oscilloscope"


@contextmanager
def standing(
    unit: Unit, folder: Path, kinds: Kinds, monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[Path, Stand]]:
    """A bench file that leads to them."""
    world = World(unit, seed=1, speed=20.0)
    plain = at_bench(PlainMillivolts(Habits(ending=b"\r\n")))
    stand, scope = Stand(world), (plain if kinds.scope in OWN else Oscilloscope)(world)
    with ExitStack() as undo:
        scope.start()
        undo.callback(scope.close)
        if kinds.generator == "fixed-generator":
            address, stand.generator = stand.on_line(undo, OnLine(kinds.generator, FixedGenerator))
        else:
            made = {"dbm-generator": DbmGenerator, "plain-kilohertz": PlainKilohertz}
            stand.generator = made[kinds.generator]()
            address = stand.on_socket(undo, stand.generator)
        at_supply, stand.supply = stand.on_line(undo, kinds.supply)
        tables = [
            f'[bench]\nname = "Dialects"\n\n[generator]\naddress = "{address}"\n'
            f'profile = "{kinds.generator}"',
            f'[oscilloscope]\naddress = "{scope.address}"\nprofile = "{kinds.scope}"\ngain_accuracy = "2 %"',
            f'[supply]\naddress = "{at_supply}"\nprofile = "{kinds.supply.profile}"',
        ]
        boards: list[tuple[str, str]] = []
        for board in kinds.boards:
            path, one = stand.on_line(undo, board)
            stand.boards.append((board, one))
            boards.append((path, board.profile))
        third = undo.enter_context(kinds.third(monkeypatch, stand.sync))
        stand.third = third
        boards.append((third.address, third.profile))
        tables += [
            f'[[switchboard]]\naddress = "{at}"\nprofile = "{name}"\nsettle = "5 ms"' for at, name in boards
        ]
        for name, text in OWN.items():
            (folder / f"{name}.toml").write_text(text, encoding="utf-8")
        file = folder / "bench.toml"
        file.write_text("\n\n".join(tables) + "\n", encoding="utf-8")
        yield file, stand


@pytest.mark.parametrize(
    "kinds",
    [
        Kinds("fixed-generator", OnLine("fixed-supply", FixedSupply), (MASK,), lines),
        Kinds("dbm-generator", OnLine("tenths-supply", TenthsSupply), (LINES, FRAMES), pins),
        Kinds(
            "plain-kilohertz",
            OnLine("one-line", OneLineSupply),
            (COILS, REGISTERS),
            reports,
            scope="plain-millivolts",
        ),
    ],
    ids=[
        "fixed widths, mask, lines",
        "dBm, tenths, echoes, pins",
        "kilohertz, one line, Modbus RTU, reports",
    ],
)
def test_a_good_unit_passes_with_the_circuits_gains_and_a_dead_relay_fails(
    kinds: Kinds, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
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
    edit(job / "fixture.toml", "insert = 3", "insert = 19")
    edit(job / "fixture.toml", ", 14]", ", 22]", every=True)
    good, dead = Unit(), Unit(stuck={"K1": "released"})
    for serial, unit, code, options in (("D-1", good, 0, []), ("D-2", dead, 1, ["--stop-at-fail"])):
        with standing(unit, tmp_path, kinds, monkeypatch) as (file, stand):
            arguments = ["run", str(job), "--serial", serial, "--bench", str(file), *options]
            printed = switchwalk(capsys, *arguments)
            assert printed.code == code, printed.out + printed.err
            assert not any(stand.generator.on.values())
            assert not stand.supply.on
            assert not stand.held
    readings = json.loads(switchwalk(capsys, "show", "1", "--json").out)["readings"]
    expect_hand_made_gains(Ran(printed=printed, readings=readings, safe=True, errors=[]), good)
