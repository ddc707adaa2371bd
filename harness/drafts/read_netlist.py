"""Reads a netlist's file, whichever of the two kinds it is: SPICE, or a schematic's S-expression
(export (components (comp …)) (nets (net (name …) (node …)))).
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import sexpdata

from harness.drafts.netlist import Netlist, NetPart, en50005, is_relay
from harness.drafts.read_spice import read_spice
from harness.errors import UsageError

LARGEST_BYTES = 2_000_000
MOST_PARTS = 5_000
MOST_LINES = 50_000
DEEPEST = 50


def read_netlist(path: Path) -> Netlist:
    """Read a SPICE or an S-expression netlist. Raises UsageError for what is neither, or is too large."""
    text = _text(path)
    if text.count("\n") > MOST_LINES:
        raise UsageError(f"{path}: more than {MOST_LINES} lines; expected the netlist of one module")
    netlist = read_expressions(text, path.name) if text.lstrip().startswith("(") else read_spice(text)
    if not netlist.parts:
        raise UsageError(
            f"{path}: no part found; expected a SPICE netlist, or a schematic's netlist that begins with "
            "(export"
        )
    if len(netlist.parts) > MOST_PARTS:
        raise UsageError(f"{path}: {len(netlist.parts)} parts; expected at most {MOST_PARTS}, one module")
    return netlist


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise UsageError(
            f"{path}: cannot be read: {error.strerror or error}; expected a netlist file"
        ) from None
    if len(content) > LARGEST_BYTES:
        raise UsageError(f"{path}: larger than 2 MB; expected the netlist of one module")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("latin-1")
    if "\0" in text:
        raise UsageError(f"{path}: binary; expected a netlist in text")
    return text


def read_expressions(text: str, name: str) -> Netlist:
    """Read it. Raises UsageError where it is no such netlist."""
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
