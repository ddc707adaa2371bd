"""Letters that not every terminal has, and what stands for them there."""

import codecs
import os
import sys

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


def show_on_any_terminal() -> None:
    """Have what a terminal cannot show written in ASCII, and nothing fail that is printed."""
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

    Where nothing is said of a locale, terminals of today show UTF-8. Python sets LC_CTYPE itself where LANG
    is C (PEP 538), so that this tells nothing.
    """
    every = os.environ.get("LC_ALL")
    return (every or os.environ.get("LANG", "")) in ("C", "POSIX")


def _replace(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(IN_ASCII.get(letter, "?") for letter in error.object[error.start : error.end]), error.end
