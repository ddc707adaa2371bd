"""What the names of nets tell: channel, net, leg; supply and ground; a coil's voltage.

Beside whole words (`left.out.hot`, `/L_OUT_P`, `out+`) an ending or beginning counts where its twin is there:
`OUTLP` is the left channel's hot leg of `out` if the netlist has `OUTRP` and `OUTLN` as well.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from harness.job.module import Leg

Tokens = tuple[str, ...]

GROUNDS = frozenset(
    ("0", "gnd", "ground", "agnd", "gnda", "dgnd", "gndd", "pgnd", "sgnd", "0v", "shield", "screen",
     "chassis", "earth", "gnd!", "gndref", "gndpwr")
)  # fmt: skip
_RAIL = re.compile(
    r"[+-]?v_?(cc|dd|ee|ss|relay|coil|rly|bat)\d*|(relay|coil|rly)_?(supply|power|pwr|vcc|v\+?)|v[+-]|[+-]\d{1,2}"
)
_VOLTS = re.compile(
    r"(?<![a-z0-9.])[+-]?(?P<a>\d{1,2})v(?P<tenth>\d?)(dc)?(?![a-z0-9])"
    r"|(?<![a-z0-9])(?:p|v_?(?:cc|dd|relay|coil|rly|bat)?_?|[+])(?P<b>\d{1,2})v?(dc)?(?![a-z0-9])"
    r"|(?<![a-z])(dc|vdc)[ _-]?(?P<c>\d{1,2})(?![0-9])"
    r"|(?<=[a-z0-9])[_-](?P<d>3|5|6|9|12|24|48)(v?dc|v)?(?![a-z0-9])",
    re.IGNORECASE,
)
_HOT = ("hot", "p", "pos", "plus")
_COLD = ("cold", "n", "neg", "minus")
_WHOLE_LEGS: dict[str, Leg] = {**dict.fromkeys(_HOT, "hot"), **dict.fromkeys(_COLD, "cold")}
_LONG_LEGS = {word: leg for word, leg in _WHOLE_LEGS.items() if len(word) > 1}
_TWIN_LEGS: tuple[tuple[str, str], ...] = (("p", "n"), ("h", "c"))
_CHANNELS = {
    **dict.fromkeys(("left", "l", "lft", "lh"), "left"),
    **dict.fromkeys(("right", "r", "rgt", "rh"), "right"),
}
_NUMBERED = re.compile(r"(?:ch|chan|channel)_?(\d)")
_NAMELESS = re.compile(r"net-\(|net-_|n\$\d|unconnected-|net[a-z]{1,3}\d+_|n\d{3,}$|_net_?\d", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class Named:
    """What a net's name tells: channel and leg, None where it does not; `net` is the rest of it.

    nameless: whether an editor made the name up.
    """

    channel: str | None
    net: str
    leg: Leg | None
    nameless: bool = False


def is_ground(name: str) -> bool:
    """Whether a net is pin 1."""
    return name.rsplit("/", 1)[-1].strip().lower() in GROUNDS


def is_supply(name: str) -> bool:
    """Whether a net's name is that of a supply rail or of ground."""
    bare = name.rsplit("/", 1)[-1].strip().lower()
    return is_ground(name) or _RAIL.fullmatch(bare) is not None or _names_a_rail(bare)


def _names_a_rail(bare: str) -> bool:
    words = [word for word in re.split(r"[^a-z0-9]+", bare) if word]
    return any(re.fullmatch(r"p?\d{1,2}v\d?(dc)?|v\d{1,2}", word) for word in words) and not {
        *_WHOLE_LEGS, "in", "out", "send", "return",
    } & set(words)  # fmt: skip


def volts_of(text: str) -> float | None:
    """The voltage in a net's or part's name: `+24V`, `24VDC`, `RLY-2C-12`, `4V5`, `VRELAY24`; or None."""
    for matched in _VOLTS.finditer(text):
        digits = next(filter(None, (matched[key] for key in "abcd")), "")
        volts = float(digits) + float(matched["tenth"] or 0) / 10
        if volts > 0:
            return volts
    return None


def plain_name(text: str) -> str:
    """A name in lower case with underscores that begins with a letter."""
    plain = re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_") or "net"
    return plain if plain[0].isalpha() else f"n_{plain}"


def read_names(names: Iterable[str]) -> dict[str, Named]:
    """Read all names of a netlist, each beside the others."""
    written = list(dict.fromkeys(names))
    made_up = {name for name in written if _NAMELESS.match(name.rsplit("/", 1)[-1])}
    tokens = {name: _tokens(name) for name in written if name not in made_up}
    known = set(tokens.values())
    legs = {name: _leg(each, known) for name, each in tokens.items()}
    rest = {each for each, _ in legs.values()}
    result = {name: Named(channel=None, net=_made_up(name), leg=None, nameless=True) for name in made_up}
    for name, (each, leg) in legs.items():
        words, channel = _channel(each, rest)
        if channel is None:
            channel = _of_path(name)
        result[name] = Named(channel=channel, net=plain_name("_".join(words)), leg=leg)
    channels = {each.channel for each in result.values()}
    if channels == {None}:
        return {name: _mono(each) for name, each in result.items()}
    return result


def _mono(named: Named) -> Named:
    """In a netlist without left and right, `mono` in a name is the channel."""
    words = named.net.split("_")
    for index in (0, -1):
        if len(words) > 1 and words[index] == "mono":
            del words[index]
            return Named(channel="mono", net="_".join(words), leg=named.leg, nameless=named.nameless)
    return named


def _made_up(name: str) -> str:
    """`Net-(K1-Pad3)` as `k1_3`."""
    bare = re.sub(r"(?i)net-?[(_]?|unconnected-|pad", " ", name.rsplit("/", 1)[-1])
    return plain_name(bare)


def _tokens(name: str) -> Tokens:
    bare = name.rsplit("/", 1)[-1].strip().lower()
    sign = {"+": "+", "-": "-"}.get(bare[-1:], "") if len(bare) > 1 else ""
    words = [word for word in re.split(r"[^a-z0-9]+", bare) if word]
    return (*words, sign) if sign else tuple(words)


def _leg(tokens: Tokens, known: set[Tokens]) -> tuple[Tokens, Leg | None]:
    """The tokens without that of the leg, and the leg."""
    last = tokens[-1] if tokens else ""
    if last in "+-" and len(tokens) > 1:
        return tokens[:-1], "hot" if last == "+" else "cold"
    if len(tokens) > 1 and last in _WHOLE_LEGS:
        return tokens[:-1], _WHOLE_LEGS[last]
    for index, word in enumerate(tokens):
        if len(tokens) > 1 and word in _LONG_LEGS:
            return tokens[:index] + tokens[index + 1 :], _LONG_LEGS[word]
    for hot, cold in _TWIN_LEGS:
        for rest in _without(tokens, hot, cold, known, at_front=False):
            return rest, "hot"
        for rest in _without(tokens, cold, hot, known, at_front=False):
            return rest, "cold"
    return tokens, None


def _channel(tokens: Tokens, known: set[Tokens]) -> tuple[Tokens, str | None]:
    """The tokens without that of the channel, and the channel."""
    for index, word in enumerate(tokens):
        rest = tokens[:index] + tokens[index + 1 :]
        if rest and (matched := _NUMBERED.fullmatch(word)):
            return rest, f"ch{matched[1]}"
        if rest and word in _CHANNELS and (len(word) > 1 or index in (0, len(tokens) - 1)):
            return rest, _CHANNELS[word]
    for mine, other in (("l", "r"), ("r", "l")):
        for rest in _without(tokens, mine, other, known, at_front=True):
            return rest, _CHANNELS[mine]
    return tokens, None


def _without(
    tokens: Tokens, mine: str, other: str, known: set[Tokens], *, at_front: bool
) -> Iterator[Tokens]:
    """The tokens without `mine`, alone or at a token's end or front, if they are known with `other` there."""
    for index in reversed(range(len(tokens))):
        word, before, after = tokens[index], tokens[:index], tokens[index + 1 :]
        forms: list[tuple[str, str]] = []
        if word == mine and len(tokens) > 1:
            forms.append(("", other))
        if word.endswith(mine) and len(word) > 1:
            forms.append((word[:-1], word[:-1] + other))
        if at_front and word.startswith(mine) and len(word) > 1:
            forms.append((word[1:], other + word[1:]))
        for rest, twin in forms:
            if (*before, twin, *after) in known:
                yield (*before, *((rest,) if rest else ()), *after)


def _of_path(name: str) -> str | None:
    """The channel that the sheets or subcircuits around a net tell: `/Left/N1`, `xl/n1`."""
    for part in name.lower().split("/")[:-1]:
        for word in (part, part.removeprefix("x"), *re.split(r"[^a-z0-9]+", part)):
            if word in _CHANNELS:
                return _CHANNELS[word]
            if matched := _NUMBERED.fullmatch(word):
                return f"ch{matched[1]}"
    return None


def tell_apart(nets: Mapping[str, tuple[str, str, Leg]]) -> dict[str, str]:
    """The net of each node by its written name, so that no two nodes have channel, net and leg in common.

    nets: (channel, net, leg) by written name. Those that collide are named after their sheet as well, or get
    a number.
    """
    result = {written: net for written, (_, net, _) in nets.items()}
    for full in (True, False):
        users: dict[tuple[str, str, Leg], list[str]] = {}
        for written, (channel, _, leg) in nets.items():
            users.setdefault((channel, result[written], leg), []).append(written)
        for (_, net, _), collided in users.items():
            if len(collided) == 1:
                continue
            for number, written in enumerate(collided, start=1):
                sheets = "_".join(written.split("/")[:-1]).strip("_")
                if full and sheets:
                    result[written] = f"{plain_name(sheets)}_{net}"
                elif not full and number > 1:
                    result[written] = f"{net}_{number}"
    return result
