"""Runs the command line as a person would, in this process, and gives what it printed and its exit code."""

import re
import shutil
from dataclasses import dataclass
from pathlib import Path

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


def with_checks_of(job: Path, folder: Path, *quantities: str) -> Path:
    """Copy a job and leave in its sequence only the checks of these quantities, as they stand there."""
    shutil.copytree(job, folder)
    sequence = folder / "sequence.toml"
    head, *checks = re.split(r"(?m)^(?=\[\[check\]\]$)", sequence.read_text(encoding="utf-8"))
    kept = [check for check in checks if any(f'quantity = "{name}"\n' in check for name in quantities)]
    sequence.write_text(head + "".join(kept), encoding="utf-8")
    return folder
