"""A whole run with strangers whose profiles were written from the documentation alone.

A generator that answers all settings at once, a supply with a decimal comma and a prompt, a board with echo
and prompt, and one of coils; both boards release a relay by a 1.
"""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from math import sqrt
from pathlib import Path

import pytest

from tests.cli.commands import switchwalk
from tests.drivers.board_zoo.modbus import Table, tcp_board
from tests.drivers.board_zoo.strangers import (
    COMMA,
    INVERTED_COILS,
    ONE_ANSWER,
    PROMPT,
    CommaSupply,
    OneAnswerGenerator,
    PromptBoard,
    Say,
)
from tests.drivers.peers import peer
from tests.drivers.serial_boards import port
from tests.foreign.box import Unit
from tests.foreign.instruments import Oscilloscope
from tests.foreign.test_foreign_bench import Ran, expect_hand_made_gains
from tests.foreign.world import World
from tests.jobs import RELAY_CURRENT, check_of, job_in

JOB = Path(__file__).parent / "insert_box"
PROFILES = {"generator": ONE_ANSWER, "supply": COMMA, "prompt": PROMPT, "coils": INVERTED_COILS}


class WorldGenerator(OneAnswerGenerator):
    """The stranger with its outputs on the world's leads."""

    def __init__(self, world: World) -> None:
        super().__init__()
        self.world = world

    def obey(self, line: str) -> str | None:
        answer = super().obey(line)
        for n in (1, 2):
            self.world.drive(n, on=self.on[n], frequency_hz=self.hertz[n], peak_v=sqrt(2.0) * self.vrms[n])
        return answer


class WorldSupply(CommaSupply):
    """The stranger, feeding the world's module."""

    def __init__(self, say: Say, world: World) -> None:
        super().__init__(say)
        self.world = world

    @property
    def volts(self) -> float:
        return self.world.voltage(self.world.now())

    @property
    def amperes(self) -> float:
        return min(self.world.current(self.world.now()), self.limit_a)

    def answer(self, line: str) -> str:
        result = super().answer(line)
        self.world.power(self.set_v if self.on else 0.0)
        return result


class Relays:
    """Both boards' relays, channels 1 to 8 and 9 to 16 of the world."""

    def __init__(self, say: Say, world: World) -> None:
        relays = self

        class Lines(PromptBoard):
            def answer(self, line: str) -> str:
                result = super().answer(line)
                relays.move()
                return result

        class Coils(Table):
            def answer(self, pdu: bytes) -> bytes:
                result = super().answer(pdu)
                relays.move()
                return result

        self._world = world
        self.lines, self.coils = Lines(say), Coils(8, first=0, functions={1, 15}, value=0)

    @property
    def held(self) -> frozenset[int]:
        """The channels that are energised."""
        coils = (n for n, value in enumerate(self.coils.values.values(), start=9) if not value)
        return frozenset(n + 1 for n in self.lines.closed).union(coils)

    def move(self) -> None:
        """Tell the world."""
        self._world.close(self.held)


@contextmanager
def strangers(unit: Unit, folder: Path) -> Iterator[tuple[Path, Callable[[], bool]]]:
    """A bench file that leads to them, and whether they are all off."""
    world = World(unit, seed=1, speed=20.0)
    scope, generator = Oscilloscope(world), WorldGenerator(world)
    for name, text in PROFILES.items():
        (folder / f"my-{name}.toml").write_text(text, encoding="utf-8")
    with port() as supply_line, port() as board_line, peer(generator.script) as served:
        supply, relays = WorldSupply(supply_line.say, world), Relays(board_line.say, world)
        supply_line.run(supply.hear)
        board_line.run(relays.lines.hear)
        scope.start()
        with tcp_board(relays.coils) as coils:
            tables = {
                "bench": 'name = "Bench of strangers"',
                "generator": f'address = "{served.address}"\nprofile = "my-generator"',
                "oscilloscope": f'address = "{scope.address}"\nprofile = "preamble-oscilloscope"\n'
                'gain_accuracy = "2 %"',
                "supply": f'address = "{supply_line.path}"\nprofile = "my-supply"',
                "[switchboard]": f'address = "{board_line.path}"\nprofile = "my-prompt"\nsettle = "5 ms"',
                "[switchboard] ": f'address = "{coils.address}"\nprofile = "my-coils"\nsettle = "5 ms"',
            }
            file = folder / "bench.toml"
            text = "\n\n".join(f"[{table.strip()}]\n{lines}" for table, lines in tables.items())
            file.write_text(text + "\n", encoding="utf-8")
            try:
                yield file, lambda: not (any(generator.on.values()) or supply.on or relays.held)
            finally:
                scope.close()
    assert generator.unknown == []


@pytest.mark.parametrize("board", ["prompt", "coils"])
def test_relays_the_other_way_round_are_not_blamed_on_the_unit(
    board: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The control lines are on the first board; the second has the relays that select setups."""
    monkeypatch.chdir(tmp_path)
    job = job_in(tmp_path / "job", check_of("gain", within="0.2 dB"), RELAY_CURRENT, of=JOB, states=["idle"])
    monkeypatch.setitem(PROFILES, board, PROFILES[board].replace("active_low = true", ""))
    with strangers(Unit(), tmp_path) as (file, _):
        ran = switchwalk(capsys, "run", str(job), "--serial", "S-1", "--bench", str(file))
        looked = switchwalk(capsys, "bench", str(job), "--bench", str(file))
    assert ran.code == 4, ran.out + ran.err
    told = [ran.err, looked.out] if board == "prompt" else [ran.err]
    for said in told:
        assert "look at active_low" in " ".join(said.split()).lower()
    if board == "prompt":
        assert looked.code == 4, looked.out
    else:  # with channel 9 open and all others closed the scope sees a driven input, and so the generator
        assert "the inputs show those of setup 'through reference'" in ran.err
        assert "look at the relays of the switchboard's channels 9, 10, 11, 14" in ran.err
        assert "No single fault of the unit explains this" in ran.err


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
        RELAY_CURRENT,
        of=JOB,
        states=["idle", "insert", "reverse+pad"],
        settle="10 ms",
    )
    with strangers(unit, tmp_path) as (file, is_safe):
        printed = switchwalk(capsys, "run", str(job), "--serial", "S-1", "--bench", str(file))
        assert printed.code == code, printed.out + printed.err
        assert is_safe()
    if code == 0:
        readings = json.loads(switchwalk(capsys, "show", "1", "--json").out)["readings"]
        expect_hand_made_gains(Ran(printed=printed, readings=readings, safe=True, errors=[]), unit)
