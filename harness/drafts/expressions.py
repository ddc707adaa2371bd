"""Reads a netlist's file, SPICE or a schematic's S-expression, and the latter's lists: (export (components
(comp …)) (libparts …) (nets (net (name …) (node …)))).
"""

import re
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any

import sexpdata

from harness.drafts.doubts import Doubts, natural
from harness.drafts.netlist import (
    DEEPEST,
    LARGEST_BYTES,
    MOST_LINES,
    MOST_PARTS,
    Netlist,
    NetPart,
    kind_of,
    value_of,
)
from harness.drafts.relay_pins import named_pins, noted_by_position
from harness.drafts.spice import read_spice
from harness.errors import UsageError

UNCONNECTED = "unconnected-"
_MEGA = re.compile(r"(?<=\d)\s?M(?![A-Za-z])")


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
    """Read a schematic's netlist. Raises UsageError if the text is none."""
    _check_depth(text, name)
    try:
        tree = sexpdata.loads(text, nil=None, true=None)
    except Exception as error:  # of a text that is none the parser raises whatever it comes upon
        why = str(error).splitlines()[0][:100] if str(error) else type(error).__name__
        raise UsageError(f"{name}: no S-expression: {why}; expected (export …)") from None
    if not isinstance(tree, list) or _word(tree[:1]) != "export":
        raise UsageError(f"{name}: an S-expression, but no netlist; expected one that begins with (export")
    doubts = Doubts()
    components: dict[str, list[Any]] = {}
    for comp in _all(_first(tree, "components"), "comp"):
        reference = _word(_first(comp, "ref")[1:])
        if any(_word(_first(each, "name")[1:]) == "dnp" for each in _all(comp, "property")):
            doubts.note("marked as not to be fitted: left out", reference)
        elif reference:
            components[reference] = comp
    library = {
        (_word(_first(part, "lib")[1:]), _word(_first(part, "part")[1:])): {
            _word(_first(pin, "num")[1:]): _word(_first(pin, "name")[1:])
            for pin in _all(_first(part, "pins"), "pin")
        }
        for part in _all(_first(tree, "libparts"), "libpart")
    }
    on = _pins_on_nets(tree, components, doubts)
    used: dict[tuple[str, ...], set[str]] = defaultdict(set)  # pins of a kind of part that lead anywhere
    for reference, comp in components.items():
        used[_type_key(comp)] |= {number for number in on[reference] if _node(number, on[reference])}
    parts = [
        _part(
            reference, comp, library.get(_library_key(comp), {}), on[reference], used[_type_key(comp)], doubts
        )
        for reference, comp in components.items()
    ]
    title = _word(_first(_first(_first(_first(tree, "design"), "sheet"), "title_block"), "title")[1:])
    return Netlist(title=title or name, parts=tuple(parts), doubts=doubts)


def _pins_on_nets(
    tree: list[Any], components: Mapping[str, object], doubts: Doubts
) -> dict[str, dict[str, tuple[str, str]]]:
    """By reference and pin number the pin's name (its number if it has none) and its net."""
    on: dict[str, dict[str, tuple[str, str]]] = {reference: {} for reference in components}
    known = {_word(_first(comp, "ref")[1:]) for comp in _all(_first(tree, "components"), "comp")}
    for net in _all(_first(tree, "nets"), "net"):
        node = _word(_first(net, "name")[1:])
        for each in _all(net, "node"):
            reference = _word(_first(each, "ref")[1:])
            if reference in on:
                number, name = _word(_first(each, "pin")[1:]), _word(_first(each, "pinfunction")[1:])
                on[reference][number or name] = (name.strip("~") or number, node)
            elif reference not in known:
                doubts.note("on a net, but not among the components: left out", reference)
    return on


def _library_key(comp: list[Any]) -> tuple[str, str]:
    source = _first(comp, "libsource")
    return _word(_first(source, "lib")[1:]), _word(_first(source, "part")[1:])


def _type_key(comp: list[Any]) -> tuple[str, ...]:
    return (*_library_key(comp), _word(_first(comp, "value")[1:]))


def _part(
    reference: str,
    comp: list[Any],
    library: Mapping[str, str],
    on: Mapping[str, tuple[str, str]],
    used: Collection[str],
    doubts: Doubts,
) -> NetPart:
    value, kind = _word(_first(comp, "value")[1:]), kind_of(reference)
    numbers = sorted({*library, *on}, key=natural)
    pins = [(_pin_name(number, library, on), _node(number, on)) for number in numbers]
    if kind == "relay" and len(pins) == 2 and value_of(value) is not None:
        kind = "resistor"  # RL1, 10k: a load
    if kind == "other" and named_pins([name for name, _ in pins]) is not None:
        kind = "relay"  # whatever it is called
    if kind == "relay":
        found = named_pins([name for name, _ in pins]) or named_pins(numbers)
        if found is None:
            if (len(pins) - 2) % 3:  # a package with pins that lead nowhere in any such relay
                pins = [pin for number, pin in zip(numbers, pins, strict=True) if number in used]
            nodes = [node for _, node in pins]
            found = noted_by_position(reference, nodes, value, doubts, two_rows=True)
        if found is not None:
            pins = [(en or name, node) for en, (name, node) in zip(found.names, pins, strict=True)]
    if kind == "resistor":
        value = _MEGA.sub("meg", value)  # 2M2: a million in a schematic (IEC 60062), a thousandth in SPICE
    wired = tuple((name, node) for name, node in pins if node)
    package = " ".join((_library_key(comp)[1], _word(_first(comp, "footprint")[1:])))
    return NetPart(reference=reference, kind=kind, value=value, pins=wired, package=package)


def _pin_name(number: str, library: Mapping[str, str], on: Mapping[str, tuple[str, str]]) -> str:
    """What the netlist calls a pin, else what the symbol calls it, else its number; ~ is no name."""
    name, _ = on.get(number, ("", ""))
    symbol = library.get(number, "")
    return next((each for each in (name, symbol) if each not in ("", "~", number)), number)


def _node(number: str, on: Mapping[str, tuple[str, str]]) -> str:
    """The net on a pin; "" if it is connected to nothing."""
    _, node = on.get(number, ("", ""))
    return "" if node.startswith(UNCONNECTED) else node


def _check_depth(text: str, name: str) -> None:
    """The parser calls itself for each level: refuse what no schematic has."""
    depth = 0
    for character in text:
        depth += (character == "(") - (character == ")")
        if depth > DEEPEST:
            raise UsageError(f"{name}: more than {DEEPEST} brackets deep; expected a schematic's netlist")


def _word(values: list[Any]) -> str:
    """The text of a list's first value, symbol or string or number; "" if it has none."""
    if not values or isinstance(values[0], list):
        return ""
    value = values[0]
    return str(value.value() if hasattr(value, "value") else value)


def _all(tree: list[Any], head: str) -> Iterator[list[Any]]:
    return (branch for branch in tree if isinstance(branch, list) and _word(branch[:1]) == head)


def _first(tree: list[Any], head: str) -> list[Any]:
    return next(_all(tree, head), [])
