"""Lines that stay readable at eighty columns, in letters that the terminal has."""

import codecs
import os
import sys
import textwrap

import typer

WIDTH = 80
IN_ASCII = {
    "±": "+/-",
    "µ": "u",
    "Ω": "ohm",
    "°": " deg",
    "²": "2",
    "→": ">",
    "…": "...",
    "×": "x",
    "–": "-",
    "≤": "<=",
    "≥": ">=",
    "━": "-",
    "╸": "-",
    "╺": "-",
}
_TABLE = str.maketrans(IN_ASCII)
_HANDLER = "switchwalk-in-ascii"


def say(text: str, *, indent: int = 0, hang: int = 2, err: bool = False) -> None:
    """Print a text in lines of at most eighty columns: the first indented, the others by `hang` more.

    err: on standard error, in lines as wide as its terminal; whole if it is none, for a program to read.
    """
    stream = sys.stderr if err else sys.stdout
    width = _columns_of_errors() if err else WIDTH
    shown = as_shown(text, stream.encoding or "utf-8")
    lines = shown.splitlines() if width is None else wrapped(shown, width, indent=indent, hang=hang)
    for line in lines or [""]:
        typer.echo(line, err=err)


def wrapped(text: str, width: int = WIDTH, *, indent: int = 0, hang: int = 2) -> list[str]:
    """A text's lines, none longer than this unless a word is."""
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
    """A text that fits one line, its end left out if it is longer."""
    return text if len(text) <= width else f"{text[: max(width - 3, 0)]}..."


def duration(seconds: float) -> str:
    """`45 s` or `3 min 20 s`."""
    whole = round(seconds)
    return f"{whole} s" if whole < 60 else f"{whole // 60} min {whole % 60} s"


def printable(text: str) -> str:
    """Keep a name from the records from steering the terminal."""
    return "".join(
        character if character.isprintable() else "\N{REPLACEMENT CHARACTER}" for character in text
    )


def show_on_any_terminal() -> None:
    """Write in ASCII what a terminal cannot show, so that nothing fails that is printed."""
    codecs.register_error(_HANDLER, _replace)
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors=_HANDLER)
            if stream.isatty() and _asks_for_ascii():
                reconfigure(encoding="ascii", errors=_HANDLER)


def as_shown(text: str, encoding: str) -> str:
    """The text as a stream of this encoding will show it, to be measured before it is wrapped."""
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return text.translate(_TABLE)
    return text


def _asks_for_ascii() -> bool:
    """Whether the locale is one without other letters, by name; Python writes UTF-8 in it all the same.

    If no locale is set, terminals of today show UTF-8. Python sets LC_CTYPE itself if LANG is C (PEP 538),
    so LC_CTYPE says nothing.
    """
    every = os.environ.get("LC_ALL")
    return (every or os.environ.get("LANG", "")) in ("C", "POSIX")


def _replace(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(IN_ASCII.get(letter, "?") for letter in error.object[error.start : error.end]), error.end


def _columns_of_errors() -> int | None:
    """How wide the terminal is that errors go to; None if it is no terminal."""
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
