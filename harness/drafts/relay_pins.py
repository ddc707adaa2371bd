"""Which of a relay's pins are its coil and which its contacts: by their names, else by their position.

The names that count are those of EN 50005 (A1 A2 11 12 14; 13 14 for a make contact alone) and the words that
schematics use: COIL+, COM1, NC1, NO1, SET+, RESET-.
"""

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from harness.drafts.doubts import Doubts
from harness.drafts.node_names import is_ground, is_supply, read_names

Throw = Literal["1", "2", "4"]
COILS = ("A1", "A2", "B1", "B2")
_COIL = re.compile(
    r"a1|a2|coil(1|2|a|b|p|n|m|\+|-|plus|minus|pos|neg|hi|lo|high|low|in|out)?|c[pnm+-]|[+pn-]|pos|neg|plus|minus"
)
_SET = re.compile(r"(?:coil)?(?:set|s)(?:coil)?(1|2|p|n|\+|-|plus|minus|pos|neg)?")
_RESET = re.compile(r"(?:coil)?(?:reset|rst|res|r)(?:coil)?(1|2|p|n|\+|-|plus|minus|pos|neg)?")
_COIL_COMMON = re.compile(r"coilcom(mon)?|comcoil|a2|cc")
_CONTACT = re.compile(
    r"(?:sw|pole)?(?P<before>\d+|[a-h])?(?P<kind>common|com|co|c|pole|p|wiper|arm|moving|nc|break|brk|rest|released|"
    r"no|make|mk|operated|work)(?P<after>\d+|[a-h])?"
)
_DIGIT: dict[str, Throw] = {
    **dict.fromkeys(("common", "com", "co", "c", "pole", "p", "wiper", "arm", "moving"), "1"),
    **dict.fromkeys(("nc", "break", "brk", "rest", "released"), "2"),
    **dict.fromkeys(("no", "make", "mk", "operated", "work"), "4"),
}
_NUMBERED = re.compile(r"(?P<contact>\d{1,3})(?P<digit>[1234])")
_LATCHING = re.compile(r"latch|bistab|remanen|(2|two|dual)[ _-]?coil", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class NamedPins:
    """EN 50005's name of each pin, None for one that is no part of coil or contacts; position: in words how
    pins were told apart if their names did not tell, else "".
    """

    names: tuple[str | None, ...]
    position: str = ""


def named_pins(pins: Sequence[str]) -> NamedPins | None:
    """Name a relay's pins by what the netlist calls them; None if that tells no coil, or no whole contact."""
    bare = [re.sub(r"[^a-z0-9+-]", "", pin.lower()) for pin in pins]
    names = _coil_names(bare)
    if names is None:
        return None
    contacts: dict[str, set[str]] = defaultdict(set)
    for index, pin in enumerate(bare):
        if names[index] is None and (found := _contact_of(pin)) is not None:
            contacts[found[0]].add(found[1])
            names[index] = "".join(found)
    numbers = {contact: str(number) for number, contact in enumerate(contacts, start=1)}
    if not contacts or any("1" not in throws or len(throws) < 2 for throws in contacts.values()):
        return None
    renamed = [name if name is None or name in COILS else f"{numbers[name[:-1]]}{name[-1]}" for name in names]
    return NamedPins(names=tuple(renamed))


def _coil_names(bare: Sequence[str]) -> list[str | None] | None:
    """A1 and A2 at the coil's pins, B1 and B2 at those of the coil that resets."""
    names: list[str | None] = [None] * len(bare)
    sets, resets = (
        [index for index, pin in enumerate(bare) if each.fullmatch(pin)] for each in (_SET, _RESET)
    )
    coils = [index for index, pin in enumerate(bare) if _COIL.fullmatch(pin)]
    if bare.count("a3") == 1 and len(coils) == 2:
        extra = [index for index, pin in enumerate(bare) if pin in ("a3", "a4", "b1", "b2")]
    else:
        extra = [index for index, pin in enumerate(bare) if pin in ("b1", "b2")]
    if len(sets) == len(resets) == 2:
        ends = [*sets, *resets]
    elif len(coils) == 2 and len(extra) in (0, 2):
        ends = [*coils, *extra]
    elif len(sets) == len(resets) == 1:
        common = [index for index, pin in enumerate(bare) if _COIL_COMMON.fullmatch(pin)]
        return None if len(common) != 1 else _with_common(names, sets[0], common[0], resets[0])
    elif (
        not coils
        and sum(pin in ("c1", "c2") for pin in bare) == 2
        and any(pin.startswith("com") for pin in bare)
    ):
        ends = [index for index, pin in enumerate(bare) if pin in ("c1", "c2")]
    else:
        return None
    for index, name in zip(ends, COILS, strict=False):
        names[index] = name
    return names


def _with_common(names: list[str | None], set_: int, common: int, reset: int) -> list[str | None]:
    """Two coils with one end in common: A1, A2 and B1; whoever reads them gives A2's node to B2 as well."""
    names[set_], names[common], names[reset] = "A1", "A2", "B1"
    return names


def _contact_of(pin: str) -> tuple[str, Throw] | None:
    if matched := _NUMBERED.fullmatch(pin):
        throws: dict[str, Throw] = {"1": "1", "2": "2", "3": "1", "4": "4"}
        return matched["contact"], throws[matched["digit"]]
    if matched := _CONTACT.fullmatch(pin):
        throw = _DIGIT[matched["kind"]]
        return (
            matched["before"] or matched["after"] or "1"
        ), "1" if throw == "1" else "2" if throw == "2" else "4"
    return None


def pins_by_position(nodes: Sequence[str], kind: str, *, two_rows: bool) -> NamedPins | None:
    """Name a relay's pins by their order: the coil's, then the contacts in threes, or in twos if the count
    says so. None if it fits neither.

    nodes: the node of each pin in order. The coil comes first, or with two_rows at both ends, as in a package
    whose contacts lie break, common, make from the coil's end in each row (common practice, no source); but
    not where an audio net is, if it can be elsewhere, and rather where a supply rail is.
    """
    coil_pins = 4 if _LATCHING.search(kind) and len(nodes) >= 7 else 2
    count = len(nodes) - coil_pins
    if count < 2 or (count % 3 and count % 2):
        return None
    first, last, ends = tuple(range(coil_pins)), tuple(range(count, len(nodes))), (0, len(nodes) - 1)
    places = {first: "first the coil", last: "last the coil"}
    if coil_pins == 2 and count % 3 == 0:
        places = {ends: "first and last the coil", **places} if two_rows else {**places, ends: "ends"}
    coil = _coil_of(places, nodes)
    rest = [place for place in range(len(nodes)) if place not in coil]
    order, each = ("124", "common, released, operated") if count % 3 == 0 else ("14", "common, operated")
    if coil == ends:
        order, each = "214", "released, common, operated, in both rows from the coil's end"
        half = len(rest) // 3 // 2 * 3
        rest = [*rest[: len(rest) - half], *reversed(rest[len(rest) - half :])]
    names: list[str | None] = [None] * len(nodes)
    for place, name in zip(coil, COILS, strict=False):
        names[place] = name
    for index, place in enumerate(rest):
        names[place] = f"{index // len(order) + 1}{order[index % len(order)]}"
    where = "first and last the coil" if coil == ends else places[coil]
    coils = f"{where}s that set and reset" if coil_pins == 4 else where
    return NamedPins(names=tuple(names), position=f"{coils}, then {each}")


def _coil_of(places: Iterable[tuple[int, ...]], nodes: Sequence[str]) -> tuple[int, ...]:
    """The first place whose names are those of a coil's ends: none an audio net's, and one a rail's if any
    place has that.
    """
    listed = list(places)
    quiet = [each for each in listed if not any(_is_audio(nodes[place]) for place in each)]
    on_rail = [each for each in quiet if any(_is_rail(nodes[place]) for place in each)]
    return next(iter([*on_rail, *quiet, *listed]))


def _is_audio(node: str) -> bool:
    return any(each.leg is not None for each in read_names([node]).values())


def _is_rail(node: str) -> bool:
    return is_supply(node) and not is_ground(node)


def noted_by_position(
    reference: str, nodes: Sequence[str], kind: str, doubts: Doubts, *, two_rows: bool
) -> NamedPins | None:
    """Name a relay's pins by their order, and note that this was done."""
    found = pins_by_position(nodes, kind, two_rows=two_rows)
    if found is not None:
        doubts.note(
            f"its pins' names do not tell which is which, so taken by position: {found.position}", reference
        )
    return found
