"""Reads a SPICE netlist, with its subcircuits, as parts.

R, C and L elements; `XK1 coil+ coil- common1 released1 operated1 common2 … TYPE` is relay K1. The switches in
`.subckt TYPE` tell which node is which, else the names of its pins, else their order. `XJ1 …` is a connector.
`S1 a b control+ control- MODEL` is a contact that closes when the control does, or opens if the model's name
has `nc` in it; all of one control pair are one relay, and two that share a node are one changeover contact.
A subcircuit with relays in it, or of nothing but R, C and L, is taken apart.
"""

import functools
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from harness.drafts.doubts import Doubts
from harness.drafts.netlist import DEEPEST, MOST_PARTS, Netlist, NetPart, kind_of, value_of
from harness.drafts.node_names import GROUNDS
from harness.drafts.relay_pins import NamedPins, named_pins, noted_by_position
from harness.errors import UsageError

_LEFT_OUT = "VIMBEFGHTAZUQDJKWO"


@dataclass(frozen=True, kw_only=True)
class _Subcircuit:
    pins: tuple[str, ...]
    cards: list[list[str]] = field(default_factory=list)


@dataclass(frozen=True, kw_only=True)
class _Switch:
    """A contact; opens: whether it is closed while its control is off."""

    a: str
    b: str
    control: tuple[str, str]
    opens: bool
    on_ohm: float | None


@dataclass(frozen=True, kw_only=True)
class _File:
    """Everything that the file defines."""

    subcircuits: Mapping[str, _Subcircuit]
    models: Mapping[str, Mapping[str, str]]
    shared: frozenset[str]  # nodes that are the same in every subcircuit
    doubts: Doubts


def read_spice(text: str) -> Netlist:
    """Read the cards of a SPICE netlist; the first line is its title, as SPICE has it.

    Raises UsageError for subcircuits that make more parts than one module has, or contain themselves.
    """
    first, _, rest = text.partition("\n")
    title, doubts = _title(first), Doubts()
    if first.lstrip()[:1] == "." and not first.lower().lstrip().startswith(".title"):
        rest, title = text, ""
    elif re.match(r"[RCXS]\w*(\s+\S+){3}", first, re.IGNORECASE):
        doubts.note("the first line is the title, as SPICE has it; it was not read as a part", title)
    lines = list(_lines(rest))
    top, subcircuits, models = _sorted_cards(lines, doubts)
    shared = {"0", *GROUNDS, *(word for card in top if card[0] == ".global" for word in card[1:])}
    file = _File(subcircuits=subcircuits, models=models, shared=frozenset(shared), doubts=doubts)
    title = next((" ".join(card[1:]) for card in top if card[0] == ".title"), title)
    reading = _Reading(file=file)
    reading.cards([card for card in top if not card[0].startswith(".")], {}, "", 0)
    return Netlist(title=title, parts=(*reading.parts, *reading.relays_of_switches()), doubts=doubts)


def _title(first: str) -> str:
    bare = first.strip()
    return bare[6:].strip() if bare.lower().startswith(".title") else bare.lstrip("*").strip()


def _lines(text: str) -> Iterator[str]:
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


def _sorted_cards(
    lines: Iterable[str], doubts: Doubts
) -> tuple[list[list[str]], dict[str, _Subcircuit], dict[str, dict[str, str]]]:
    """The cards outside every subcircuit, the subcircuits, and the parameters of each model; nodes and dot
    words in lower case, as SPICE does not tell case apart.
    """
    top: list[list[str]] = []
    subcircuits: dict[str, _Subcircuit] = {}
    models: dict[str, dict[str, str]] = {}
    open_: list[_Subcircuit] = []
    for line in lines:
        card = [str(word) for word in _grammar().parse_string(line)]
        if not card or not card[0]:
            continue
        word = card[0] = card[0].lower() if card[0].startswith(".") else card[0]
        if word == ".subckt":
            pins = (pin.lower() for pin in card[2:] if not pin.lower().startswith("params:"))
            open_.append(_Subcircuit(pins=tuple(pins)))
            if len(card) > 1:
                subcircuits[card[1].lower()] = open_[-1]
        elif word == ".ends":
            open_[-1:] = []
        elif word == ".model" and len(card) > 1:
            models[card[1].lower()] = {
                key.lower(): value for key, value in re.findall(r"(\w+)\s*=\s*([^\s,()]+)", line)
            }
        elif word in (".include", ".lib", ".inc"):
            doubts.note(f"{' '.join(card)}: not followed; only this one file is read")
        elif open_:
            open_[-1].cards.append(card)
        else:
            top.append(card)
    return top, subcircuits, models


@functools.cache
def _grammar() -> Any:
    """Of a card's words, without its NAME=VALUE parameters."""
    import pyparsing as pp  # takes 0.1 s, which is for those alone who read a netlist

    value = pp.QuotedString("'") | pp.QuotedString('"') | pp.Regex(r"\{[^}]*\}") | pp.Regex(r"[^\s=,()]+")
    parameter = pp.Suppress(pp.Regex(r"[^\s=,()]+") + "=" + value)
    return pp.ZeroOrMore(parameter | value | pp.Suppress(pp.Regex(r"[=,()]")))


@dataclass(kw_only=True)
class _Reading:
    """The parts so far, and the switches that stand for relays."""

    file: _File
    parts: list[NetPart] = field(default_factory=list)
    switches: dict[tuple[str, tuple[str, str]], list[_Switch]] = field(default_factory=dict)
    instances: int = 0
    taken_apart: dict[str, bool] = field(default_factory=dict)  # of each subcircuit

    def cards(
        self, cards: Iterable[Sequence[str]], nodes: Mapping[str, str], inside: str, depth: int
    ) -> None:
        """Read the elements of the file, or of one instance of a subcircuit whose pins are on `nodes`."""
        if depth > DEEPEST:
            raise UsageError(f"{inside}: subcircuits more than {DEEPEST} deep; expected none within itself")
        self.instances += 1
        for card in cards:
            self._element(card, nodes, inside, depth)
            if max(len(self.parts), self.instances) > MOST_PARTS:
                raise UsageError(f"more than {MOST_PARTS} parts; expected the netlist of one module")

    def _element(self, card: Sequence[str], nodes: Mapping[str, str], inside: str, depth: int) -> None:
        def on(words: Iterable[str]) -> list[str]:
            lower = (word.lower() for word in words)
            return [
                nodes.get(n) or (n if n in self.file.shared or not inside else f"{inside}{n}") for n in lower
            ]

        name, letter = card[0], card[0][0].upper()
        reference = f"{name}_{inside[:-1].replace('/', '_')}".upper() if inside else name.upper()
        if letter in "RCL" and len(card) >= 4:
            pins = tuple(zip("12", on(card[1:3]), strict=True))
            kind = kind_of(letter)
            self.parts.append(NetPart(reference=reference, kind=kind, value=card[3], pins=pins))
        elif letter == "S" and len(card) >= 6:
            switch = _switch(card, self.file.models)
            a, b, *control = on(card[1:5])
            relay = re.match(r"S_?((?:K|RL|RY)\d+)", reference)
            key = (relay[1] if relay else "", (control[0], control[1]))
            self.switches.setdefault(key, []).append(
                replace(switch, a=a, b=b, control=(control[0], control[1]))
            )
        elif letter == "X" and len(card) >= 3:
            self._instance(reference[1:] or reference, card[-1], on(card[1:-1]), inside, depth)
        elif letter == "K" and _is_relay_card(card):
            self._instance(reference, card[-1], on(card[1:-1]), inside, depth)
        elif letter in _LEFT_OUT and len(card) >= 3:
            ends = on(card[1:-1])
            pins = tuple((str(number), node) for number, node in enumerate(ends, start=1))
            kind = kind_of(letter) if letter in "DQ" else "other"
            self.parts.append(NetPart(reference=reference, kind=kind, value=card[-1], pins=pins))
        else:
            self.file.doubts.note("left out: too few words, or an unknown element", name)

    def _instance(self, reference: str, model: str, nodes: list[str], inside: str, depth: int) -> None:
        subcircuit = self.file.subcircuits.get(model.lower())
        fits = subcircuit is not None and len(subcircuit.pins) == len(nodes)
        if subcircuit is not None and not fits:
            self.file.doubts.note(
                f"{len(nodes)} nodes, but .subckt {model} has {len(subcircuit.pins)} pins: taken by position",
                reference,
            )
        pins = subcircuit.pins if subcircuit is not None and fits else None
        kind = kind_of(reference)
        if kind == "other" and pins and named_pins(pins) is not None:
            kind = "relay"  # whatever it is called
        if kind == "relay":
            self.parts.append(self._relay(reference, model, nodes, subcircuit if fits else None))
        elif kind == "connector" or subcircuit is None or not fits or not self._is_taken_apart(model.lower()):
            names = pins or [str(number) for number in range(1, len(nodes) + 1)]
            self.parts.append(
                NetPart(
                    reference=reference, kind=kind, value=model, pins=tuple(zip(names, nodes, strict=True))
                )
            )
        else:
            within = f"{inside}{reference.split('_')[0].lower() if inside else reference.lower()}/"
            self.cards(subcircuit.cards, dict(zip(subcircuit.pins, nodes, strict=True)), within, depth + 1)

    def _is_taken_apart(self, model: str) -> bool:
        """Whether a subcircuit has relays or connectors in it, or nothing but R, C and L."""
        if model not in self.taken_apart:
            cards = list(self._all_cards(model))
            known = self.file.subcircuits
            self.taken_apart[model] = any(map(_holds_contacts, cards)) or (
                bool(cards)
                and all(
                    card[0][0] in "rRcClL" or (card[0][0] in "xX" and card[-1].lower() in known)
                    for card in cards
                )
            )
        return self.taken_apart[model]

    def _all_cards(self, model: str) -> Iterator[list[str]]:
        """The cards of a subcircuit and of those within it, each once."""
        seen, waiting = {model}, [model]
        while waiting:
            for card in self.file.subcircuits[waiting.pop()].cards:
                yield card
                inner = card[-1].lower()
                if card[0][0] in "xX" and inner in self.file.subcircuits and inner not in seen:
                    seen.add(inner)
                    waiting.append(inner)

    def _relay(
        self, reference: str, model: str, nodes: Sequence[str], subcircuit: _Subcircuit | None
    ) -> NetPart:
        """A relay by the switches in its subcircuit, by the names of its pins, or by their order."""
        coil_ohm = contact_ohm = None
        found: NamedPins | None = None
        if subcircuit is not None:
            found, coil_ohm, contact_ohm = _by_its_switches(subcircuit, self.file.models)
            found = found or named_pins(subcircuit.pins)
        found = found or noted_by_position(reference, nodes, model, self.file.doubts, two_rows=False)
        names = found.names if found else ()
        written = subcircuit.pins if subcircuit else tuple(map(str, range(1, len(nodes) + 1)))
        pins = [(name or pin, node) for name, pin, node in zip(names or written, written, nodes, strict=True)]
        return NetPart(
            reference=reference,
            kind="relay",
            value=model,
            pins=tuple(pins),
            coil_ohm=coil_ohm,
            contact_ohm=contact_ohm,
        )

    def relays_of_switches(self) -> Iterator[NetPart]:
        """One relay for each control pair, from K900 on, or by the relay's name in those of its switches."""
        free = 900
        for (name, control), members in self.switches.items():
            reference = name or f"K{free}"
            free += not name
            pins = (("A1", control[0]), ("A2", control[1]), *_contacts(members))
            contact_ohm = next((switch.on_ohm for switch in members if switch.on_ohm), None)
            yield NetPart(
                reference=reference, kind="relay", value="switch", pins=pins, contact_ohm=contact_ohm
            )


def _is_relay_card(card: Sequence[str]) -> bool:
    """`XK1 …`, or `K1 …` with more words than a coupling of inductors has."""
    letter, last = card[0][0].upper(), card[-1]
    if letter == "X":
        return kind_of(card[0][1:]) == "relay"
    return letter == "K" and len(card) >= 6 and value_of(last) is None


def _holds_contacts(card: Sequence[str]) -> bool:
    """Whether a card is a switch, a relay or a connector."""
    letter = card[0][0].upper()
    is_connector = letter == "X" and kind_of(card[0][1:]) == "connector"
    return letter == "S" or is_connector or _is_relay_card(card)


def _switch(card: Sequence[str], models: Mapping[str, Mapping[str, str]]) -> _Switch:
    """A contact is closed at rest if its model's name has nc in it, or if the model's resistance is larger on
    than off.
    """
    model = models.get(card[5].lower(), {})
    on_ohm, off_ohm = value_of(model.get("ron", "")), value_of(model.get("roff", ""))
    inverted = on_ohm is not None and off_ohm is not None and on_ohm > off_ohm
    opens = inverted or "nc" in card[5].lower()
    a, b, plus, minus = (word.lower() for word in card[1:5])
    return _Switch(a=a, b=b, control=(plus, minus), opens=opens, on_ohm=off_ohm if inverted else on_ohm)


def _contacts(members: Iterable[_Switch]) -> Iterator[tuple[str, str]]:
    """Pins of a relay's contacts; a breaking and a making switch on one node are one changeover contact."""
    switches = list(members)
    making = [switch for switch in switches if not switch.opens]
    number = 0
    for breaking in (switch for switch in switches if switch.opens):
        number += 1
        nodes = (breaking.a, breaking.b)
        partner = next((switch for switch in making if {switch.a, switch.b} & set(nodes)), None)
        shared = nodes[0] if partner is None or nodes[0] in (partner.a, partner.b) else nodes[1]
        yield f"{number}1", shared
        yield f"{number}2", nodes[1] if shared == nodes[0] else nodes[0]
        if partner is not None:
            making.remove(partner)
            yield f"{number}4", partner.b if shared == partner.a else partner.a
    for switch in making:
        number += 1
        yield f"{number}1", switch.a
        yield f"{number}4", switch.b


def _by_its_switches(
    subcircuit: _Subcircuit, models: Mapping[str, Mapping[str, str]]
) -> tuple[NamedPins | None, float | None, float | None]:
    """Pins of a relay whose subcircuit consists of switches, with its coil's and its contacts' resistance;
    the two pins that are on no switch are the coil.
    """
    switches = [_switch(card, models) for card in subcircuit.cards if card[0][0] in "sS" and len(card) >= 6]
    if not switches:
        return None, None, None
    first = switches[0].control
    members = [
        # a control with its ends exchanged closes the contact while the coil is off
        replace(switch, opens=not switch.opens) if switch.control == (first[1], first[0]) else switch
        for switch in switches
    ]
    on_contacts = {node for switch in switches for node in (switch.a, switch.b)}
    coil = [pin for pin in subcircuit.pins if pin not in on_contacts]
    if len(coil) != 2 or any(node not in subcircuit.pins for node in on_contacts):
        return None, None, None
    named = dict(zip(coil, ("A1", "A2"), strict=True))
    shared: dict[str, str] = {}
    for name, node in _contacts(members):
        if node in shared:  # one pin on two contacts: no list of pins can say that
            return None, None, None
        shared[node] = name
    coil_ohm = next(
        (
            value_of(card[3])
            for card in subcircuit.cards
            if card[0][0] in "rR" and len(card) >= 4 and {card[1].lower(), card[2].lower()} & set(coil)
        ),
        None,
    )
    contact_ohm = next((switch.on_ohm for switch in switches if switch.on_ohm), None)
    names = tuple({**shared, **named}.get(pin) for pin in subcircuit.pins)
    return NamedPins(names=names), coil_ohm, contact_ohm
