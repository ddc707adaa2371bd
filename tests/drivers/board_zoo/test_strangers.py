"""Strangers with awkward habits: what `profile check` says of right profiles and of wrong ones."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
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
from tests.drivers.board_zoo.modbus import Table, tcp_board
from tests.drivers.board_zoo.strangers import (
    COMMA,
    INVERTED_COILS,
    ONE_ANSWER,
    PROMPT,
    CommaSupply,
    Line,
    OneAnswerGenerator,
    PromptBoard,
)
from tests.drivers.peers import peer
from tests.drivers.serial_boards import port


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@contextmanager
def listening(name: str) -> Iterator[tuple[str, Any]]:
    """The stranger at its address."""
    if name == "generator":
        generator = OneAnswerGenerator()
        with peer(generator.script) as served:
            yield served.address, generator
    elif name == "kilohertz":
        plain = PlainKilohertz()
        with peer(plain.script) as served:
            yield served.address, plain
    elif name == "coils":
        table = Table(8, first=0, functions={1, 15}, value=0)  # every relay energised
        with tcp_board(table) as board:
            yield board.address, table
    else:
        with port() as line:
            made: Line = LINES[name](line.say)
            line.run(made.hear)
            yield line.path, made


LINES = {"supply": CommaSupply, "board": PromptBoard, "one line": OneLineSupply}
PROFILES = {
    "generator": ONE_ANSWER,
    "kilohertz": PLAIN_KILOHERTZ,
    "supply": COMMA,
    "one line": ONE_LINE,
    "board": PROMPT,
    "coils": INVERTED_COILS,
}
OFF: dict[str, Callable[[Any], bool]] = {
    "generator": lambda stranger: not any(stranger.on.values()) and not stranger.unknown,
    "kilohertz": lambda stranger: not any(stranger.on.values()) and not stranger.unknown,
    "supply": lambda stranger: not stranger.on,
    "one line": lambda stranger: not stranger.on,
    "board": lambda stranger: stranger.closed == set(),
    "coils": lambda stranger: set(stranger.values.values()) == {1},
}


def checked(capsys: pytest.CaptureFixture[str], name: str, text: str) -> dict[str, Any]:
    Path("mine.toml").write_text(text, encoding="utf-8")
    with listening(name) as (address, stranger):
        printed = switchwalk(capsys, "profile", "check", "mine", "--address", address, "--json")
        result: dict[str, Any] = json.loads(printed.out)
        assert printed.code == (0 if result["ok"] else 4)
        if result["ok"]:
            assert OFF[name](stranger)
    return result


@pytest.mark.parametrize("name", PROFILES)
def test_a_right_profile_agrees_and_leaves_everything_off(
    capsys: pytest.CaptureFixture[str], name: str
) -> None:
    result = checked(capsys, name, PROFILES[name])
    assert result["failed"] == ""
    assert result["ok"]


@pytest.mark.parametrize("name", ["board", "coils"])
def test_relays_the_other_way_round_are_left_to_the_eye_and_the_key_is_named(
    capsys: pytest.CaptureFixture[str], name: str
) -> None:
    Path("mine.toml").write_text(PROFILES[name].replace("active_low = true", ""), encoding="utf-8")
    with listening(name) as (address, _):
        printed = switchwalk(capsys, "profile", "check", "mine", "--address", address)
    assert "no relay may be energised now (if all are, `active_low` is the other way round)" in " ".join(
        printed.out.split()
    )


@pytest.mark.parametrize(
    ("name", "wrong", "key"),
    [
        ("generator", ('on_answer = "ON,LOAD,HZ"\noff_answer = "OFF,LOAD,HZ"', ""), "on_answer"),
        ("generator", ('frequency_digits = "FRQ,([0-9.]+KHZ)"', ""), "a number"),
        ("generator", ("LEVEL,{vrms}", "LEVEL,{vpp}"), "answers in VRMS"),
        ("kilohertz", ("{vpk:milli d}", "{vpk:micro d}"), "reads back"),
        ("kilohertz", ('output_state = "S=(ON|OFF)$"\n', ""), "output_state"),
        ("kilohertz", ('frequency_digits = "F=', 'frequency_digits = "A='), "reads back"),
        ("one line", ('output_state = ";(ON|OFF)$"\n', ""), "output_state"),
        ("one line", ('"V{v_hundredths:04d}"', '"V{v_tenths:04d}"'), "commands.voltage"),
        ("one line", ('answer = "OK"\n', ""), "answer"),
        ("supply", ("decimal_comma = true", ""), "decimal_comma"),
        ("supply", ('on_answer = "bit 6 is 1"', 'on_answer = "bit 0 is 1"'), "reads on"),
        ("supply", ('on_answer = "bit 6 is 1"', ""), "on_answer"),
        ("supply", ('prompt = "> "', ""), "`answer` and `prompt`"),
        ("supply", ("{v:.3f,}", "{v_tenths:.3f,}"), "commands.voltage"),
        ("board", ("echoes = true", ""), "echoes"),
        ("board", ("{mask:02x}", "{mask:03x}"), "reads back 4 as closed"),
        ("coils", ("write_functions = [15]", "write_functions = [5]"), "refuses"),
    ],
)
def test_what_a_wrong_key_does_is_told(
    capsys: pytest.CaptureFixture[str], name: str, wrong: tuple[str, str], key: str
) -> None:
    assert wrong[0] in PROFILES[name]
    result = checked(capsys, name, PROFILES[name].replace(*wrong))
    assert not result["ok"], result
    assert key in result["failed"]
