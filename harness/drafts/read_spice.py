"""A SPICE netlist: R and C elements, relays as X subcircuits or S switches.

The conventions: `XK1 coil+ coil- common1 rest1 operated1 common2 … TYPE` is relay K1, its contacts in threes;
where the file has `.subckt TYPE` with pins named after EN 50005 (A1 A2 11 12 14 21 …) or COM1 NC1 NO1, those
count. `XJ1 …` is a connector. `S1 a b control+ control- MODEL` is a contact that closes when the control
does, or opens where the model's name has `nc` in it; all of one control pair are one relay, and two that
share a node are one changeover contact.
"""

import functools
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from harness.drafts.netlist import Netlist, NetPart, en50005, is_relay

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
    doubts: list[str] = []
    if re.match(r"[RCXS]\w*(\s+\S+){3}", first, re.IGNORECASE):
        doubts.append(f"{title}: the first line is the title, as SPICE has it; it was not read as a part")
    switches: dict[tuple[str, str], list[_Switch]] = {}
    inside: str | None = None
    cards = [card for line in _cards(rest) if (card := _words(line))]
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
            doubts.append(f"{' '.join(card)}: not followed; only this one file is read")
        elif inside is None and not word.startswith("."):
            _element(card, pin_names, parts, switches, doubts)
    parts += _switch_relays(switches)
    return Netlist(title=title, parts=tuple(parts), doubts=tuple(doubts))


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


def _words(card: str) -> list[str]:
    """Words of a card, without its NAME=VALUE parameters."""
    return [str(word) for word in _grammar().parse_string(card)]


@functools.cache
def _grammar() -> Any:
    import pyparsing as pp  # takes 0.1 s, which is for those alone who read a netlist

    value = pp.QuotedString("'") | pp.QuotedString('"') | pp.Regex(r"\{[^}]*\}") | pp.Regex(r"[^\s=,()]+")
    parameter = pp.Suppress(pp.Regex(r"[^\s=,()]+") + "=" + value)
    return pp.ZeroOrMore(parameter | value | pp.Suppress(pp.Regex(r"[=,()]")))


def _element(
    card: list[str],
    pin_names: Mapping[str, list[str]],
    parts: list[NetPart],
    switches: dict[tuple[str, str], list[_Switch]],
    doubts: list[str],
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
        doubts.append(f"{name}: left out, {why}")


def _in_threes(count: int) -> list[str]:
    """A1 A2, then 11 12 14, 21 22 24 …"""
    contacts = [f"{number}{throw}" for number in range(1, count // 3 + 2) for throw in "124"]
    return ["A1", "A2", *contacts][:count]


def _switch_relays(switches: Mapping[tuple[str, str], list[_Switch]]) -> Iterator[NetPart]:
    """One relay for each control pair, from K900 on; a breaking and a making switch on one node are one."""
    for index, (control, members) in enumerate(switches.items()):
        pins = [("A1", control[0]), ("A2", control[1])]
        making = [each for each in members if not each.opens]
        number = 0
        for each in (one for one in members if one.opens):
            number += 1
            partner = next((one for one in making if {one.a, one.b} & {each.a, each.b}), None)
            shared = each.a if partner is None or each.a in (partner.a, partner.b) else each.b
            pins += [(f"{number}1", shared), (f"{number}2", each.b if shared == each.a else each.a)]
            if partner is not None:
                making.remove(partner)
                pins.append((f"{number}4", partner.b if shared == partner.a else partner.a))
        for each in making:
            number += 1
            pins += [(f"{number}1", each.a), (f"{number}4", each.b)]
        yield NetPart(reference=f"K{900 + index}", value="switch", pins=tuple(pins))
