"""`switchwalk profile check`: what it proves of a profile, what it can't, and which wrong keys it finds."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from drivers.command import Command
from tests.cli.commands import switchwalk
from tests.drivers.board_zoo.supplies import LetteredSupply, TenthsSupply
from tests.drivers.own_profiles import profile_text
from tests.drivers.peers import closed_port
from tests.drivers.profile_trials.cabled import Cabled, cabled
from tests.drivers.serial_boards import TextBoard, port
from tests.drivers.zoo.scope_dialects import SingleQueries, TenFields

EIGHT_BITS = {
    "data_bits = 7": "data_bits = 8",
    'parity = "even"': 'parity = "none"',
    "stop_bits = 2": "stop_bits = 1",
}
"""What a pseudo-terminal can do."""
RMS, SINGLE = "rms-generator", "single-query-oscilloscope"


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def bench() -> Iterator[Cabled]:
    with cabled(SingleQueries()) as made:
        yield made


def checked(capsys: pytest.CaptureFixture[str], name: str, address: str, *more: str) -> dict[str, Any]:
    printed = switchwalk(capsys, "profile", "check", name, "--address", address, *more, "--json")
    result: dict[str, Any] = json.loads(printed.out)
    assert printed.code == (0 if result["ok"] else 4)
    return result


def mine(name: str, changes: dict[str, str]) -> str:
    Path("mine.toml").write_text(profile_text(name, changes), encoding="utf-8")
    return "mine"


def open_keys(result: dict[str, Any]) -> set[str]:
    return {each["key"] for each in result["unproven"]}


def beside_scope(bench: Cabled, name: str = SINGLE) -> tuple[str, str]:
    return "--beside", f"{name}={bench.of_scope.address}"


def test_a_generator_alone_is_read_back_and_what_was_not_seen_is_listed(
    capsys: pytest.CaptureFixture[str], bench: Cabled
) -> None:
    result = checked(capsys, RMS, bench.of_generator.address)
    assert result["failed"] == ""
    open_ = open_keys(result)
    assert {"commands.phase", "commands.function_sine", "amplitude_max_vpp", "commands.amplitude"} <= open_
    assert not open_ & {"commands.output_on", "commands.output_query", "commands.frequency"}
    assert bench.generator.on == {1: False, 2: False}
    assert bench.generator.loud <= 0.1001


def test_beside_a_scope_its_signal_is_seen_and_proves_what_nothing_reads_back(
    capsys: pytest.CaptureFixture[str], bench: Cabled
) -> None:
    result = checked(capsys, RMS, bench.of_generator.address, *beside_scope(bench))
    assert result["failed"] == ""
    assert open_keys(result) == {
        "commands.offset", "output_impedance_ohm", "output_impedance_tolerance", "amplitude_max_vpp",
    }  # fmt: skip
    assert bench.generator.on == {1: False, 2: False}
    assert bench.generator.loud <= 0.1001


def test_a_scope_is_tried_on_every_range_and_beside_a_generator_its_volts_are_proven(
    capsys: pytest.CaptureFixture[str], bench: Cabled
) -> None:
    result = checked(
        capsys, SINGLE, bench.of_scope.address, "--beside", f"{RMS}={bench.of_generator.address}"
    )
    assert result["failed"] == ""
    assert [each["what"] for each in result["trials"]][:4] == [
        "connection",
        "inputs",
        "ranges",
        "longest record",
    ]
    proven = {"commands.scale", "scaling.codes_per_division", "sample_signed", "record_length_max"}
    assert not open_keys(result) & proven
    assert {"input_impedance_ohm", "commands.trigger_source"} <= open_keys(result)


@pytest.mark.parametrize(
    ("changes", "trouble", "named"),
    [
        ({"{vrms:.5f}": "{vpk:.5f}"}, {}, "the unit of commands.amplitude"),
        ({}, {"times": 2.0}, "load_open and matched_load"),
        ({}, {"aligned": False}, "commands.phase"),
        ({}, {"averaged": True}, "or averaging in commands.acquire_type"),
        ({'function_sine = "C{n}:WAVE SINE"': 'function_sine = "C{n}:WAVE DC"'}, {}, "function_sine"),
    ],
)  # fmt: skip
def test_a_generator_whose_signal_is_not_as_set_is_found_by_the_scope(
    capsys: pytest.CaptureFixture[str],
    bench: Cabled,
    changes: dict[str, str],
    trouble: dict[str, Any],
    named: str,
) -> None:
    for name, value in trouble.items():
        setattr(bench.generator, name, value)
    # A unit that is wrong reads back wrong as well, so it is not asked here.
    own = mine(RMS, changes | {'amplitude_query = "C{n}:AMPL?"\n': ""})
    result = checked(capsys, own, bench.of_generator.address, *beside_scope(bench))
    assert named in result["failed"]
    assert result["cause"]
    assert bench.generator.on == {1: False, 2: False}


def test_whatever_breaks_the_generator_is_left_off(capsys: pytest.CaptureFixture[str], bench: Cabled) -> None:
    def break_scope() -> None:
        if bench.scope.heard:
            bench.of_scope.stop_listening()
            bench.of_scope.drop()

    bench.generator.when_on = break_scope
    result = checked(capsys, RMS, bench.of_generator.address, *beside_scope(bench))
    assert "oscilloscope at" in result["failed"]
    assert bench.generator.loud > 0.0
    assert bench.generator.on == {1: False, 2: False}


def test_a_scope_with_a_wrong_scale_is_found_by_the_generators_level(
    capsys: pytest.CaptureFixture[str], bench: Cabled
) -> None:
    own = mine(SINGLE, {"codes_per_division = 25": "codes_per_division = 30"})
    result = checked(capsys, own, bench.of_scope.address, "--beside", f"{RMS}={bench.of_generator.address}")
    assert "0.833 times that" in result["failed"]
    assert "codes_per_division" in result["failed"]


def test_a_command_that_the_instrument_does_not_know_ends_it_with_its_error(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with cabled(TenFields()) as made:
        own = mine("preamble-oscilloscope", {":CHANnel{n}:OFFSet {v}": ":CHANnel{n}:OFSET {v}"})
        result = checked(capsys, own, made.of_scope.address)
    assert "-113" in result["failed"]
    assert ":OFSET" in result["failed"]
    assert "it reports a command that it does not know" in result["trials"][0]["message"]


def test_an_error_queue_that_swallows_everything_proves_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    with cabled(TenFields()) as made:
        made.scope.habits.silent = True
        changes = {
            'trigger_normal = ":TRIGger:SWEep NORMal"\n': "", 'trigger_force = ":TRIGger:FORCe"\n': "",
        }  # fmt: skip
        result = checked(capsys, mine("preamble-oscilloscope", changes), made.of_scope.address)
    assert result["failed"] == ""
    reasons = {each["key"]: each["reason"] for each in result["unproven"]}
    assert "nothing shows that the instrument understood it" in reasons["commands.coupling_dc"]


def test_a_supply_is_measured_at_small_voltages_and_left_off(capsys: pytest.CaptureFixture[str]) -> None:
    with port() as line:
        supply = LetteredSupply(line.say)
        supply.drawn_a = 0.001
        line.run(supply.hear)
        result = checked(capsys, mine("lettered-supply", EIGHT_BITS), line.path)
        assert not supply.on
        assert max(float(each.split()[-1]) for each in supply.heard if each.startswith("SET U")) <= 5.0
    assert result["failed"] == ""
    assert open_keys(result) == {
        "voltage_max_v",
        "current_max_a",
        "commands.current",
        "commands.measure_current",
    }


def test_a_supply_that_something_is_connected_to_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    with port() as line:
        supply = LetteredSupply(line.say)
        line.run(supply.hear)
        result = checked(capsys, mine("lettered-supply", EIGHT_BITS), line.path)
        assert not supply.on
    assert "with nothing connected" in result["failed"]


def test_every_channel_of_a_board_is_closed_alone_and_every_message_can_be_read(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with port() as line:
        board = TextBoard(line.say)
        line.run(board.hear)
        result = checked(capsys, "text-switchboard", line.path, "--transcript", "wires.txt")
        assert board.closed == set()
    assert result["failed"] == ""
    assert open_keys(result) == set()
    lines = [json.loads(each) for each in Path("wires.txt").read_text(encoding="utf-8").splitlines()]
    sent = [each["bytes"] for each in lines if each["direction"] == "out"]
    assert [each.split()[1].removesuffix("\\r\\n") for each in sent if each.startswith("ON ")] == [
        str(n) for n in range(1, 17)
    ]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["hand-supply", "--address", "grey"], "there is nothing to try"),
        (["no-such", "--address", "COM1"], "no profile 'no-such'"),
        (["scpi-supply", "--address", "COM1", "--beside", "scpi-generator=COM2"], "see each other"),
        (
            ["scpi-generator", "--address", "COM1", "--beside", "preamble-oscilloscope=COM1"],
            "expected another",
        ),
        (["scpi-generator", "--address", "COM1", "--beside", "COM2"], "expected PROFILE=ADDRESS"),
        (["scpi-generator", "--address", "TCPIP::1.2.3.4"], "ends in ::SOCKET"),
    ],
)
def test_what_cannot_be_tried_is_refused_in_words(
    capsys: pytest.CaptureFixture[str], arguments: list[str], message: str
) -> None:
    printed = switchwalk(capsys, "profile", "check", *arguments)
    assert printed.code == 2
    assert message in printed.err


def test_nobody_at_the_address_is_told_with_what_to_look_at(capsys: pytest.CaptureFixture[str]) -> None:
    printed = switchwalk(capsys, "profile", "check", RMS, "--address", closed_port())
    assert printed.code == 4
    assert "Likely: the address or the port is another" in " ".join(printed.out.split())
    assert "was NOT tried on the instrument" in printed.out


def test_a_command_that_was_not_sent_is_not_called_understood(
    capsys: pytest.CaptureFixture[str], bench: Cabled
) -> None:
    """A generator alone is never silenced; with a wrong output_query nothing after it is sent."""
    silent = {"[commands]": '[commands]\nsilence = "C{n}:WAVE DC"'}
    result = checked(capsys, mine(RMS, silent), bench.of_generator.address)
    reasons = {each["key"]: each["reason"] for each in result["unproven"]}
    assert reasons["commands.silence"].startswith("not tried: only an oscilloscope beside it")
    assert "the instrument understood it" in reasons["commands.offset"]
    wrong = mine(RMS, {"C{n}:OUTP?": "C{n}:LAMP?"})
    result = checked(capsys, wrong, bench.of_generator.address)
    reasons = {each["key"]: each["reason"] for each in result["unproven"]}
    assert reasons["commands.phase"] == "not tried: the check ended before it"


@pytest.mark.parametrize(
    ("template", "line", "is_it"),
    [
        ("C{n}:OUTP ON", "C2:OUTP ON", True),
        ("C{n}:OUTP ON", "C2:OUTP OFF", False),
        ("VSET{v:05.2f}", "VSET03.00", True),
        ("*CLS", "*CLS", True),
        ("*CLS", "*CLS?", False),
        ("R{n}=1", "R=1", False),
    ],
)
def test_a_line_is_known_by_its_template(template: str, line: str, is_it: bool) -> None:
    assert Command(template).written_as(line) is is_it


def test_a_supply_that_says_ok_to_each_command_shows_that_it_understood(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with port() as line:
        supply = TenthsSupply(line.say)
        supply.drawn_a = 0.001
        line.run(supply.hear)
        result = checked(capsys, "tenths-supply", line.path)
    assert "it answers commands by 'OK'" in result["trials"][0]["message"]
    assert not open_keys(result) & {"terminator", "answer", "answer_after_questions", "baud_rate"}
    reasons = {each["key"]: each["reason"] for each in result["unproven"]}
    assert "with nothing connected" in reasons["commands.current"]
    assert "does not tell its unit" in reasons["commands.measure_current"]
