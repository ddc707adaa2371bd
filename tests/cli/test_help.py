"""Help that helps: every command has an example, and every example is one that the program takes."""

import shlex

import pytest
from typer.main import get_command

from harness.cli.app import COMMANDS, CommandEntry, app
from tests.cli.commands import switchwalk


@pytest.mark.parametrize("entry", COMMANDS, ids=lambda entry: entry.name)
def test_every_command_shows_its_examples_each_on_a_line_of_its_own(
    capsys: pytest.CaptureFixture[str], entry: CommandEntry
) -> None:
    printed = switchwalk(capsys, entry.name, "--help")
    assert printed.code == 0
    assert max(map(len, printed.out.splitlines())) <= 80
    shown = [line.strip() for line in printed.out.splitlines()]
    assert entry.examples
    for example in entry.examples:
        assert example in shown


@pytest.mark.parametrize("example", [each for entry in COMMANDS for each in entry.examples])
def test_every_example_is_made_of_options_that_there_are(example: str) -> None:
    program, name, *arguments = shlex.split(example)
    assert program == "switchwalk"
    command = get_command(app).commands[name]  # type: ignore[attr-defined]
    command.make_context(name, arguments)  # raises for what it does not take


def test_the_list_of_commands_says_of_each_in_one_whole_line_what_it_does(
    capsys: pytest.CaptureFixture[str],
) -> None:
    lines = switchwalk(capsys, "--help").out.splitlines()
    assert max(map(len, lines)) <= 80
    listed = [line.split(maxsplit=1) for line in lines[lines.index("Commands:") + 1 :]]
    assert listed == [[entry.name, entry.short_help] for entry in COMMANDS]


def test_a_mistyped_command_is_told_which_ones_are_like_it(capsys: pytest.CaptureFixture[str]) -> None:
    printed = switchwalk(capsys, "serv")
    assert printed.code == 2
    assert "Did you mean 'serve'?" in printed.err


def test_completion_for_the_shell_in_use_is_on_offer(capsys: pytest.CaptureFixture[str]) -> None:
    assert "--install-completion" in switchwalk(capsys, "--help").out
