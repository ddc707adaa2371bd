"""One big word that is read across a room, in plain characters: colour, where there is any, adds nothing."""

import os
import shutil
import sys
from collections.abc import Iterator

import typer

from harness.cli.wrapping import WIDTH

_LETTERS = {
    "A": (" ### ", "#   #", "#   #", "#####", "#   #", "#   #", "#   #"),
    "D": ("#### ", "#   #", "#   #", "#   #", "#   #", "#   #", "#### "),
    "E": ("#####", "#    ", "#    ", "#### ", "#    ", "#    ", "#####"),
    "F": ("#####", "#    ", "#    ", "#### ", "#    ", "#    ", "#    "),
    "I": ("#####", "  #  ", "  #  ", "  #  ", "  #  ", "  #  ", "#####"),
    "L": ("#    ", "#    ", "#    ", "#    ", "#    ", "#    ", "#####"),
    "N": ("#   #", "##  #", "##  #", "# # #", "#  ##", "#  ##", "#   #"),
    "O": (" ### ", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "P": ("#### ", "#   #", "#   #", "#### ", "#    ", "#    ", "#    "),
    "R": ("#### ", "#   #", "#   #", "#### ", "# #  ", "#  # ", "#   #"),
    "S": (" ####", "#    ", "#    ", " ### ", "    #", "    #", "#### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#   #", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "V": ("#   #", "#   #", "#   #", "#   #", " # # ", " # # ", "  #  "),
}
PITCH = 6  # columns of a letter with the gap after it
WIDEST = 3
_COLOURS = {"PASS": "green", "FAIL": "red", "UNPROVEN": "yellow", "STOPPED": "yellow"}


def big_lines(word: str, width: int = WIDTH) -> Iterator[str]:
    """A word in block letters, as wide as the columns allow; itself where they are too narrow for any."""
    scale = min(WIDEST, (width + 1) // (PITCH * len(word)))
    if scale < 1:
        yield word
        return
    for row in range(7):
        line = " ".join(_LETTERS[letter][row] for letter in word)
        wide = "".join(character * scale for character in line).rstrip()
        yield from [wide] * (2 if scale == WIDEST else 1)


def show_big(word: str) -> None:
    """Print a word big on standard output; in colour on a terminal that has any, unless NO_COLOR is set."""
    plain = bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") == "dumb"
    colour = _COLOURS[word] if sys.stdout.isatty() and not plain else None
    typer.echo("")
    for line in big_lines(word, min(WIDTH, shutil.get_terminal_size().columns)):
        typer.echo(line if colour is None else typer.style(line, fg=colour, bold=True))
    typer.echo("")
