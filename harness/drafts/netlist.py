"""A netlist as parts with named pins on nodes, and what both kinds of netlist have in common."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from harness.drafts.doubts import Doubts

PartKind = Literal["relay", "resistor", "capacitor", "inductor", "connector", "diode", "transistor", "other"]

LARGEST_BYTES = 2_000_000
MOST_PARTS = 5_000
MOST_LINES = 50_000
DEEPEST = 50  # brackets, or subcircuits within subcircuits

_KINDS: Mapping[str, PartKind] = MappingProxyType(
    {
        **dict.fromkeys(("K", "RL", "RY", "REL", "RLY", "RLA", "RELAY"), "relay"),
        "R": "resistor",
        "C": "capacitor",
        "L": "inductor",
        **dict.fromkeys(("J", "P", "CN", "CON", "CONN", "X", "XLR", "SK", "PL"), "connector"),
        "D": "diode",
        "Q": "transistor",
    }
)

# As SPICE has them: m and M are a thousandth, meg a million.
_SCALES = {
    "": 1.0, "t": 1e12, "g": 1e9, "meg": 1e6, "k": 1e3, "r": 1.0, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12,
    "f": 1e-15,
}  # fmt: skip
_NUMBER = r"(\d{1,12}(?:\.\d{0,12})?(?:e[+-]?\d{1,2})?)"
_SUFFIXED = re.compile(_NUMBER + r"\s*(meg|[tgkrmunpf]?)(?:ohms?|[fωΩ])?", re.IGNORECASE)
_BETWEEN = re.compile(r"(\d{1,6})(meg|[kmrunp])(\d{1,6})", re.IGNORECASE)
# Within a schematic's value field, which may tell tolerance, voltage, material and size as well.
_WRITTEN = re.compile(rf"(?<![\w.])(?:{_BETWEEN.pattern}|{_SUFFIXED.pattern})(?![\w.%])", re.IGNORECASE)
_TOLERANCE = re.compile(r"(?<![\w.])(\d{1,2}(?:\.\d{1,3})?)\s*%")


@dataclass(frozen=True, kw_only=True)
class NetPart:
    """A part: its reference (`K1`), value or type, and the node on each pin, in the file's order.

    A relay's pins are named after EN 50005, whatever the file calls them: A1 and A2 the coil (B1 and B2 the
    coil that resets), 11 12 14 a contact's common, break and make, 21 22 24 the next. coil_ohm, contact_ohm:
    from the netlist's own model of it, if that has them. package: the names of the schematic's symbol and of
    the footprint, which tell a female connector from a male one.
    """

    reference: str
    kind: PartKind
    value: str
    pins: tuple[tuple[str, str], ...]
    coil_ohm: float | None = None
    contact_ohm: float | None = None
    package: str = ""

    @property
    def nodes(self) -> tuple[str, ...]:
        """The node on each pin."""
        return tuple(node for _, node in self.pins)

    @property
    def coil_ends(self) -> tuple[tuple[str, str], ...]:
        """The two nodes of each coil: the only one, or that which sets and that which resets; these two may
        have an end in common, A2.
        """
        on = dict(self.pins)
        on.setdefault("B2", on.get("A2", ""))
        return tuple((on[a], on[b]) for a, b in (("A1", "A2"), ("B1", "B2")) if on.get(a) and on.get(b))


@dataclass(frozen=True, kw_only=True)
class Netlist:
    """Parts, and what could not be read."""

    title: str
    parts: tuple[NetPart, ...]
    doubts: Doubts


def kind_of(reference: str) -> PartKind:
    """What a part is by its reference: K1, RL1 and RY1 are relays, J1 a connector."""
    matched = re.match(r"[A-Za-z]+", reference)
    return _KINDS.get(matched[0].upper(), "other") if matched else "other"


def value_and_tolerance(text: str) -> tuple[float | None, str | None]:
    """The value in SI that a field such as `2k2 1%` or `0805 100n X7R 10%` tells, and the tolerance
    as module.toml has it; None for what it does not tell. A number with a letter counts before one without.
    """
    bare = text.strip().replace("µ", "u").replace("μ", "u")
    numbers = [matched[0] for matched in _WRITTEN.finditer(bare)]
    numbers.sort(key=lambda number: not re.search(r"[a-zωΩ]", number, re.IGNORECASE))
    tolerance = _TOLERANCE.search(bare)
    return (value_of(numbers[0]) if numbers else None), (f"{tolerance[1]} %" if tolerance else None)


def value_of(text: str) -> float | None:
    """Read a value in SI; None if it is no value. `0` and `0R` are 0."""
    bare = text.strip().replace("µ", "u").replace("μ", "u")
    if matched := _BETWEEN.fullmatch(bare):
        number, scale = float(f"{matched[1]}.{matched[3]}"), matched[2]
    elif matched := _SUFFIXED.fullmatch(bare):
        number, scale = float(matched[1]), matched[2]
    else:
        return None
    value = number * _SCALES[scale.lower()] if scale else number
    return value if value < math.inf else None
