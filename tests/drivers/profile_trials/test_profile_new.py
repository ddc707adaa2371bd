"""`switchwalk profile new`: what is asked, what is tried meanwhile, and what becomes of wrong answers."""

import io
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from drivers.profile import KINDS, parse_profile, profile_values
from drivers.safe_end import Off
from harness.errors import JobError, UsageError
from harness.session.profile_trials.answers import (
    AnswerRefused,
    ProfileAnswers,
    flat,
    keys_of_kind,
    read_answer,
)
from harness.session.profile_trials.interview import Interview
from harness.session.profile_trials.questions import QUESTIONS
from tests.cli.commands import Printed, switchwalk
from tests.drivers.board_zoo.generators import RmsGenerator
from tests.drivers.board_zoo.supplies import LetteredSupply
from tests.drivers.own_profiles import profile
from tests.drivers.peers import peer
from tests.drivers.profile_trials.cabled import CabledGenerator, cabled
from tests.drivers.serial_boards import TextBoard, port
from tests.drivers.zoo.scope import Action
from tests.drivers.zoo.scope_dialects import SingleQueries

NOT_ASKED = {"timeout_s"}
"""Nobody finds it in a manual; what waits too short says so."""


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


class Typist:
    """Answers by key, each list one after the other and then Enter; and notes what is said."""

    def __init__(self, answers: dict[str, Any], *, can_correct: bool = True) -> None:
        self.can_correct = can_correct
        self.asked: list[str] = []
        self.shown: list[str] = []
        self.said: list[str] = []
        self._answers = {
            key: list(value) if isinstance(value, list) else [value] for key, value in answers.items()
        }

    def ask(self, words: str) -> str:
        key = words.partition(":")[0]
        self.asked.append(key)
        self.shown.append(words)
        rest = self._answers.get(key, [])
        return str(rest.pop(0)) if rest else ""

    def say(self, text: str) -> None:
        self.said.append(text)


def held(
    kind: str, address: str, person: Typist, *, like: str | None = None, offs: dict[str, Off] | None = None
) -> ProfileAnswers:
    answers = ProfileAnswers(Path("mine.unfinished.toml"), kind)
    values = dict(flat(profile_values(like, folder=Path.cwd()))) if like else {}
    interview = Interview(answers, person, address=address, like=values, transcript=None)
    try:
        interview.hold({} if offs is None else offs)
    finally:
        interview.close()
    return answers


@pytest.mark.parametrize("kind", KINDS)
def test_every_key_is_asked_for_that_an_instrument_of_the_kind_uses(kind: str) -> None:
    common = set(keys_of_kind("hand-supply")) - {"voltage_max_v", "current_max_a"}
    asked = [question.key for question in QUESTIONS[kind]]
    assert len(asked) == len(set(asked))
    assert set(keys_of_kind(kind)) - common - NOT_ASKED <= set(asked) <= set(keys_of_kind(kind))


SCOPE = {
    "identity_fields": "4",
    "error_query": '""',
    "inputs": "4",
    "divisions": "8",
    "time_divisions": "10",
    "input_impedance_ohm": "1e6",
    "input_capacitance_f": "18e-12",
    "volts_per_division_v": "0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0",
    "seconds_per_division_s": "1e-3, 2e-3, 5e-3, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0",
    "record_length_max": "14000",
    "commands.display_on": "C{n}:TRA ON",
    "commands.display_off": "C{n}:TRA OFF",
    "commands.coupling_dc": "C{n}:CPL D1M",
    "commands.probe": "C{n}:ATTN {x}",
    "commands.scale": "C{n}:VDIV {v_per_div}",
    "commands.offset": "C{n}:OFST {minus_v}",
    "commands.timebase_scale": "TDIV {s_per_div}",
    "commands.trigger_source": "TRSE EDGE,SR,C{n}",
    "commands.trigger_auto": "TRMD AUTO",
    "commands.single": "TRMD SINGLE",
    "commands.complete_query": "SAST?",
    "complete_answer": "SAST Stop",
    "sample_bits": "8",
    "sample_signed": "y",
    "block_prefix": "DAT2,",
    "first_sample": "0",
    "points_per_read": "5000",
    "commands.stop": "STOP",
    "commands.window_start": "WFSU SP,1,NP,{count},FP,{start}",
    "commands.data_query": "C{n}:WF? DAT2",
    "scaling.formula": "(raw - reference) * scale - origin",
    "scaling.scale": "C{n}:VDIV?",
    "scaling.codes_per_division": "25",
    "scaling.origin": "C{n}:OFST?",
    "scaling.points": "SANU? C{n}",
    "scaling.rate_hz": "SARA?",
}


def test_a_scopes_profile_from_its_manual_is_the_one_that_is_shipped() -> None:
    with cabled(SingleQueries()) as made:
        person = Typist(SCOPE)
        answers = held("oscilloscope", made.of_scope.address, person)
        assert made.scope.unknown == []
    result = parse_profile(answers.text(), "mine.toml")
    shipped: Any = profile("single-query-oscilloscope")
    changes = {"description": "", "seconds_per_division_s": shipped.seconds_per_division_s[9:19]}
    commands = shipped.commands.model_copy(update={"timebase_position": None})
    assert result.model_dump() == shipped.model_copy(update=changes | {"commands": commands}).model_dump()
    assert "'C1:VDIV?' answers 'C1:VDIV 100.00mV'" in person.said
    assert "expects: what it must report of its own format, such as label BYT_NR = 1 [none]: " in person.shown
    beside_the_point = {
        "complete_after_s",
        "byte_order",
        "text_in_block",
        "commands.trigger_force",
        "reset_s",
    }
    assert not beside_the_point & set(person.asked)
    assert any(re.fullmatch(r"'SAST\?' answers .*Stop'.*", each) for each in person.said)


class WithoutClear(SingleQueries):
    """It reports errors and does not know *CLS, which is IEEE 488.2's and no SCPI word."""

    def common(self) -> dict[str, Action]:
        return {text: act for text, act in super().common().items() if text != "*CLS"}


def test_nothing_but_what_was_answered_is_sent_to_a_scope_that_reports_errors() -> None:
    with cabled(WithoutClear()) as made:
        person = Typist(SCOPE | {"error_query": ""})
        held("oscilloscope", made.of_scope.address, person)
        assert made.scope.unknown == []
    assert [said for said in person.said if said.startswith("NOT OK")] == []


AGAIN = "a key to answer again, such as scaling.points; Enter stops"


def test_answers_that_contradict_each_other_are_asked_for_again() -> None:
    """A record that is read in pieces has to say how long it is."""
    with cabled(SingleQueries()) as made:
        person = Typist(
            SCOPE | {"scaling.points": ["", "SANU? C{n}"], AGAIN: ["scaling.point", "scaling.points"]}
        )
        answers = held("oscilloscope", made.of_scope.address, person)
        assert answers.values["scaling.points"] == "SANU? C{n}"
        told = [said for said in person.said if "NOT OK" in said or "no key" in said]
        assert "found points_per_read without scaling.points" in told[0]
        assert told[1] == "scaling.point is no key of this kind; did you mean scaling.points?"
        answers.drop("scaling.points")
        for person in (Typist({}, can_correct=False), Typist({})):
            with pytest.raises(JobError, match=r"points_per_read without scaling\.points"):
                held("oscilloscope", made.of_scope.address, person)
        assert person.asked[-1] == AGAIN


def test_what_is_tried_on_a_generator_is_small_and_off_again() -> None:
    generator = CabledGenerator()
    person = Typist({})
    offs: dict[str, Off] = {}
    with peer(generator.script) as served:
        answers = held("generator", served.address, person, like="rms-generator", offs=offs)
        assert generator.on == {1: False, 2: False}
        assert 0.0 < generator.loud <= 0.1001
        assert "generator" in offs
    assert parse_profile(answers.text(), "x").model_dump() == profile("rms-generator").model_dump()
    assert "'C1:OUTP ON': sent; it says that it is on; switched off again" in person.said
    assert "'C1:AMPL?' answers ' 35.360 mvrms'" in person.said


def test_a_command_that_fails_is_asked_for_again_and_may_be_kept_all_the_same() -> None:
    generator = RmsGenerator()
    generator.deaf_above_vrms = 0.01  # it clamps silently, so that the level reads back otherwise
    person = Typist({"commands.frequency_query": ["C{n}:FREK?", "C{n}:FREQ?"], "outputs": ["two", "2"]})
    with peer(generator.script) as served:
        answers = held("generator", served.address, person, like="rms-generator")
    assert answers.values["commands.frequency_query"] == "C{n}:FREQ?"
    assert answers.values["commands.amplitude_query"] == "C{n}:AMPL?"
    assert (
        person.asked.count("commands.frequency_query") == person.asked.count("commands.amplitude_query") == 2
    )
    assert any("found 'two'; expected a whole number" in each for each in person.said)
    assert any("was set to 0.0353553 and reads back 0.01" in each for each in person.said)


def test_a_connection_that_does_not_answer_is_asked_for_again() -> None:
    with cabled(SingleQueries()) as made:
        person = Typist(SCOPE | {"identity_fields": ["3", "4"], "error_query": ['""', '""']})
        held("oscilloscope", made.of_scope.address, person)
    assert person.asked.count("identity_fields") == 2
    assert any("3 fields by `identity_fields`" in each for each in person.said)


def test_answers_are_kept_and_only_what_is_missing_is_asked_for_then() -> None:
    first = Typist({"commands.offset": "C{n}:OFFS?", "commands.phase": "C{n}"}, can_correct=False)
    second = Typist({})
    with peer(CabledGenerator().script) as served:
        with pytest.raises(UsageError, match=r"commands.offset: expected a command with \{n\}, \{v\}"):
            held("generator", served.address, first, like="rms-generator")
        answers = held("generator", served.address, second, like="rms-generator")
    assert second.asked == [
        "commands.offset",
        "commands.phase",
        "commands.silence",
        "commands.sync_source",
        "commands.output_on",
    ]
    assert parse_profile(answers.text(), "x").model_dump() == profile("rms-generator").model_dump()


def piped(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, lines: list[str], *arguments: str
) -> Printed:
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
    return switchwalk(capsys, "profile", "new", *arguments)


BOARD = [
    "a box of relays", "", "", "", "", "", "", "", "CR LF", "", "", "OK", "n", "", "",
    "16", "1", "ALL OFF", "OFF {n}", "ON {n}", "", "STATE?", "hexadecimal", "",
]  # fmt: skip


def test_piped_answers_make_a_profile_that_is_then_checked(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with port() as line:
        board = TextBoard(line.say)
        line.run(board.hear)
        printed = piped(
            capsys, monkeypatch, BOARD, "text-switchboard", "--name", "box", "--address", line.path,
            "--transcript", "wires.txt",
        )  # fmt: skip
        assert board.closed == set()
    assert printed.code == 0, printed.out + printed.err
    result = parse_profile(Path("box.toml").read_text(encoding="utf-8"), "box.toml")
    shipped = profile("text-switchboard").model_copy(update={"description": "a box of relays"})
    assert result.model_dump() == shipped.model_dump()
    assert "box.toml is written" in printed.out
    assert "no relay may be energised now" in " ".join(printed.out.split())
    assert "STATE?" in Path("wires.txt").read_text(encoding="utf-8")
    assert not Path("box.unfinished.toml").exists()


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        ([*BOARD[:15], "many"], "the answer to channels: found 'many'; expected a whole number"),
        ([*BOARD[:17], "ALL OFF", "OFF"], "the answer to commands.open: expected a command with {n}"),
        ([*BOARD[:17], "ALL SHUT"], "expected 'OK', found 'ERROR'"),
        (BOARD[:18], "stopped: standard input has ended"),
    ],
)
def test_wrong_piped_answers_are_refused_in_words_and_those_before_are_kept(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, lines: list[str], message: str
) -> None:
    with port() as line:
        board = TextBoard(line.say)
        line.run(board.hear)
        arguments = ("text-switchboard", "--name", "box", "--address", line.path)
        printed = piped(capsys, monkeypatch, lines, *arguments)
        assert printed.code in (2, 4)
        assert message in printed.err
        assert "box.unfinished.toml keeps" in printed.err
        again = piped(capsys, monkeypatch, BOARD, *arguments)
        assert again.code == 2
        assert "has answers of before" in again.err
    assert 'description = "a box of relays"' in Path("box.unfinished.toml").read_text(encoding="utf-8")
    assert not Path("box.toml").exists()


@pytest.mark.parametrize(
    ("key", "text", "message"),
    [
        ("echoes", "4", "found '4'; expected y or n"),
        ("volts_per_division_v", "0.1 0.2", "expected numbers with commas between them"),
        ("divisions", "eight", "expected a whole number"),
    ],
)
def test_a_wrong_answer_is_told_in_the_words_of_its_question(key: str, text: str, message: str) -> None:
    with pytest.raises(AnswerRefused, match=message):
        read_answer("oscilloscope", key, text)


def test_a_dash_says_that_there_is_no_error_queue() -> None:
    """Of any other key it leaves the key out; of this one that would be a question for a queue."""
    assert read_answer("oscilloscope", "error_query", "-") == ""
    with cabled(SingleQueries()) as bench:
        person = Typist({"error_query": "-"})
        answers = held("generator", bench.of_generator.address, person, like="rms-generator")
    assert answers.values["error_query"] == ""
    assert "error_query" not in answers.left_out


def test_help_names_every_kind_and_no_other(capsys: pytest.CaptureFixture[str]) -> None:
    printed = " ".join(switchwalk(capsys, "profile", "new", "--help").out.split())
    assert f"KIND Of the instrument: {', '.join(KINDS)}." in printed.replace("- ", "-")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["oscillascope", "--name", "x", "--address", "COM1"], "did you mean oscilloscope?"),
        (["supply", "--name", "../x", "--address", "COM1"], "expected a plain name"),
        (["supply", "--name", "there", "--address", "COM1"], "is there already, and is not overwritten"),
        (["supply", "--name", "x"], "--address is missing"),
        (["supply", "--name", "x", "--address", "COM1", "--like", "nothing"], "no profile 'nothing'"),
        (
            ["supply", "--name", "x", "--address", "COM1", "--like", "scpi-generator"],
            "--like scpi-generator: is for a generator; expected one for a supply",
        ),
        (
            ["supply", "--name", "x", "--address", "COM1", "--beside", "scpi-generator=COM2"],
            "only a generator and an oscilloscope see each other",
        ),
        (
            ["generator", "--name", "x", "--address", "COM1", "--beside", "preamble-oscilloscope=COM1"],
            "has the address of x",
        ),
    ],
)
def test_what_cannot_be_begun_is_refused(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    message: str,
) -> None:
    Path("there.toml").write_text("mine", encoding="utf-8")
    printed = piped(capsys, monkeypatch, [], *arguments)
    assert printed.code == 2
    assert message in printed.err
    assert Path("there.toml").read_text(encoding="utf-8") == "mine"


def test_a_supply_that_hands_switch_is_only_asked_for(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    printed = piped(capsys, monkeypatch, ["grey", "30", "3"], "hand-supply", "--name", "grey")
    assert printed.code == 0, printed.err
    assert parse_profile(Path("grey.toml").read_text(encoding="utf-8"), "grey.toml").role == "supply"


@contextmanager
def terminal(*arguments: str) -> Iterator[tuple[int, subprocess.Popen[bytes]]]:
    """The command in a terminal of its own."""
    master, slave = pty.openpty()
    command = [sys.executable, "-m", "harness.cli", "profile", "new", *arguments]
    root = Path(__file__).resolve().parents[3]
    process = subprocess.Popen(
        command, stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
        env=os.environ | {"PYTHONPATH": str(root)},
    )  # fmt: skip
    os.close(slave)
    try:
        yield master, process
    finally:
        process.kill()
        process.wait()
        os.close(master)


def seen(master: int, text: str, within_s: float = 20.0) -> str:
    """What the terminal shows until a text."""
    shown, deadline = "", time.monotonic() + within_s
    while text not in shown:
        ready, _, _ = select.select([master], [], [], max(0.0, deadline - time.monotonic()))
        if not ready:
            raise TimeoutError(shown)
        try:
            shown += os.read(master, 4096).decode("utf-8", "replace")
        except OSError:
            return shown
    return shown


def test_ctrl_c_leaves_a_supply_off_and_keeps_what_was_answered() -> None:
    with port() as line:
        supply = LetteredSupply(line.say)
        line.run(supply.hear)
        arguments = ("supply", "--name", "mine", "--address", line.path, "--like", "eight-bits")
        text = (Path(__file__).resolve().parents[3] / "drivers/profiles/lettered-supply.toml").read_text()
        for old, new in (
            ("data_bits = 7", "data_bits = 8"),
            ('"even"', '"none"'),
            ("stop_bits = 2", "stop_bits = 1"),
        ):
            text = text.replace(old, new)
        Path("eight-bits.toml").write_text(text, encoding="utf-8")
        with terminal(*arguments) as (master, process):
            shown = ""
            while "output_query:" not in shown:
                shown = seen(master, "]: ")
                if "output_query:" not in shown:
                    os.write(master, b"\n")
            supply.on = True  # somebody at its front panel
            process.send_signal(signal.SIGINT)
            assert "the same command goes on from there" in seen(master, "stopped by")
            assert process.wait(10.0) == 4
        assert not supply.on
    kept = Path("mine.unfinished.toml").read_text(encoding="utf-8")
    assert 'output_off = "SWITCH 0"' in kept
