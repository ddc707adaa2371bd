"""What is said of a value that is wrong: what was found, what is expected, and which name was meant."""

from collections.abc import Iterable, Mapping
from typing import Any

from harness.errors import nearest
from harness.toml_files.located import Key

LISTED_NAMES = 8  # longer lists of known names help nobody

_EXPECTED = {
    "string": "text in quotes",
    "int": "a whole number without quotes",
    "float": "a number without quotes",
    "finite": "a finite number",
    "bool": "true or false",
    "list": "a list in [ ]",
    "tuple": "a list in [ ]",
    "set": "a list in [ ]",
    "dict": "a table",
    "model": "a table",
    "dataclass": "a table",
    "mapping": "a table",
}
_BOUNDS = {
    "greater_than_equal": ("at least", "ge"),
    "greater_than": ("more than", "gt"),
    "less_than_equal": ("at most", "le"),
    "less_than": ("less than", "lt"),
}


def dotted(key: Key) -> str:
    """Write a key as people read it: `relay[2].contacts[1].released`, elements counted from 1."""
    text = ""
    for part in key:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text


def unknown(kind: str, name: str, known: Iterable[str], *, where: str) -> str:
    """That a name is not known, which names are, and which one was probably meant."""
    names = tuple(known)
    text = f"no such {kind}"
    if names and (len(names) <= LISTED_NAMES or not nearest(name, names)):
        text += f"; {where} has {', '.join(names)}"
    elif not names:
        text += f"; {where} has none"
    return text + did_you_mean(name, names)


def did_you_mean(name: object, known: Iterable[str]) -> str:
    """`; did you mean loop_a?` if a known name is like this one, else ""."""
    guess = nearest(name, known) if isinstance(name, str) else None
    return f"; did you mean {guess}?" if guess else ""


def shown_value(value: object) -> str:
    """Write a TOML value in a message."""
    match value:
        case bool():
            return str(value).lower()
        case str():
            return f'"{value}"'
        case dict():
            return "a table"
        case []:
            return "an empty list"
        case list():
            return "a list"
        case _:
            return str(value)


def expected(kind: str, context: Mapping[str, Any]) -> str:
    """What would have been right, by the kind of mistake that the validator found: `at least 1`."""
    if kind in _BOUNDS:
        words, bound = _BOUNDS[kind]
        return f"{words} {context[bound]:g}"
    match kind:
        case "too_short" | "string_too_short":
            return "at least one" if context["min_length"] == 1 else f"at least {context['min_length']}"
        case "too_long" | "string_too_long":
            return f"at most {context['max_length']}"
        case _:
            return _EXPECTED.get(kind.split("_")[0], "a value of another kind")
