"""Lines that stay readable at eighty columns."""

import textwrap

import typer

WIDTH = 80


def say(text: str, *, indent: int = 0, hang: int = 2, err: bool = False) -> None:
    """Print a text in lines of at most eighty columns: the first indented, the others by `hang` more.

    err: on standard error.
    """
    for line in text.splitlines() or [""]:
        wrapped = textwrap.wrap(
            line,
            WIDTH,
            initial_indent=" " * indent,
            subsequent_indent=" " * (indent + hang),
            break_long_words=False,
            break_on_hyphens=False,
        )
        for each in wrapped or [""]:
            typer.echo(each, err=err)
