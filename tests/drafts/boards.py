"""The talkback insert of an outside-broadcast rack as a list of parts, and as the netlists that schematic
editors export of it.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

SIDES = ("left", "right")
LEGS = ("hot", "cold")
COIL_OHM, CONTACT_OHM = 4100.0, 0.05


@dataclass(frozen=True, kw_only=True)
class BoardRelay:
    """coil: its two nodes. contacts: (common, released, operated) nodes."""

    name: str
    coil: tuple[str, str]
    contacts: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, kw_only=True)
class Board:
    """resistors: (name, node, node, value in ohms). connectors: by name their nodes."""

    relays: tuple[BoardRelay, ...]
    resistors: tuple[tuple[str, str, str, float], ...]
    connectors: Mapping[str, tuple[str, ...]]

    def renamed(self, name: Callable[[str], str]) -> "Board":
        """The board with other names of nodes."""
        return Board(
            relays=tuple(
                replace(
                    relay,
                    coil=(name(relay.coil[0]), name(relay.coil[1])),
                    contacts=tuple((name(a), name(b), name(c)) for a, b, c in relay.contacts),
                )
                for relay in self.relays
            ),
            resistors=tuple((ref, name(a), name(b), ohm) for ref, a, b, ohm in self.resistors),
            connectors={ref: tuple(map(name, nodes)) for ref, nodes in self.connectors.items()},
        )

    @property
    def nodes(self) -> tuple[str, ...]:
        """Every node once, in the order of the parts."""
        relays = [
            node for relay in self.relays for node in (*relay.coil, *(n for c in relay.contacts for n in c))
        ]
        ends = [node for _, a, b, _ in self.resistors for node in (a, b)]
        return tuple(dict.fromkeys([*relays, *ends, *(n for on in self.connectors.values() for n in on)]))


def _channel(side: str, first: int) -> tuple[list[BoardRelay], list[tuple[str, str, str, float]]]:
    """A source selector, an insert loop that is normalled through 1 kohm, and a dim pad: a relay each."""
    both = [
        tuple((f"{side}.{a}.{leg}", f"{side}.{b}.{leg}", f"{side}.{c}.{leg}") for leg in LEGS)
        for a, b, c in (
            ("chosen", "desk_in", "van_in"),
            ("after", "chosen", "ret"),
            ("out", "after", "dimmed"),
        )
    ]
    lines = ("SOURCE", "INSERT", "DIM")
    relays = [
        BoardRelay(name=f"K{first + index}", coil=("SUPPLY", lines[index]), contacts=contacts)
        for index, contacts in enumerate(both)
    ]
    resistors = []
    for number, leg in enumerate(LEGS):
        start = 10 * first + 4 * number
        ends = (("chosen", "snd", 47.0), ("snd", "ret", 1000.0), ("after", "dimmed", 2700.0))
        resistors += [
            (f"R{start + index}", f"{side}.{a}.{leg}", f"{side}.{b}.{leg}", ohm)
            for index, (a, b, ohm) in enumerate(ends)
        ]
        resistors.append((f"R{start + 3}", f"{side}.dimmed.{leg}", "GROUND", 301.0 + number))
    return relays, resistors


def talkback() -> Board:
    """Both channels, and their mono sum, which is of neither; nodes as `left.out.hot`, `left.sum_out.hot` of
    the sum, SOURCE, INSERT and DIM, SUPPLY, GROUND.
    """
    (left, left_r), (right, right_r) = _channel("left", 1), _channel("right", 4)
    added = [
        (f"R{100 + 2 * number + index}", f"{side}.out.{leg}", f"left.sum_out.{leg}", 4700.0)
        for number, side in enumerate(SIDES)
        for index, leg in enumerate(LEGS)
    ]
    links = [
        (f"R{110 + index}", f"left.sum_out.{leg}", f"left.sum_copy_out.{leg}", 0.0)
        for index, leg in enumerate(LEGS)
    ]
    pins = [[f"{side}.{net}.{leg}" for net in nets for leg in LEGS] for side in SIDES
            for nets in (("desk_in", "van_in"), ("snd", "ret"), ("out",))]  # fmt: skip
    connectors = {f"J{number}": tuple(on) for number, on in enumerate(pins, start=1)}
    connectors["J8"] = tuple(f"left.{net}.{leg}" for net in ("sum_out", "sum_copy_out") for leg in LEGS)
    return Board(
        relays=(*left, *right),
        resistors=(*left_r, *right_r, *added, *links),
        connectors={**connectors, "J9": ("SUPPLY", "SOURCE", "INSERT", "DIM", "GROUND")},
    )


def spice(board: Board, subcircuit: str = "") -> str:
    """As SPICE; `subcircuit` defines the relay, otherwise its nodes are in the usual order."""
    cards = ["* Talkback insert", subcircuit]
    for relay in board.relays:
        nodes = " ".join((*relay.coil, *(node for contact in relay.contacts for node in contact)))
        cards.append(f"X{relay.name} {nodes} SIG_2C")
    cards += [f"{name} {a} {b} {ohm:g}" for name, a, b, ohm in board.resistors]
    cards += [f"X{name} {' '.join(nodes)} HEADER" for name, nodes in board.connectors.items()]
    return "\n".join([*cards, ".end", ""])


SWITCHES = f"""\
.subckt SIG_2C a b c d e f g h
L1 a x 10m
R1 x b {COIL_OHM}
S1 c e a b MAKE
S2 c d a b BREAK
S3 f h a b MAKE
S4 f g a b BREAK
.ends
.model MAKE SW(Ron={CONTACT_OHM} Roff=1T Vt=12)
.model BREAK SW(Ron=1T Roff={CONTACT_OHM} Vt=12)"""
PIN_NAMES = ".subckt SIG_2C COIL_P COIL_N COM1 NC1 NO1 COM2 NC2 NO2\n.ends"
EN_50005 = ("A1", "A2", "11", "12", "14", "21", "22", "24")
TWO_ROWS = ("1", "8", "3", "2", "4", "6", "7", "5")  # coil at the ends, each common between its throws


def in_channels(board: Board) -> str:
    """As SPICE with the channel drawn once, as a subcircuit that stands there twice."""
    one = Board(relays=board.relays[:3], resistors=board.resistors[:8], connectors={})
    ports = [f"{net}_{leg}" for net in ("desk_in", "van_in", "snd", "ret", "out") for leg in ("p", "n")]
    inner = one.renamed(_local)
    cards = [line for line in spice(inner).splitlines() if line[:1] in "XR" and line]
    shared = ["rail", "source", "insert", "dim"]
    head = f".subckt CHANNEL {' '.join([*ports, *shared])}"
    on = {side: " ".join(f"{side[0]}_{port}" for port in ports) for side in SIDES}
    calls = [f"X{side[0].upper()} {on[side]} 24V SOURCE INSERT DIM CHANNEL" for side in SIDES]
    whole = board.renamed(lambda node: _local(node) if ".sum" in node else _of_call(node))
    rest = [
        line
        for line in spice(replace(whole, relays=(), resistors=board_tail(whole))).splitlines()
        if line[:1] in "XR" and line
    ]
    return "\n".join(["* Talkback insert", head, *cards, ".ends", *calls, *rest, ".end", ""])


def board_tail(board: Board) -> tuple[tuple[str, str, str, float], ...]:
    """What is of neither channel."""
    return board.resistors[16:]


def _of_call(node: str) -> str:
    side, _, rest = node.partition(".")
    return f"{side[0]}_{_local(node)}" if rest else {"SUPPLY": "24V", "GROUND": "0"}.get(node, node)


def _local(node: str) -> str:
    words = node.split(".")
    if len(words) < 3:
        return {"SUPPLY": "rail", "GROUND": "0"}.get(node, node.lower())
    return f"{words[1]}_{'p' if words[2] == 'hot' else 'n'}"


def schematic(board: Board, pins: Sequence[str], kind: str = "SIG-2C-24V") -> str:
    """As the S-expressions of a schematic, with the relay's coil and contacts on these pins."""
    on: dict[str, list[tuple[str, str]]] = {node: [] for node in board.nodes}
    for relay in board.relays:
        nodes = (*relay.coil, *(node for contact in relay.contacts for node in contact))
        for pin, node in zip(pins, nodes, strict=True):
            on[node].append((relay.name, pin))
    for name, a, b, _ in board.resistors:
        on[a].append((name, "1"))
        on[b].append((name, "2"))
    for name, nodes in board.connectors.items():
        for number, node in enumerate(nodes, start=1):
            on[node].append((name, str(number)))
    values = [
        *((relay.name, kind) for relay in board.relays),
        *((name, f"{ohm:g}") for name, _, _, ohm in board.resistors),
        *((name, "Header") for name in board.connectors),
    ]
    return f'(export (version "E") (components {_components(values)}) (nets {_nets(on)}))'


def _components(values: Iterable[tuple[str, str]]) -> str:
    return " ".join(f'(comp (ref "{name}") (value "{value}"))' for name, value in values)


def _nets(on: Mapping[str, Iterable[tuple[str, str]]]) -> str:
    return " ".join(
        f'(net (code "{code}") (name "{node}") '
        + " ".join(f'(node (ref "{ref}") (pin "{pin}") (pintype "passive"))' for ref, pin in nodes)
        + ")"
        for code, (node, nodes) in enumerate(on.items(), start=1)
    )


def plain_names(node: str) -> str:
    """`OUT_L_P`; rails 24V_RLY and 0."""
    words = node.split(".")
    if len(words) < 3:
        return {"SUPPLY": "24V_RLY", "GROUND": "0"}.get(node, node)
    leg = "P" if words[2] == "hot" else "N"
    if words[1].startswith("sum"):
        return f"{words[1].upper()}_{leg}"
    return f"{words[1].upper()}_{words[0][0].upper()}_{leg}"


def short_names(node: str) -> str:
    """`OUTLH`, no word of its own for anything; the inner nets and the supply as an editor numbers them."""
    words = node.split(".")
    if len(words) < 3:
        return {"SUPPLY": "Net-(D1-K)", "GROUND": "GND"}.get(node, f"/{node}")
    if words[1] in ("after", "dimmed", "chosen"):
        return f"Net-({words[0][0].upper()}{words[1]}-{words[2][0]})".replace("chosen", "K7")
    leg = "H" if words[2] == "hot" else "C"
    return (
        f"/{words[1].upper()}{leg}"
        if words[1].startswith("sum")
        else f"/{words[1].upper()}{words[0][0].upper()}{leg}"
    )
