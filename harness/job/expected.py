"""What a key expects, in our own words, by the kind of mistake that the validator found."""

from collections.abc import Mapping
from typing import Any

_WORDS = {
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
    "mapping": "a table",
}
_BOUNDS = {
    "greater_than_equal": ("at least", "ge"),
    "greater_than": ("more than", "gt"),
    "less_than_equal": ("at most", "le"),
    "less_than": ("less than", "lt"),
}


def expected(kind: str, context: Mapping[str, Any]) -> str:
    """Say what would have been right: `at least 1`, `a whole number without quotes`."""
    if kind in _BOUNDS:
        words, bound = _BOUNDS[kind]
        return f"{words} {context[bound]:g}"
    match kind:
        case "too_short" | "string_too_short":
            return "at least one" if context["min_length"] == 1 else f"at least {context['min_length']}"
        case "too_long" | "string_too_long":
            return f"at most {context['max_length']}"
        case _:
            return _WORDS.get(kind.split("_")[0], "a value of another kind")
