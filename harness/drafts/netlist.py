"""A netlist as parts with named pins on nodes, whichever file it was read from, and what its words mean."""

import math
import re
from dataclasses import dataclass

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
    """Parts, and what the reader could not make out."""

    title: str
    parts: tuple[NetPart, ...]
    doubts: tuple[str, ...]


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
    """A node as module.toml would have it. channel, leg: None where the name does not tell."""

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
    for place in (0, -1):
        if channel is None and len(words) > 1 and words[place] in _CHANNELS:
            channel = _CHANNELS[words.pop(place)]
    return Node(written=name, channel=channel, net=plain_name("_".join(words)), leg=leg)


def plain_name(text: str) -> str:
    """A name in lower case with underscores that begins with a letter."""
    plain = re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_") or "net"
    return plain if plain[0].isalpha() else f"n_{plain}"


def spice_value(text: str) -> float | None:
    """Read a value in SI; None where it is none, or not more than zero."""
    bare = text.strip().replace("µ", "u").replace("μ", "u")
    if matched := _BETWEEN.fullmatch(bare):
        number, scale = float(f"{matched[1]}.{matched[3]}"), matched[2]
    elif matched := _SUFFIXED.fullmatch(bare):
        number, scale = float(matched[1]), matched[2]
    else:
        return None
    value = number * _SCALES[scale.lower()] if scale else number
    return value if 0 < value < math.inf else None
