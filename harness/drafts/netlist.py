"""Reads a netlist's file as parts with named pins on nodes: SPICE, or a schematic's S-expression
(export (components (comp …)) (nets (net (name …) (node …)))).

The conventions of SPICE: R and C elements; `XK1 coil+ coil- common1 rest1 operated1 common2 … TYPE` is relay
K1, its contacts in threes; if the file has `.subckt TYPE` with pins named after EN 50005 (A1 A2 11 12 14)
or COM1 NC1 NO1, those count. `XJ1 …` is a connector. `S1 a b control+ control- MODEL` is a contact that
closes when the control does, or opens if the model's name has `nc` in it; all of one control pair are one
relay, and two that share a node are one changeover contact.
"""

import functools
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sexpdata

from harness.errors import UsageError
from harness.job.module import GROUND, Leg

_RELAYS = ("K", "RL", "RY")
_KEPT = re.compile(r"(?P<kind>com|c|nc|no)_?(?P<number>\d*)", re.IGNORECASE)
_DIGIT = {"com": "1", "c": "1", "nc": "2", "no": "4"}

# SPICE: m is a thousandth and meg a million; beside a schematic's M, which is a million as well.
_SCALES = {
    "": 1.0, "t": 1e12, "g": 1e9, "meg": 1e6, "k": 1e3, "r": 1.0, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12,
    "f": 1e-15,
}  # fmt: skip
_NUMBER = r"(\d{1,12}(?:\.\d{0,12})?(?:e[+-]?\d{1,2})?)"
_SUFFIXED = re.compile(_NUMBER + r"\s*(meg|[tgkrmunpf]?)(?:ohms?|[fωΩ])?", re.IGNORECASE)
_BETWEEN = re.compile(r"(\d{1,6})(meg|[kmrunp])(\d{1,6})", re.IGNORECASE)

_LEGS: dict[str, Leg] = {
    **dict.fromkeys(("hot", "p", "pos", "plus", "+"), "hot"),
    **dict.fromkeys(("cold", "n", "neg", "minus", "-"), "cold"),
}
_CHANNELS = {"left": "left", "l": "left", "right": "right", "r": "right", "mono": "mono"}
_GROUNDS = {"0", "gnd", "ground", "agnd", "gnda", "shield", "screen", "chassis", "earth", "gnd!"}
_SUPPLY = re.compile(r"\+?\d+v\d*|v(cc|dd|ee|ss|relay|coil)|(relay|coil)_?(supply|power)", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class NetPart:
    """A part: its reference (`K1`), value or type, and the node on each pin, in the file's order.

    A relay's pins are named after EN 50005: A1 and A2 the coil, 11 12 14 a contact's common, break and make,
    21 22 24 the next; whatever else the file calls them.
    """

    reference: str
    value: str
    pins: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class Netlist:
    """Parts, and the lines that could not be read."""

    title: str
    parts: tuple[NetPart, ...]
    unclear: tuple[str, ...]


def is_relay(reference: str) -> bool:
    """Whether a part is a relay by its reference: K1, RL1, RY1."""
    return reference.startswith(_RELAYS)


def en50005(pin: str) -> str:
    """COM2 is 21, NC2 22, NO2 24, COIL1 A1; other names stay."""
    if matched := _KEPT.fullmatch(pin):
        return f"{matched['number'] or '1'}{_DIGIT[matched['kind'].lower()]}"
    return pin.upper()


@dataclass(frozen=True, kw_only=True)
class Node:
    """A node as module.toml would have it. channel, leg: None if the name does not tell."""

    written: str
    channel: str | None
    net: str
    leg: Leg | None

    @property
    def is_ground(self) -> bool:
        """Whether it is pin 1."""
        return self.net == GROUND


def is_supply(name: str) -> bool:
    """Whether a node's name is that of a supply rail or ground."""
    bare = name.strip("/")
    return bare.lower() in _GROUNDS or _SUPPLY.fullmatch(bare) is not None


def node_of(name: str) -> Node:
    """Read `left.out.hot`, `/L_OUT_P`, `out+`; the channel first or before the leg, the leg last."""
    bare = name.rsplit("/", 1)[-1].strip().lower()
    if bare in _GROUNDS:
        return Node(written=name, channel=None, net=GROUND, leg=None)
    sign = bare[-1:] if bare[-1:] in "+-" and len(bare) > 1 else ""
    words = [word for word in re.split(r"[^a-z0-9]+", bare) if word]
    leg: Leg | None = _LEGS.get(sign)
    if leg is None and len(words) > 1 and words[-1] in _LEGS:
        leg = _LEGS[words.pop()]
    channel = None
    for index in (0, -1):
        if channel is None and len(words) > 1 and words[index] in _CHANNELS:
            channel = _CHANNELS[words.pop(index)]
    return Node(written=name, channel=channel, net=plain_name("_".join(words)), leg=leg)


def plain_name(text: str) -> str:
    """A name in lower case with underscores that begins with a letter."""
    plain = re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_") or "net"
    return plain if plain[0].isalpha() else f"n_{plain}"


def spice_value(text: str) -> float | None:
    """Read a value in SI; None if it is no value, or not more than zero."""
    bare = text.strip().replace("µ", "u").replace("μ", "u")
    if matched := _BETWEEN.fullmatch(bare):
        number, scale = float(f"{matched[1]}.{matched[3]}"), matched[2]
    elif matched := _SUFFIXED.fullmatch(bare):
        number, scale = float(matched[1]), matched[2]
    else:
        return None
    value = number * _SCALES[scale.lower()] if scale else number
    return value if 0 < value < math.inf else None


_NO_PARTS = "VIDLQMJBEFGHTKAWZU"


@dataclass(frozen=True, kw_only=True)
class _Switch:
    name: str
    a: str
    b: str
    opens: bool


def read_spice(text: str) -> Netlist:
    """Read the cards of a SPICE netlist; the first line is its title, as SPICE has it."""
    first, _, rest = text.partition("\n")
    title = first.lstrip("*").strip()
    parts: list[NetPart] = []
    unclear: list[str] = []
    if re.match(r"[RCXS]\w*(\s+\S+){3}", first, re.IGNORECASE):
        unclear.append(f"{title}: the first line is the title, as SPICE has it; it was not read as a part")
    switches: dict[tuple[str, str], list[_Switch]] = {}
    inside: str | None = None
    cards = [card for line in _cards(rest) if (card := [str(word) for word in _grammar().parse_string(line)])]
    pin_names = {
        card[1].lower(): card[2:] for card in cards if card[0].lower() == ".subckt" and len(card) > 2
    }
    for card in cards:
        word = card[0].lower()
        if word == ".subckt":
            inside = card[1] if len(card) > 1 else ""
        elif word == ".ends":
            inside = None
        elif word in (".include", ".lib", ".inc"):
            unclear.append(f"{' '.join(card)}: not followed; only this one file is read")
        elif inside is None and not word.startswith("."):
            _element(card, pin_names, parts, switches, unclear)
    parts += _switch_relays(switches)
    return Netlist(title=title, parts=tuple(parts), unclear=tuple(unclear))


def _cards(text: str) -> Iterator[str]:
    """Join lines that a + continues; drop comments."""
    card = ""
    for line in text.splitlines():
        bare = re.split(r";|\s\$", line, maxsplit=1)[0].strip()
        if bare.startswith("*") or not bare:
            continue
        if bare.startswith("+"):
            card += " " + bare[1:]
        else:
            yield card
            card = bare
    yield card


@functools.cache
def _grammar() -> Any:
    """Of a card's words, without its NAME=VALUE parameters."""
    import pyparsing as pp  # takes 0.1 s, which is for those alone who read a netlist

    value = pp.QuotedString("'") | pp.QuotedString('"') | pp.Regex(r"\{[^}]*\}") | pp.Regex(r"[^\s=,()]+")
    parameter = pp.Suppress(pp.Regex(r"[^\s=,()]+") + "=" + value)
    return pp.ZeroOrMore(parameter | value | pp.Suppress(pp.Regex(r"[=,()]")))


def _element(
    card: list[str],
    pin_names: Mapping[str, list[str]],
    parts: list[NetPart],
    switches: dict[tuple[str, str], list[_Switch]],
    unclear: list[str],
) -> None:
    name, kind = card[0], card[0][0].upper()
    if kind in "RC" and len(card) >= 4:
        parts.append(NetPart(reference=name.upper(), value=card[3], pins=(("1", card[1]), ("2", card[2]))))
    elif kind == "S" and len(card) >= 6:
        switches.setdefault((card[3], card[4]), []).append(
            _Switch(name=name, a=card[1], b=card[2], opens="nc" in card[5].lower())
        )
    elif kind == "X" and len(card) >= 3:
        reference, nodes, model = name[1:].upper() or name.upper(), card[1:-1], card[-1]
        names = pin_names.get(model.lower())
        pins = names if names is not None and len(names) == len(nodes) else None
        if is_relay(reference):
            named = [en50005(pin) for pin in pins] if pins else _in_threes(len(nodes))
        else:
            named = pins or [str(number) for number in range(1, len(nodes) + 1)]
        parts.append(NetPart(reference=reference, value=model, pins=tuple(zip(named, nodes, strict=True))))
    else:
        why = "no part that module.toml has" if kind in _NO_PARTS else "too few words, or an unknown element"
        unclear.append(f"{name}: left out, {why}")


def _in_threes(count: int) -> list[str]:
    """A1 A2, then 11 12 14, 21 22 24 …"""
    contacts = [f"{number}{throw}" for number in range(1, count // 3 + 2) for throw in "124"]
    return ["A1", "A2", *contacts][:count]


def _switch_relays(switches: Mapping[tuple[str, str], list[_Switch]]) -> Iterator[NetPart]:
    """One relay for each control pair, from K900 on; a breaking and a making switch on one node are one."""
    for index, (control, members) in enumerate(switches.items()):
        pins = [("A1", control[0]), ("A2", control[1])]
        making = [switch for switch in members if not switch.opens]
        number = 0
        for breaking in (switch for switch in members if switch.opens):
            number += 1
            nodes = (breaking.a, breaking.b)
            partner = next((switch for switch in making if {switch.a, switch.b} & set(nodes)), None)
            shared = nodes[0] if partner is None or nodes[0] in (partner.a, partner.b) else nodes[1]
            pins += [(f"{number}1", shared), (f"{number}2", nodes[1] if shared == nodes[0] else nodes[0])]
            if partner is not None:
                making.remove(partner)
                pins.append((f"{number}4", partner.b if shared == partner.a else partner.a))
        for switch in making:
            number += 1
            pins += [(f"{number}1", switch.a), (f"{number}4", switch.b)]
        yield NetPart(reference=f"K{900 + index}", value="switch", pins=tuple(pins))


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
    """Read a schematic's netlist. Raises UsageError if the text is none."""
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
    unclear = []
    for net in _all(_first(tree, "nets"), "net"):
        node = _word(_first(net, "name")[1:])
        for on in _all(net, "node"):
            reference = _word(_first(on, "ref")[1:])
            if reference not in pins:
                unclear.append(f"{reference}: on net {node}, but not among the components; left out")
                continue
            pin = _word(_first(on, "pinfunction")[1:]) or _word(_first(on, "pin")[1:])
            pins[reference].append((en50005(pin) if is_relay(reference) else pin, node))
    parts = [NetPart(reference=ref, value=values[ref], pins=tuple(pins[ref])) for ref in values if ref]
    return Netlist(title=name, parts=tuple(parts), unclear=tuple(unclear))


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
