"""Which channel, net and leg the name of a node means."""

import re
from dataclasses import dataclass

from harness.job.module import GROUND, Leg

_LEGS: dict[str, Leg] = {
    **dict.fromkeys(("hot", "p", "pos", "plus", "+"), "hot"),
    **dict.fromkeys(("cold", "n", "neg", "minus", "-"), "cold"),
}
_CHANNELS = {"left": "left", "l": "left", "right": "right", "r": "right", "mono": "mono"}
_GROUNDS = {"0", "gnd", "ground", "agnd", "gnda", "shield", "screen", "chassis", "earth", "gnd!"}
_SUPPLY = re.compile(r"\+?\d+v\d*|v(cc|dd|ee|ss|relay|coil)|(relay|coil)_?(supply|power)", re.IGNORECASE)


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
