"""Runs the command line as a person would, in this process, and returns its exit code and what it printed."""

from dataclasses import dataclass

import pytest

from harness.cli.app import main


@dataclass(frozen=True, kw_only=True)
class Printed:
    """What a command left behind."""

    code: int
    out: str
    err: str


def exit_code(*arguments: object) -> int:
    """Run one command; for fixtures that tests share, as what it prints goes where pytest has it go."""
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    return int(ended.value.code or 0)


def switchwalk(capsys: pytest.CaptureFixture[str], *arguments: str) -> Printed:
    """Run one command."""
    capsys.readouterr()
    code = exit_code(*arguments)
    printed = capsys.readouterr()
    return Printed(code=code, out=printed.out, err=printed.err)
