"""A schematic's netlist as an S-expression: (export (components (comp …)) (nets (net (name …) (node …))))."""

from collections.abc import Iterator
from typing import Any

from harness.drafts.netlist import Netlist, NetPart, is_relay
from harness.drafts.read_spice import en50005
from harness.errors import UsageError

DEEPEST = 50


def read_expressions(text: str, name: str) -> Netlist:
    """Read it. Raises UsageError where it is no such netlist."""
    import sexpdata

    _check_depth(text, name)
    try:
        tree = sexpdata.loads(text, nil=None, true=None)
    except Exception as error:  # of a text that is none the parser raises whatever it comes upon
        why = str(error).splitlines()[0][:100] if str(error) else type(error).__name__
        raise UsageError(f"{name}: no S-expression: {why}; expected (export …)") from None
    if not isinstance(tree, list) or _word(tree[:1]) != "export":
        raise UsageError(f"{name}: an S-expression, but no netlist; expected one that begins with (export")
    values: dict[str, str] = {}
    for comp in _all(_first(tree, "components"), "comp"):
        values[_word(_first(comp, "ref")[1:])] = _word(_first(comp, "value")[1:])
    pins: dict[str, list[tuple[str, str]]] = {reference: [] for reference in values}
    doubts = []
    for net in _all(_first(tree, "nets"), "net"):
        node = _word(_first(net, "name")[1:])
        for on in _all(net, "node"):
            reference = _word(_first(on, "ref")[1:])
            if reference not in pins:
                doubts.append(f"{reference}: on net {node}, but not among the components; left out")
                continue
            pin = _word(_first(on, "pinfunction")[1:]) or _word(_first(on, "pin")[1:])
            pins[reference].append((en50005(pin) if is_relay(reference) else pin, node))
    parts = [NetPart(reference=each, value=values[each], pins=tuple(pins[each])) for each in values if each]
    return Netlist(title=name, parts=tuple(parts), doubts=tuple(doubts))


def _check_depth(text: str, name: str) -> None:
    """The parser calls itself for each level: refuse what no schematic has."""
    depth = 0
    for character in text:
        depth += (character == "(") - (character == ")")
        if depth > DEEPEST:
            raise UsageError(f"{name}: more than {DEEPEST} brackets deep; expected a schematic's netlist")


def _word(values: list[Any]) -> str:
    """The text of a list's first value, symbol or string or number; "" where there is none."""
    if not values or isinstance(values[0], list):
        return ""
    value = values[0]
    return str(value.value() if hasattr(value, "value") else value)


def _all(tree: list[Any], head: str) -> Iterator[list[Any]]:
    return (each for each in tree if isinstance(each, list) and _word(each[:1]) == head)


def _first(tree: list[Any], head: str) -> list[Any]:
    return next(_all(tree, head), [])
