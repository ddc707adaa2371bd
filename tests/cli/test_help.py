"""Help that helps: every command has an example, and every example is one that the program takes."""

import shlex

import pytest
import typer
from typer.main import get_command

from harness.cli.app import app
from harness.cli.examples import EXAMPLES
from tests.cli.commands import switchwalk

COMMANDS = tuple(get_command(app).commands)  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_shows_its_examples_each_on_a_line_of_its_own(
    capsys: pytest.CaptureFixture[str], name: str
) -> None:
    printed = switchwalk(capsys, name, "--help")
    assert printed.code == 0
    assert max(map(len, printed.out.splitlines())) <= 80
    shown = [line.strip() for line in printed.out.splitlines()]
    for example in EXAMPLES[name]:
        assert example in shown


@pytest.mark.parametrize("example", [each for examples in EXAMPLES.values() for each in examples])
def test_every_example_is_made_of_options_that_there_are(example: str) -> None:
    program, name, *arguments = shlex.split(example)
    assert program == "switchwalk"
    command = get_command(app).commands[name]  # type: ignore[attr-defined]
    with typer.Context(command, info_name=name) as context:
        command.parse_args(context, arguments)  # raises for what it does not take


def test_completion_for_the_shell_in_use_is_on_offer(capsys: pytest.CaptureFixture[str]) -> None:
    assert "--install-completion" in switchwalk(capsys, "--help").out
