"""Lines that stay readable at eighty columns."""

import os
import sys
import textwrap

import typer

from harness.cli.letters import as_shown

WIDTH = 80


def say(text: str, *, indent: int = 0, hang: int = 2, err: bool = False) -> None:
    """Print a text in lines of at most eighty columns: the first indented, the others by `hang` more.

    err: on standard error, in lines as wide as its terminal; whole where it is none, for a program to read.
    """
    stream = sys.stderr if err else sys.stdout
    width = _columns_of_errors() if err else WIDTH
    shown = as_shown(text, stream.encoding or "utf-8")
    lines = shown.splitlines() if width is None else wrapped(shown, width, indent=indent, hang=hang)
    for line in lines or [""]:
        typer.echo(line, err=err)


def wrapped(text: str, width: int, *, indent: int = 0, hang: int = 2) -> list[str]:
    """A text's lines, none longer than this but for a word that is."""
    lines: list[str] = []
    for line in text.splitlines() or [""]:
        lines += textwrap.wrap(
            line,
            width,
            initial_indent=" " * indent,
            subsequent_indent=" " * (indent + hang),
            break_long_words=False,
            break_on_hyphens=False,
        ) or [""]
    return lines


def fitted(text: str, width: int) -> str:
    """A text that fits one line, its end left out where it is longer."""
    return text if len(text) <= width else f"{text[: max(width - 3, 0)]}..."


def duration(seconds: float) -> str:
    """`45 s` or `3 min 20 s`."""
    whole = round(seconds)
    return f"{whole} s" if whole < 60 else f"{whole // 60} min {whole % 60} s"


def _columns_of_errors() -> int | None:
    """How wide the terminal is that errors go to; None where it is no terminal."""
    if not sys.stderr.isatty():
        return None
    try:
        return int(os.environ.get("COLUMNS", "")) or WIDTH
    except ValueError:
        pass
    try:
        return os.get_terminal_size(sys.stderr.fileno()).columns or WIDTH
    except OSError:
        return WIDTH
