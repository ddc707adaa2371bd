"""Runs the command line as a person would, in this process, and gives what it printed and its exit code."""

from dataclasses import dataclass

import pytest

from harness.cli.app import main


@dataclass(frozen=True, kw_only=True)
class Printed:
    """What a command left behind."""

    code: int
    out: str
    err: str


def switchwalk(capsys: pytest.CaptureFixture[str], *arguments: str) -> Printed:
    """Run one command."""
    capsys.readouterr()
    with pytest.raises(SystemExit) as ended:
        main(list(arguments))
    printed = capsys.readouterr()
    code = ended.value.code
    return Printed(code=0 if code is None else int(code), out=printed.out, err=printed.err)
