"""Serial numbers: where they come from."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from harness.errors import UsageError
from harness.workbench.serial import serial_mistake

if TYPE_CHECKING:
    from harness.descriptions.sequence import Sequence


def read_serials(path: Path, sequence: "Sequence") -> list[str]:
    """Read serial numbers, a line each; empty lines and those that begin with # are left out.

    Raises UsageError with every line that cannot be one, or that stands there before.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or error
        raise UsageError(f"{path}: the serial numbers cannot be read: {why}") from error
    found: dict[str, int] = {}
    mistakes: list[str] = []
    for number, line in enumerate(text.splitlines(), start=1):
        serial = line.strip()
        if not serial or serial.startswith("#"):
            continue
        wrong = serial_mistake(serial, sequence)
        if serial in found:
            wrong = f"stands in line {found[serial]} too; expected every serial number once"
        if wrong:
            mistakes.append(f"{path}:{number}: serial {serial!r}: {wrong}")
        found.setdefault(serial, number)
    if not found:
        mistakes.append(f"{path}: no serial number is in it; expected a line each")
    if mistakes:
        raise UsageError("\n".join(mistakes))
    return list(found)


def asked_serials(sequence: "Sequence", *, quiet: bool) -> Iterator[str]:
    """Ask for one serial number after another, from a keyboard or a scanner, until an empty line or the end.

    quiet: the prompt goes to standard error, so that standard output is left to data.
    """
    while True:
        typer.echo("Unit in the fixture? Its serial (empty ends): ", nl=False, err=quiet)
        sys.stdout.flush()
        line = sys.stdin.readline()
        if not sys.stdin.isatty():
            typer.echo("", err=quiet)
        serial = line.strip()
        if not serial:
            return
        wrong = serial_mistake(serial, sequence)
        if wrong:
            typer.echo(f"{serial!r}: {wrong}", err=True)
            continue
        yield serial


def ask(question: str) -> str:
    """Ask a person something on the terminal; the answer without spaces around it, "" at the end of input."""
    typer.echo(question, nl=False, err=True)
    sys.stderr.flush()
    return sys.stdin.readline().strip()
